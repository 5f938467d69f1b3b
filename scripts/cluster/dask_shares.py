"""Lays out a project in shares on a Dask cluster and joins them: dask_shares.py PROJECT OUT [options]

Without --scheduler a LocalCluster is started, with --workers workers of one thread each. Every share is a task of its own; a
worker that is lost has its task done again by another. Shares that are finished already in OUT-shares are not made anew, so
that a run that was broken off goes on when started again with the same project.

--lose-one kills a worker while it works, to show that the result is the same.
"""

import argparse
import os
import pathlib
import signal
import subprocess
import sys
import threading
import time

from dask.distributed import Client, LocalCluster, get_worker


def lay_out(program, project, number, shares, folder):
    """One share, by the program itself; its exit code 0 means that the plans are there, whole."""
    done = pathlib.Path(folder) / f"share-{number}-of-{shares}.plans"
    if not done.exists():
        command = [program, "layout", project, "--share", f"{number}/{shares}", "--out", folder, "--jobs", "1", "--quiet"]
        # Dies with its worker: a share that nobody waits for would only take a core.
        subprocess.run(command, check=True, preexec_fn=die_with_parent)
    return number, get_worker().address


def die_with_parent():
    """Linux only; elsewhere a lost worker's program works on to its end, which does no harm."""
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(1, signal.SIGKILL)


def lose_one(client, after_s):
    """Kills the first worker after a while, as a power cut would."""

    def kill():
        time.sleep(after_s)
        address, pid = next(iter(client.run(os.getpid).items()))
        os.kill(pid, signal.SIGKILL)
        print(f"killed worker {address}", file=sys.stderr)

    threading.Thread(target=kill, daemon=True).start()


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("project")
    parser.add_argument("out")
    parser.add_argument("--shares", type=int, default=4)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--scheduler", help="address of a running cluster, whose machines share this file system")
    parser.add_argument("--program", default="blockwright", help="where blockwright lies for every worker, unless on the PATH")
    parser.add_argument("--lose-one", type=float, metavar="SECONDS")
    options = parser.parse_args()
    project = str(pathlib.Path(options.project).resolve())
    folder = str(pathlib.Path(f"{options.out}-shares").resolve())
    cluster = options.scheduler or LocalCluster(
        n_workers=options.workers, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
    )
    with Client(cluster) as client:
        if options.lose_one is not None:
            lose_one(client, options.lose_one)
        tasks = [
            client.submit(lay_out, options.program, project, number, options.shares, folder, retries=3, pure=False)
            for number in range(1, options.shares + 1)
        ]
        for number, address in client.gather(tasks):
            print(f"share {number} of {options.shares} by {address}", file=sys.stderr)
    if not options.scheduler:
        cluster.close()
    gather = [options.program, "gather", folder, "--project", project, "--out", options.out, "--quiet"]
    sys.exit(subprocess.run(gather).returncode)


if __name__ == "__main__":
    main()
