"""Times band time side by side on the same made-up readings, in one run.

    uv run python -m tests.benchmarks.band_time [--readings 12000000] [--stays 20000] [--folder FOLDER]

(a) scan: DuckDB reads the same columns of the same files and sums them, nothing else: the floor.
(b) pandas: a plain script (sort, merge_asof for target and device, groupby shift, groupby sum). It does not cut at
    changes between readings and so does less than the tool.
(c) bandaudit: from the loaded store to `stay_band_time`, with the timeline and the episodes stored on the way.
(d) events: the same with every table of events (gases, changes of oxygen, valves, excess, pathway, other choices).

Each runs in a process of its own, so that its peak memory is its own. Loading is shown beside them.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

_START_S = 1_735_689_600  # 2025-01-01
_YEAR_S = 365 * 86_400


def write_extract(folder: Path, readings: int, stays: int) -> None:
    """A canonical extract in Parquet: uneven readings, one to three targets and about eight device records a stay."""
    folder.mkdir(parents=True, exist_ok=True)
    generator = np.random.default_rng(1)
    per_stay = readings // stays
    admitted = _START_S + generator.integers(0, _YEAR_S, stays)
    gaps = generator.integers(300, 5_400, (stays, per_stay))
    gaps[generator.random((stays, per_stay)) < 0.01] = 30_000
    taken = admitted[:, None] + np.cumsum(gaps, axis=1)
    discharged = taken[:, -1] + 3_600
    ids = pl.Series([f"stay-{number:06d}" for number in range(stays)])
    wandering = np.cumsum(generator.normal(0, 0.7, (stays, per_stay)), axis=1)
    spo2 = np.clip(np.round(92 + wandering - wandering.mean(axis=1, keepdims=True)), 70, 100)

    def times(seconds: np.ndarray) -> pl.Series:
        return pl.Series(seconds * 1_000_000).cast(pl.Datetime("us"))

    pl.DataFrame(
        {
            "stay_id": ids,
            "patient_key": [f"patient-{number // 2:06d}" for number in range(stays)],
            "admitted_at": times(admitted),
            "discharged_at": times(discharged),
        }
    ).write_parquet(folder / "stays.parquet")
    pl.DataFrame(
        {
            "stay_id": ids.gather(np.repeat(np.arange(stays), per_stay)),
            "taken_at": times(taken.ravel()),
            "spo2_percent": spo2.ravel(),
        }
    ).write_parquet(folder / "readings.parquet")
    length = discharged - admitted

    def within_stays(count: int) -> tuple[np.ndarray, np.ndarray]:
        owner = np.repeat(np.arange(stays), count)
        return owner, admitted[owner] + (generator.random(len(owner)) * length[owner]).astype(int)

    owner, at = within_stays(2)
    low = generator.random(len(owner)) < 0.3
    pl.DataFrame(
        {
            "stay_id": ids.gather(owner),
            "prescribed_at": times(at),
            "lower_percent": np.where(low, 88.0, 94.0),
            "upper_percent": np.where(low, 92.0, 98.0),
        }
    ).unique(["stay_id", "prescribed_at"], maintain_order=True).write_parquet(folder / "targets.parquet")
    owner, at = within_stays(8)
    kinds = np.array(["room_air", "nasal_cannula", "simple_mask", "reservoir_mask"])
    pl.DataFrame(
        {
            "stay_id": ids.gather(owner),
            "started_at": times(at),
            "device": kinds[generator.integers(0, 4, len(owner))],
            "flow_l_min": generator.integers(1, 11, len(owner)).astype(float),
        }
    ).unique(["stay_id", "started_at"], maintain_order=True).write_parquet(folder / "devices.parquet")


def scan(folder: Path) -> int:
    """(a) Reads the columns that band time needs and sums them."""
    import duckdb

    [(rows,)] = duckdb.execute(
        f"""
        select count(*) from (
            select stay_id, sum(epoch(taken_at)), sum(spo2_percent)
            from read_parquet('{folder / "extract" / "readings.parquet"}')
            group by stay_id
        )
        """
    ).fetchall()
    return int(rows)


def pandas_script(folder: Path) -> int:
    """(b) What an analyst would write by hand."""
    import pandas as pd

    tables = {name: pd.read_parquet(folder / "extract" / f"{name}.parquet") for name in _TABLES}
    rows = tables["readings"].sort_values("taken_at")
    targets = tables["targets"].sort_values("prescribed_at")
    devices = tables["devices"].sort_values("started_at")
    rows = pd.merge_asof(rows, targets, left_on="taken_at", right_on="prescribed_at", by="stay_id")
    rows = pd.merge_asof(rows, devices, left_on="taken_at", right_on="started_at", by="stay_id")
    rows = rows.merge(tables["stays"], on="stay_id").sort_values(["stay_id", "taken_at"])
    following = rows.groupby("stay_id")["taken_at"].shift(-1).fillna(rows["discharged_at"])
    until = np.minimum(following, rows["taken_at"] + pd.Timedelta(hours=6))
    rows["seconds"] = (until - rows["taken_at"]).dt.total_seconds()
    spo2 = rows["spo2_percent"]
    rows["state"] = np.select(
        [
            rows["upper_percent"].isna(),
            spo2 < rows["lower_percent"],
            spo2 <= rows["upper_percent"],
            rows["device"].eq("room_air"),
            rows["device"].isna(),
        ],
        ["no_target", "below", "within", "above_on_air", "above_device_unknown"],
        "above_on_oxygen",
    )
    rows["month"] = rows["taken_at"].dt.strftime("%Y-%m")
    keys = ["stay_id", "patient_key", "month", "lower_percent", "upper_percent", "state"]
    return len(rows.groupby(keys, dropna=False)["seconds"].sum())


def tool(folder: Path) -> int:
    """(c) The tool's own steps from a loaded store to `stay_band_time`."""
    return _band_time(folder, with_events=False)


