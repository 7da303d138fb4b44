"""How the tool grows: the same steps over 5, 50, 200 million and a billion readings, in one run.

    uv run python -m tests.benchmarks.growth [--sizes 5 50 200] [--memory-limit 8GB] [--folder FOLDER]

Sizes are millions of readings. The extracts are made in parts of ten million (five for the smallest) and kept in
FOLDER (default: a folder of the user's cache), so that a second run makes none. For each size, on the same files:

scan: DuckDB reads the columns that band time needs and sums them, nothing else: the floor.
pandas: a plain script; up to 12 million readings, and scaled from that size above (it needs 0.4 GB a million).
window SQL: the same logic as the script in one statement of DuckDB; up to 60 million readings.
load: the tool's load of every part into one store, one after the other.
band time: from the loaded store to `stay_band_time`: the timeline, stored, and its sums. This is compared.
measure: the whole of `measure_store`: timeline, events, derived tables, every measure, months.
report: the page of the last complete month.

Each runs in a process of its own, and imports come before the clock starts; its peak memory is what the operating
system says of it. The tool's own steps keep to the memory limit, as its commands do with `--memory-limit`. The growth
exponent is the slope between the smallest and the largest size on logarithmic axes: 1 is in proportion.
"""

import argparse
import importlib
import json
import math
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

from pipeline.memory import bytes_of, limited
from tests.benchmarks.hospital import SHAPES, write_part

_PART = 10_000_000
_PANDAS_MOST = 12_000_000
_WINDOWS_MOST = 60_000_000

Result = dict[str, float]


