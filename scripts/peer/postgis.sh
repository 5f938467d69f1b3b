#!/usr/bin/env bash
# Runs core.sql in a PostgreSQL server of its own: postgis.sh INPUT.gpkg AREAS.csv
# Needs PostgreSQL with PostGIS, and GDAL's ogr2ogr with the PostgreSQL driver; on Debian: postgresql, postgresql-postgis,
# gdal-bin. The server listens on a socket in a temporary folder only, and goes with it.
set -euo pipefail

here="$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)"
input="$(realpath "$1")"
areas="$(realpath -m "$2")"
bin="$(dirname "$(find /usr/lib/postgresql -name initdb -path '*/bin/*' 2>/dev/null | sort -V | tail -n 1)")"
[ -x "$bin/initdb" ] || { echo 'skipped: no PostgreSQL server' >&2; exit 77; }
home="$(mktemp -d)"
run=()
# PostgreSQL refuses to run as root.
if [ "$(id -u)" -eq 0 ]; then
    chown postgres "$home"
    run=(runuser -u postgres --)
fi
stop() {
    "${run[@]}" "$bin/pg_ctl" -D "$home/data" -m immediate stop >/dev/null 2>&1 || true
    rm -rf "$home"
}
trap stop EXIT
"${run[@]}" "$bin/initdb" -D "$home/data" -U postgres --auth=trust >/dev/null
"${run[@]}" "$bin/pg_ctl" -D "$home/data" -w -l "$home/log" \
    -o "-k $home -c listen_addresses='' -c fsync=off -c work_mem=64MB -c shared_buffers=256MB" start >/dev/null
sql() { psql -q -v ON_ERROR_STOP=1 -h "$home" -U postgres "$@"; }
sql -c 'CREATE EXTENSION postgis' || { echo 'skipped: no PostGIS' >&2; exit 77; }
ogr2ogr -q -f PostgreSQL "PG:host=$home user=postgres dbname=postgres" "$input" -nlt PROMOTE_TO_MULTI -lco GEOMETRY_NAME=geom -lco FID=fid
sql -c 'CREATE INDEX ON blocks USING gist (geom)' -c 'ANALYZE'
cp "$here/core.sql" "$home/core.sql"
chmod 755 "$home"
begun="$(date +%s.%N)"
(cd "$(dirname "$areas")" && sql -f "$home/core.sql" >"$areas.log")
ended="$(date +%s.%N)"
mv "$(dirname "$areas")/areas.csv" "$areas"
printf 'postgis core_s=%.3f\n' "$(echo "$ended - $begun" | bc)"
