"""Times a month that is loaded into ever larger stores: what the month costs, and what measuring all again would.

    uv run python -m tests.benchmarks.months [--store 1 4 16] [--month 300000] [--folder FOLDER]

The same made-up month (one patient in five was in hospital before) is loaded into stores of so many million readings
and measured; then the same store is measured from the start. Each step runs in a process of its own.
"""

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path

import numpy as np
import polars as pl

from tests.benchmarks.charted import write_extract

_READINGS_A_STAY = 600
_MONTH_BEGINS = datetime(2027, 3, 1)
_TIMES = {
    "stays": ("admitted_at", "discharged_at"),
    "readings": ("taken_at",),
    "targets": ("prescribed_at",),
    "devices": ("started_at",),
}


def write_month(folder: Path, readings: int, patients_before: int) -> None:
    """Writes an extract whose stays begin in one month, after all others; one in five is of a patient seen before."""
    stays = readings // _READINGS_A_STAY
    write_extract(folder, readings, stays)
    generator = np.random.default_rng(2)
    known = generator.random(stays) < 0.2
    before, new = generator.integers(0, patients_before, stays), np.arange(stays) + 10_000_000
    table = pl.read_parquet(folder / "stays.parquet")
    begins = pl.lit(_MONTH_BEGINS).cast(pl.Datetime("us"))
    moved = table.select(
        "stay_id",
        later=begins
        + pl.duration(minutes=pl.Series(generator.integers(0, 28 * 24 * 60, stays)))
        - pl.col("admitted_at"),
    )
    keys = pl.Series([f"patient-{number:06d}" for number in np.where(known, before, new)])
    for name, times in _TIMES.items():
        rows = pl.read_parquet(folder / f"{name}.parquet").join(moved, on="stay_id", maintain_order="left")
        rows = rows.with_columns(pl.col(times) + pl.col("later"), stay_id="month-" + pl.col("stay_id")).drop("later")
        (rows.with_columns(patient_key=keys) if name == "stays" else rows).write_parquet(folder / f"{name}.parquet")


def load(store: Path, extract: Path) -> None:
    from pipeline.intake.load import load_extract
    from pipeline.store import open_store

    with open_store(store, create=True) as connection:
        load_extract(connection, extract, zone="Europe/London")


def measure(store: Path, _: Path) -> None:
    from pipeline.measure import measure_store
    from pipeline.policy import read_policy
    from pipeline.store import open_store

    with open_store(store) as connection:
        assert measure_store(connection, read_policy())


def measure_all(store: Path, extract: Path) -> None:
    from pipeline.store import forget_fact, open_store

    with open_store(store) as connection:
        for name in ("measured_state", "measured_with"):
            forget_fact(connection, name)
    measure(store, extract)


_STEPS: Mapping[str, Callable[[Path, Path], None]] = {"load": load, "measure": measure, "measure_all": measure_all}


def _run_alone(step: str, store: Path, extract: Path) -> dict[str, float]:
    command = [sys.executable, "-m", "tests.benchmarks.months", "--step", step, "--of", str(store), str(extract)]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def _step_here(step: str, store: Path, extract: Path) -> None:
    started = time.perf_counter()
    _STEPS[step](store, extract)
    used = resource.getrusage(resource.RUSAGE_SELF)
    result = {
        "seconds": time.perf_counter() - started,
        "cpu_seconds": used.ru_utime + used.ru_stime,
        "peak_gb": used.ru_maxrss / 2**20,
    }
    print(json.dumps(result))


def _compare(folder: Path, millions: list[int], month: int) -> None:
    write_month(folder / "month", month, min(millions) * 1_000_000 // _READINGS_A_STAY // 2)
    print(f"a month of {month:,} readings; seconds (CPU seconds), peak GB")
    print(f"{'in the store':>12} {'load':>22} {'measure':>22} {'measure all':>22}")
    for number in millions:
        readings, extract = number * 1_000_000, folder / f"extract-{number}"
        if not extract.exists():
            write_extract(extract, readings, readings // _READINGS_A_STAY)
        store = folder / f"store-{number}.duckdb"
        if not store.exists():
            _run_alone("load", store, extract)
            _run_alone("measure", store, extract)
        with tempfile.TemporaryDirectory(dir=folder) as scratch:
            copy = Path(shutil.copy(store, scratch))
            results = [_run_alone(step, copy, folder / "month") for step in _STEPS]
        cells = (f"{r['seconds']:.1f} ({r['cpu_seconds']:.1f}), {r['peak_gb']:.2f}" for r in results)
        print(f"{readings:>12,} " + " ".join(f"{cell:>22}" for cell in cells), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description="Times a month that is loaded into ever larger stores.")
    parser.add_argument("--store", type=int, nargs="+", default=[1, 4, 16], help="million readings")
    parser.add_argument("--month", type=int, default=300_000, help="readings of the month")
    parser.add_argument("--folder", type=Path, help="keeps the files here (default: a temporary folder)")
    parser.add_argument("--step", choices=_STEPS, help=argparse.SUPPRESS)
    parser.add_argument("--of", type=Path, nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.step:
        _step_here(options.step, *options.of)
    elif options.folder:
        options.folder.mkdir(parents=True, exist_ok=True)
        _compare(options.folder, options.store, options.month)
    else:
        with tempfile.TemporaryDirectory() as folder:
            _compare(Path(folder), options.store, options.month)


if __name__ == "__main__":
    main()