def parts_of(folder: Path, shape: str, readings: int) -> list[Path]:
    """The folders of the parts of this size, made where they are missing."""
    each = min(readings, _PART)
    paths = [folder / shape / f"{each}" / f"part-{number:04d}" for number in range(readings // each)]
    for number, path in enumerate(paths):
        if not path.exists():
            unfinished = path.with_name(f"{path.name}.unfinished")
            write_part(unfinished, number, each, shape)
            unfinished.rename(path)
    return paths


def load(parts: list[Path], store: Path, out: Path) -> int:
    """Loads every part into a store made anew."""
    from pipeline.intake.load import load_extract
    from pipeline.store import open_store

    store.unlink(missing_ok=True)
    rows = 0
    with open_store(store, create=True) as connection:
        for part in parts:
            result = load_extract(connection, part, zone="UTC")
            rows += int(result.files["rows_stored"].sum())
    return rows


def band_time(parts: list[Path], store: Path, out: Path) -> int:
    """The tool's own steps from a loaded store to `stay_band_time`."""
    from pipeline.batch import timeline_of_batch
    from pipeline.measure import empty_measured_tables, fill_timeline
    from pipeline.policy import read_policy
    from pipeline.store import open_store

    with open_store(store) as connection:
        empty_measured_tables(connection)
        fill_timeline(connection, read_policy(), timeline_of_batch, derived=("stay_band_time",))
        [(rows,)] = connection.execute("select count(*) from stay_band_time").fetchall()
    return int(rows)


def measure(parts: list[Path], store: Path, out: Path) -> int:
    """The whole of measuring."""
    from pipeline.measure import measure_store
    from pipeline.policy import read_policy
    from pipeline.store import open_store

    with open_store(store) as connection:
        measure_store(connection, read_policy())
        [(rows,)] = connection.execute("select count(*) from measure_rows").fetchall()
    return int(rows)


def report(parts: list[Path], store: Path, out: Path) -> int:
    """The monthly page."""
    from pipeline.policy import read_policy
    from pipeline.store import open_store
    from reports.month import write_month_report

    with open_store(store) as connection:
        return write_month_report(connection, out, "2025-02", read_policy()).stat().st_size


def _baseline(name: str, parts: list[Path]) -> int:
    from tests.benchmarks import baselines

    return int(getattr(baselines, name)(parts))


_TOOL = {"load": load, "band time": band_time, "measure": measure, "report": report}
_BASELINES = {"scan": "scan", "pandas": "pandas_script", "window SQL": "window_sql"}
_IMPORTED = ("duckdb", "pandas", "pipeline.intake.load", "pipeline.measure", "reports.month")
_MOST = {"pandas": _PANDAS_MOST, "window SQL": _WINDOWS_MOST}


def _step_here(step: str, folder: Path, shape: str, readings: int, limit: str) -> None:
    parts = parts_of(folder, shape, readings)
    store = folder / shape / f"store-{readings}.duckdb"
    # What is imported at the top of modules comes before the clock starts.
    for module in _IMPORTED:
        importlib.import_module(module)
    started = time.perf_counter()
    if step in _BASELINES:
        rows = _baseline(_BASELINES[step], parts)
    else:
        with limited(bytes_of(limit)):
            rows = _TOOL[step](parts, store, folder / shape / "pages")
    seconds = time.perf_counter() - started
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(json.dumps({"rows": rows, "seconds": seconds, "peak_gb": peak_gb}))


def _run_alone(step: str, folder: Path, shape: str, readings: int, limit: str) -> Result:
    command = [sys.executable, "-m", "tests.benchmarks.growth", "--step", step, "--sizes", str(readings / 1e6)]
    command += ["--shape", shape, "--folder", str(folder), "--memory-limit", limit]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def _show(readings: int, name: str, result: Result) -> None:
    speed = readings / result["seconds"]
    print(
        f"  {name:<12} {result['seconds']:>9.2f} s {speed:>13,.0f} readings/s {result['peak_gb']:>7.2f} GB "
        f"{result['rows']:>13,.0f} rows",
        flush=True,
    )


def _of_size(
    folder: Path, shape: str, readings: int, limit: str, pandas_before: float | None
) -> tuple[dict[str, Result], float]:
    """Runs every step at one size and prints it. pandas_before: seconds a reading at a smaller size."""
    parts_of(folder, shape, readings)
    print(f"\n{readings:,} readings, {shape}")
    results = {}
    for step in (*_BASELINES, *_TOOL):
        if readings > _MOST.get(step, readings):
            continue
        results[step] = _run_alone(step, folder, shape, readings, limit)
        _show(readings, step, results[step])
    size = (folder / shape / f"store-{readings}.duckdb").stat().st_size / 2**30
    own = results["band time"]["seconds"]
    if "pandas" in results:
        pandas_each, how = results["pandas"]["seconds"] / readings, "measured"
    else:
        pandas_each, how = pandas_before or math.nan, "scaled from the smaller size"
    print(f"  the store is {size:.2f} GB on disk")
    print(f"  band time: {own / results['scan']['seconds']:.1f} times the bare scan")
    print(f"  band time: {pandas_each * readings / own:.1f} times faster than pandas ({how})")
    if "window SQL" in results:
        print(f"  band time: {results['window SQL']['seconds'] / own:.1f} times faster than window SQL")
    return results, pandas_each


def _exponent(sizes: list[int], found: list[dict[str, Result]], step: str) -> float:
    first, last = found[0][step]["seconds"], found[-1][step]["seconds"]
    return math.log(last / first) / math.log(sizes[-1] / sizes[0])


def main() -> None:
    parser = argparse.ArgumentParser(description="Times every step at several sizes.")
    parser.add_argument("--sizes", type=float, nargs="+", default=[5, 50, 200], help="millions of readings")
    parser.add_argument("--shape", choices=SHAPES, default="hospital")
    parser.add_argument("--memory-limit", default="8GB", help="for the tool's own steps")
    cache = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache"))
    parser.add_argument("--folder", type=Path, default=cache / "bandaudit-benchmarks")
    parser.add_argument("--step", choices=(*_BASELINES, *_TOOL), help=argparse.SUPPRESS)
    options = parser.parse_args()
    sizes = sorted(round(size * 1e6) for size in options.sizes)
    if options.step:
        _step_here(options.step, options.folder, options.shape, sizes[0], options.memory_limit)
        return
    found, pandas_each = [], None
    for readings in sizes:
        results, pandas_each = _of_size(options.folder, options.shape, readings, options.memory_limit, pandas_each)
        found.append(results)
    if len(sizes) > 1:
        print(f"\nGrowth exponent between {sizes[0]:,} and {sizes[-1]:,} readings:")
        for step in ("scan", *_TOOL):
            print(f"  {step:<12} {_exponent(sizes, found, step):.2f}")


if __name__ == "__main__":
    main()
