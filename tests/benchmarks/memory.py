"""Loads and reports under several limits on memory, and prints the peak that the operating system saw.

    uv run python -m tests.benchmarks.memory [--readings 5000000] [--limits 800MB 1GB 2GB] [--folder FOLDER]

Each command runs in a process of its own; the first row has no limit. A peak over the limit is marked.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from pipeline.memory import bytes_of
from tests.benchmarks.intake import write_both_forms

_ZONE = "Europe/London"
# The child tells its own peak: that of all children of this program would be the largest so far.
_RUN = """
import json, resource, sys
from pipeline.cli import main
code = main(sys.argv[1:])
print(json.dumps({"peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024}))
sys.exit(code)
"""


def run(*arguments: str) -> tuple[float, float]:
    """Seconds, and the peak in bytes, of one command of the tool."""
    began = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", _RUN, *arguments], check=True, stdout=subprocess.PIPE, text=True)
    return time.perf_counter() - began, json.loads(done.stdout.splitlines()[-1])["peak"]


def compare(folder: Path, readings: int, limits: list[str]) -> None:
    """Prints a row for each limit, and for none."""
    if not (folder / "csv").exists():
        write_both_forms(folder, readings, readings // 500)
    print(f"{readings:,} readings; peak in MB (seconds)")
    print(f"{'limit':>8} {'load CSV':>16} {'load Parquet':>16} {'report':>16} {'export':>16}")
    for limit in (None, *limits):
        options = [] if limit is None else ["--memory-limit", limit]
        with tempfile.TemporaryDirectory(dir=folder) as scratch:
            at = ["--store", f"{scratch}/store.duckdb", *options]
            # The last store is the one that is reported.
            first = ["--store", f"{scratch}/first.duckdb", *options]
            results = [
                run("load", str(folder / "csv"), "--timezone", _ZONE, *first),
                run("load", str(folder / "parquet"), "--timezone", _ZONE, *at),
                run("report", "--out", f"{scratch}/report", *at),
                run("export", "--out", f"{scratch}/export", "--format", "parquet", *at),
            ]
        most = bytes_of(limit) if limit else float("inf")
        cells = (f"{peak / 1e6:,.0f} ({seconds:.0f}){' OVER' * (peak > most)}" for seconds, peak in results)
        print(f"{limit or 'none':>8} " + " ".join(f"{cell:>16}" for cell in cells), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description="Peak memory of commands under limits.")
    parser.add_argument("--readings", type=int, default=5_000_000)
    parser.add_argument("--limits", nargs="+", default=["800MB", "1GB", "2GB"])
    parser.add_argument("--folder", type=Path, help="keeps the files here (default: a temporary folder)")
    options = parser.parse_args()
    if options.folder:
        options.folder.mkdir(parents=True, exist_ok=True)
        compare(options.folder, options.readings, options.limits)
    else:
        with tempfile.TemporaryDirectory() as folder:
            compare(Path(folder), options.readings, options.limits)


if __name__ == "__main__":
    main()
