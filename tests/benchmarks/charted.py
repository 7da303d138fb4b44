"""An extract of readings charted by hand, for benchmarks of loads: 5 to 90 minutes apart, eight devices a stay."""

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