def events(folder: Path) -> int:
    """(d) The same with every table of events."""
    return _band_time(folder, with_events=True)


def _band_time(folder: Path, with_events: bool) -> int:
    from pipeline.event_tables import EVENT_TABLES
    from pipeline.measure import derive, empty_measured_tables, fill_timeline
    from pipeline.policy import read_policy
    from pipeline.store import open_store

    with open_store(folder / "store.duckdb") as connection:
        connection.begin()
        empty_measured_tables(connection)
        fill_timeline(connection, read_policy(), event_tables=EVENT_TABLES if with_events else {})
        derive(connection, "stay_band_time")
        connection.commit()
        [(rows,)] = connection.execute("select count(*) from stay_band_time").fetchall()
    return int(rows)


def load(folder: Path) -> int:
    """Loads the extract into a store made anew."""
    from pipeline.intake.load import load_extract
    from pipeline.store import open_store

    store = folder / "store.duckdb"
    store.unlink(missing_ok=True)
    with open_store(store, create=True) as connection:
        result = load_extract(connection, folder / "extract", zone="UTC")
    return int(result.files["rows_stored"].sum())


_TABLES = ("stays", "readings", "targets", "devices")
_STEPS = {"load": load, "scan": scan, "pandas": pandas_script, "bandaudit": tool, "events": events}


def _run_alone(step: str, folder: Path) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.band_time", "--step", step, "--folder", str(folder)],
        check=True,
        capture_output=True,
        text=True,
    )
    return dict(json.loads(done.stdout.splitlines()[-1]))


def _step_here(step: str, folder: Path) -> None:
    started = time.perf_counter()
    rows = _STEPS[step](folder)
    seconds = time.perf_counter() - started
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(json.dumps({"rows": rows, "seconds": seconds, "peak_gb": peak_gb}))


def _compare(folder: Path, readings: int, stays: int) -> None:
    if not (folder / "extract" / "devices.parquet").exists():
        write_extract(folder / "extract", readings, stays)
    results = {step: _run_alone(step, folder) for step in _STEPS}
    print(f"{readings:,} readings, {stays:,} stays")
    print(f"{'':<10} {'seconds':>8} {'readings/s':>12} {'peak GB':>8} {'rows out':>10}")
    for step, result in results.items():
        speed = readings / result["seconds"]
        print(f"{step:<10} {result['seconds']:>8.2f} {speed:>12,.0f} {result['peak_gb']:>8.2f} {result['rows']:>10,}")
    own = results["bandaudit"]["seconds"]
    print(f"bandaudit is {results['pandas']['seconds'] / own:.1f} times faster than pandas")
    print(f"bandaudit takes {own / results['scan']['seconds']:.1f} times the bare scan")


def main() -> None:
    parser = argparse.ArgumentParser(description="Times band time side by side.")
    parser.add_argument("--readings", type=int, default=12_000_000)
    parser.add_argument("--stays", type=int, default=20_000)
    parser.add_argument("--folder", type=Path, help="keeps the files here (default: a temporary folder)")
    parser.add_argument("--step", choices=_STEPS, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.step:
        _step_here(options.step, options.folder)
    elif options.folder:
        _compare(options.folder, options.readings, options.stays)
    else:
        with tempfile.TemporaryDirectory() as folder:
            _compare(Path(folder), options.readings, options.stays)


if __name__ == "__main__":
    main()
