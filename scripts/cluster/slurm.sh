#!/usr/bin/env bash
# Lays out a project as a Slurm array of shares and joins them when all are done:
#
#     PROJECT=/data/project.toml OUT=/data/plan sbatch --array=1-40 scripts/cluster/slurm.sh
#     PROJECT=/data/project.toml OUT=/data/plan sbatch --dependency=afterok:JOB scripts/cluster/slurm.sh
#
# The second, without an array, joins. PROGRAM=/path/to/blockwright names a program that is not on the PATH. Project, layers and OUT lie where every machine sees them.
#SBATCH --job-name=blockwright
#SBATCH --cpus-per-task=4
#SBATCH --mem=6G
#SBATCH --requeue
set -euo pipefail

program="${PROGRAM:-blockwright}"
if [ -n "${SLURM_ARRAY_TASK_ID:-}" ]; then
    exec "$program" layout "$PROJECT" --share "$SLURM_ARRAY_TASK_ID/$SLURM_ARRAY_TASK_COUNT" \
        --out "$OUT-shares" --jobs "${SLURM_CPUS_PER_TASK:-1}" --quiet
fi
status=0
"$program" gather "$OUT-shares" --project "$PROJECT" --out "$OUT" --quiet || status=$?
# 3: done, but a rule falls short or something was set aside.
[ "$status" -eq 3 ] || exit "$status"
