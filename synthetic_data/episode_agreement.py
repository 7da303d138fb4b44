"""The audit's episodes of high inspired oxygen held against the planted ones: found, missed, listed without cause."""

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.statistics import wilson

# Shorter high time is no episode, in the truth as in the audit.
_SHORTEST_S = 30 * 60


class Share(NamedTuple):
    """A count out of a count, with the fraction and Wilson's 95 % interval of it (nan: none out of none)."""

    part: int
    whole: int
    fraction: float
    low: float
    high: float


def overlaps(planted: pl.DataFrame, listed: pl.DataFrame) -> pl.DataFrame:
    """Which planted and which listed episodes overlap in time, within a stay.

    In: both with `stay_id`, `started_at` (included) and `ended_at` (not included), in UTC.
    Out: one row per pair that shares a second or more: `planted` and `listed` (row numbers in the frames that came
    in), `overlap_s`, and `onset_minutes`, from the planted start to the listed one (below 0: listed earlier). Either
    side may overlap several of the other.
    """
    pairs = _numbered(planted, "planted").join(_numbered(listed, "listed"), on="stay_id", suffix="_listed")
    begins = pl.max_horizontal("started_at", "started_at_listed")
    ends = pl.min_horizontal("ended_at", "ended_at_listed")
    return (
        pairs.with_columns(
            overlap_s=(ends - begins).dt.total_seconds(),
            onset_minutes=(pl.col("started_at_listed") - pl.col("started_at")).dt.total_seconds() / 60,
        )
        .filter(pl.col("overlap_s") > 0)
        .select("planted", "listed", "overlap_s", "onset_minutes")
        .sort("planted", "listed")
    )


def _numbered(episodes: pl.DataFrame, name: str) -> pl.DataFrame:
    return episodes.select("stay_id", "started_at", "ended_at").with_row_index(name)


def sensitivity(planted: pl.DataFrame, listed: pl.DataFrame) -> Share:
    """The planted episodes that at least one listed one overlaps, out of all planted."""
    return share(overlaps(planted, listed)["planted"].n_unique(), planted.height)


def precision(planted: pl.DataFrame, listed: pl.DataFrame) -> Share:
    """The listed episodes that overlap at least one planted one, out of all listed."""
    return share(overlaps(planted, listed)["listed"].n_unique(), listed.height)


def share(part: int, whole: int) -> Share:
    """The fraction with Wilson's interval."""
    low, high = wilson(np.array([float(part)]), np.array([float(whole)]))
    return Share(part, whole, part / whole if whole else float("nan"), float(low[0]), float(high[0]))


def onset_minutes(planted: pl.DataFrame, listed: pl.DataFrame) -> pl.Series:
    """Minutes from the planted start to the listed one, for each planted episode that was found.

    Of several listed ones the one that shares most time with it counts, of equal ones the first.
    """
    pairs = overlaps(planted, listed).sort("planted", "overlap_s", "listed", descending=[False, True, False])
    return pairs.unique("planted", keep="first", maintain_order=True)["onset_minutes"]


def with_visibility(planted: pl.DataFrame, true_states: pl.DataFrame, evidence: pl.DataFrame) -> pl.DataFrame:
    """The planted episodes with the first reason why a perfect reader of the chart would not list them.

    In: `truth_episodes`, `truth_states`, and `retainers` of the store (`stay_id` of stays with charted evidence).
    Out: the same rows with `hidden_by`: no_evidence (nothing charted says that the patient retains CO2), excluded
    (under 30 min of it outside excluded time), device (under 30 min through a device held to give more than 28 %),
    or null: the chart could show it.
    """
    numbered = planted.with_row_index("planted")
    ends = pl.col("started_at") + pl.duration(seconds="seconds")
    excluded = (
        true_states.filter(pl.col("state") == "excluded")
        .with_columns(ended_at=ends)
        .join(numbered, on="stay_id", suffix="_episode")
        .with_columns(
            excluded_s=(
                pl.min_horizontal("ended_at", "ended_at_episode")
                - pl.max_horizontal("started_at", "started_at_episode")
            ).dt.total_seconds()
        )
        .filter(pl.col("excluded_s") > 0)
        .group_by("planted")
        .agg(pl.col("excluded_s").sum())
    )
    audited_s = (pl.col("ended_at") - pl.col("started_at")).dt.total_seconds() - pl.col("excluded_s").fill_null(0)
    return (
        numbered.join(excluded, on="planted", how="left", maintain_order="left")
        .with_columns(
            hidden_by=pl.when(~pl.col("stay_id").is_in(evidence["stay_id"].implode()))
            .then(pl.lit("no_evidence"))
            .when(audited_s < _SHORTEST_S)
            .then(pl.lit("excluded"))
            .when(pl.col("device_high_s") < _SHORTEST_S)
            .then(pl.lit("device"))
        )
        .drop("planted", "excluded_s")
    )
