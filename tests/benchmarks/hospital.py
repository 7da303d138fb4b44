"""A made-up hospital for benchmarks, in parts of one extract each: the same part is the same every time.

Two shapes. `hospital`: a tenth of the readings charted six times a day, thirty a stay; the rest from monitored beds,
one a second for one to three days, the value changing every twelve seconds or so, with twenty minutes off now and then.
`charted`: all by hand, 5 to 90 minutes apart, 600 a stay: no reading repeats a monitor's, so each has a row of its own.
"""

from pathlib import Path

import numpy as np
import polars as pl

SHAPES = ("hospital", "charted")
_START_S = 1_735_689_600  # 2025-01-01
_MONTH_S = 30 * 86_400
# Parts are months of admissions; after two years of them further parts are further sites of the same months.
_MONTHS = 24
_DEVICES = np.array(["room_air", "nasal_cannula", "simple_mask", "reservoir_mask"])


def write_part(folder: Path, number: int, readings: int, shape: str) -> None:
    """Writes part `number` (from 0) as a canonical extract in Parquet, with about so many readings."""
    rng = np.random.default_rng([number, readings])
    if shape == "charted":
        stays, taken = _charted(rng, max(1, readings // 600), 600, (300, 5_400))
    else:
        by_hand = readings // 10
        stays, taken = _charted(rng, max(1, by_hand // 30), 30, (7_200, 21_600))
        others, watched = _monitored(rng, readings - by_hand, len(stays))
        stays, taken = pl.concat([stays, others]), pl.concat([taken, watched])
    month = _START_S + number % _MONTHS * _MONTH_S
    key = pl.format("{}-{}", pl.lit(f"p{number:04d}"), "row")
    stays = stays.with_columns(
        stay_id=key, admitted=pl.col("admitted") + month, discharged=pl.col("discharged") + month
    )
    ids = stays["stay_id"]
    folder.mkdir(parents=True, exist_ok=True)
    stays.select(
        "stay_id",
        patient_key=pl.lit("patient-") + pl.col("stay_id"),
        admitted_at=_time("admitted"),
        discharged_at=_time("discharged"),
        site=pl.lit(f"site-{number // _MONTHS + 1}"),
    ).write_parquet(folder / "stays.parquet")
    taken.select(
        stay_id=pl.lit(ids).gather(pl.col("row")),
        taken_at=_time(pl.col("taken") + month),
        spo2_percent=pl.col("spo2").cast(pl.Float64),
    ).write_parquet(folder / "readings.parquet")
    _records(rng, stays, folder)


def _charted(
    rng: np.random.Generator, stays: int, per_stay: int, gap_s: tuple[int, int]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    admitted = rng.integers(0, _MONTH_S, stays)
    gaps = rng.integers(*gap_s, (stays, per_stay))
    gaps[rng.random((stays, per_stay)) < 0.01] = 30_000
    taken = admitted[:, None] + np.cumsum(gaps, axis=1)
    row = np.arange(stays)
    spo2 = _between(90 + np.cumsum(np.round(rng.normal(0, 0.7, (stays, per_stay))), axis=1), 80, 100)
    return (
        pl.DataFrame({"row": row, "admitted": admitted, "discharged": taken[:, -1] + 3_600}),
        pl.DataFrame({"row": np.repeat(row, per_stay), "taken": taken.ravel(), "spo2": spo2.ravel().astype(np.int8)}),
    )


def _monitored(rng: np.random.Generator, readings: int, first_row: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    lengths = rng.integers(86_400, 3 * 86_400, readings // 86_400 + 1)
    lengths = lengths[: max(1, int(np.searchsorted(np.cumsum(lengths), readings)) + 1)]
    admitted = rng.integers(0, _MONTH_S, len(lengths))
    row = first_row + np.arange(len(lengths))
    starts = np.cumsum(lengths) - lengths
    second = np.arange(lengths.sum()) - np.repeat(starts, lengths)
    changes = (rng.random(len(second)) < 1 / 12) * rng.choice(np.array([-1, 1], dtype=np.int8), len(second))
    spo2 = _between(90 + np.cumsum(changes, dtype=np.int32), 82, 100).astype(np.int8)
    is_on = (second // 1_200 + np.repeat(row, lengths)) % 18 > 0
    return (
        pl.DataFrame({"row": row, "admitted": admitted, "discharged": admitted + lengths}),
        pl.DataFrame(
            {"row": np.repeat(row, lengths), "taken": np.repeat(admitted, lengths) + second, "spo2": spo2}
        ).filter(is_on),
    )


def _between(walk: np.ndarray, lowest: int, highest: int) -> np.ndarray:
    """The walk, thrown back at both limits."""
    width = highest - lowest
    return lowest + np.abs((walk - lowest - width) % (2 * width) - width)


def _records(rng: np.random.Generator, stays: pl.DataFrame, folder: Path) -> None:
    """One or two targets and about five device records a stay, at any time in it."""
    admitted, length = stays["admitted"].to_numpy(), (stays["discharged"] - stays["admitted"]).to_numpy()

    def some(count: int, first_at_once: bool) -> tuple[np.ndarray, pl.Series]:
        owner = np.repeat(np.arange(stays.height), count)
        at = rng.random(len(owner)) * length[owner]
        if first_at_once:
            at[::count] = 0
        return owner, pl.Series((admitted[owner] + at.astype(np.int64)) * 1_000_000).cast(pl.Datetime("us"))

    owner, prescribed_at = some(2, first_at_once=True)
    low = rng.random(len(owner)) < 0.3
    targets = {"stay_id": stays["stay_id"].gather(owner), "prescribed_at": prescribed_at}
    pl.DataFrame(
        targets | {"lower_percent": np.where(low, 88.0, 94.0), "upper_percent": np.where(low, 92.0, 98.0)}
    ).unique(["stay_id", "prescribed_at"], maintain_order=True).write_parquet(folder / "targets.parquet")
    owner, started_at = some(5, first_at_once=True)
    pl.DataFrame(
        {
            "stay_id": stays["stay_id"].gather(owner),
            "started_at": started_at,
            "device": _DEVICES[rng.integers(0, 4, len(owner))],
            "flow_l_min": rng.integers(1, 11, len(owner)).astype(float),
        }
    ).unique(["stay_id", "started_at"], maintain_order=True).write_parquet(folder / "devices.parquet")


def _time(seconds: str | pl.Expr) -> pl.Expr:
    seconds = pl.col(seconds) if isinstance(seconds, str) else seconds
    return pl.from_epoch(seconds, "s").cast(pl.Datetime("us"))
