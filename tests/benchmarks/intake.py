"""Times a load beside DuckDB reading the same files into a bare table, in one run.

    uv run python -m tests.benchmarks.intake [--readings 10000000] [--stays 20000] [--folder FOLDER] [--runs 1]

The same made-up extract is written as Parquet and as CSV, its times local to London. For each form:

bare: DuckDB makes one table a file with `read_parquet` or `read_csv` in a new database file and closes it.
load: the tool reads, types, checks and judges the extract and stores it, sorted, in a new store and closes it.

Each runs in a process of its own, so that its peak memory is its own; imports that happen at the top of modules come
before the clock starts, those of a load after it. Modules are compiled by one run that is not timed, as an installer
does it. Of several runs the fastest counts.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import polars as pl

from tests.benchmarks.charted import write_extract

_ZONE = "Europe/London"
_FORMS = ("csv", "parquet")
# What a load says when a step begins, and what the step is called here.
_STEPS = {
    "reading": "reading",
    "checking rows": "settling",
    "judging": "judging",
    "storing": "storing",
}


def write_both_forms(folder: Path, readings: int, stays: int) -> None:
    """Writes the extract into `folder/parquet` and `folder/csv`."""
    write_extract(folder / "parquet", readings, stays)
    (folder / "csv").mkdir(exist_ok=True)
    for path in sorted((folder / "parquet").glob("*.parquet")):
        times = pl.col(pl.Datetime).dt.replace_time_zone("UTC").dt.convert_time_zone(_ZONE).dt.replace_time_zone(None)
        rows = pl.read_parquet(path).with_columns(times)
        rows.write_parquet(path)
        rows.write_csv(folder / "csv" / f"{path.stem}.csv", datetime_format="%Y-%m-%d %H:%M:%S")


def bare(extract: Path, form: str, database: Path) -> dict[str, float]:
    """DuckDB alone: rows read and seconds."""
    import duckdb

    started = time.perf_counter()
    with duckdb.connect(str(database)) as connection:
        for path in sorted(extract.iterdir()):
            connection.execute(f"create table {path.stem} as select * from read_{form}('{path}')")
        rows = sum(connection.table(path.stem).count("*").fetchall()[0][0] for path in extract.iterdir())
    return {"seconds": time.perf_counter() - started, "rows": rows}


def load(extract: Path, form: str, database: Path) -> dict[str, float]:
    """The tool: rows read, rows stored, seconds, and the seconds of each step."""
    from pipeline.intake.load import load_extract
    from pipeline.store import open_store

    begun: list[tuple[str, float]] = []

    def note(sentence: str) -> None:
        step = next(name for words, name in _STEPS.items() if sentence.startswith(words))
        begun.append((step, time.perf_counter()))

    started = time.perf_counter()
    with open_store(database, create=True) as connection:
        result = load_extract(connection, extract, zone=_ZONE, tell=note)
    ended = time.perf_counter()
    ends = [at for _, at in begun[1:]] + [ended]
    steps = dict.fromkeys(_STEPS.values(), 0.0)
    for (step, at), end in zip(begun, ends, strict=True):
        steps[step] += end - at
    rows = {name: int(result.files[name].sum()) for name in ("rows_read", "rows_stored")}
    return {"seconds": ended - started, "rows": rows["rows_read"], "rows_stored": rows["rows_stored"], **steps}


_WAYS = {"bare": bare, "load": load}


def _run_alone(way: str, form: str, folder: Path) -> dict[str, float]:
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.intake", "--way", way, "--form", form, "--folder", str(folder)],
        check=True,
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
    )
    return dict(json.loads(done.stdout.splitlines()[-1]))


def _run_here(way: str, form: str, folder: Path) -> None:
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        result = _WAYS[way](folder / form, form, Path(scratch) / "made.duckdb")
    result["peak_gb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    cpu = resource.getrusage(resource.RUSAGE_SELF)
    result["cpu_seconds"] = cpu.ru_utime + cpu.ru_stime
    print(json.dumps(result))


def _compare(folder: Path, readings: int, stays: int, runs: int) -> None:
    if not (folder / "csv" / "targets.csv").exists():
        write_both_forms(folder, readings, stays)
    _run_alone("load", "parquet", folder)
    print(f"{readings:,} readings, {stays:,} stays, {os.cpu_count()} cores, the fastest of {runs}")
    print(f"{'':<14} {'seconds':>8} {'rows/s':>12} {'peak GB':>8} {'CPU s':>7}   " + " ".join(_STEPS.values()))
    for form in _FORMS:
        best = {}
        for way in _WAYS:
            best[way] = min((_run_alone(way, form, folder) for _ in range(runs)), key=lambda run: run["seconds"])
            run = best[way]
            steps = " ".join(f"{run[step]:>{len(step)}.2f}" for step in _STEPS.values() if step in run)
            print(
                f"{form + ' ' + way:<14} {run['seconds']:>8.2f} {run['rows'] / run['seconds']:>12,.0f} "
                f"{run['peak_gb']:>8.2f} {run['cpu_seconds']:>7.2f}   {steps}"
            )
        stored, read = best["load"]["rows_stored"], best["load"]["rows"]
        print(f"{form}: {stored:,} of {read:,} rows stored; a load takes ", end="")
        print(f"{best['load']['seconds'] / best['bare']['seconds']:.1f} times the bare table")


def main() -> None:
    parser = argparse.ArgumentParser(description="Times a load beside a bare table of the same files.")
    parser.add_argument("--readings", type=int, default=10_000_000)
    parser.add_argument("--stays", type=int, default=20_000)
    parser.add_argument("--runs", type=int, default=1, help="how often each is timed")
    parser.add_argument("--folder", type=Path, help="keeps the files here (default: a temporary folder)")
    parser.add_argument("--way", choices=_WAYS, help=argparse.SUPPRESS)
    parser.add_argument("--form", choices=_FORMS, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.way:
        _run_here(options.way, options.form, options.folder)
    elif options.folder:
        _compare(options.folder, options.readings, options.stays, options.runs)
    else:
        with tempfile.TemporaryDirectory() as folder:
            _compare(Path(folder), options.readings, options.stays, options.runs)


if __name__ == "__main__":
    main()
