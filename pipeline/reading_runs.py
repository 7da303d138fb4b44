"""The readings of a batch of stays, as runs of equal ones, cut where anything else changes.

A monitor repeats itself: a reading that says the same as the one before it, at most a minute later and under the same
conditions, tells nothing new. Such readings are one run, so that an hour of a monitored bed is some rows and not 3,600.
Keys are those of `pipeline.timeline`: one number for the stay and the second.
"""

import numpy as np
import polars as pl

from pipeline.layers import SECONDS_BITS, epoch_s, stay_key

# Monitors store a value a second to one a minute; who charts by hand comes less often. Common practice, no source.
LONGEST_GAP_S = 60
# What may be charted beside the saturation: such a reading keeps a row of its own, by whose start it is found again.
BESIDE = ("respiratory_rate", "ews_scale", "spo2_score")


def reading_runs(readings: pl.DataFrame, context: pl.DataFrame, carry_s: int) -> pl.DataFrame:
    """Puts equal readings that follow each other closely into runs.

    In: one row per reading with stay_no, taken_at, spo2_percent and either `alone` (nothing else was charted with it)
    or the columns from which that is seen; context: `key`, sorted, the instants from which on anything else holds,
    and condition_no, null where nothing is in force. carry_s: how long a reading speaks at the most.
    Out: one row per run, in order: key (of its first reading), context (row of `context` in force), spo2_percent,
    readings (how many), last_reading_s (seconds from the first to the last of them). Readings under which nothing is
    in force are left out.
    """
    taken = readings.select(stay_key(epoch_s("taken_at")), "spo2_percent", alone=_alone(readings))
    if not taken["key"].is_sorted():
        taken = taken.sort("key")
    starts = context["key"].to_numpy()
    # How many readings lie under each row of the context: few instants are looked for among many readings.
    firsts = np.searchsorted(taken["key"].to_numpy(), starts)
    under = np.diff(firsts, prepend=0, append=taken.height)
    nowhere = np.append(True, context["condition_no"].is_null().to_numpy())
    row = np.repeat(np.arange(-1, len(starts), dtype=np.int32), under)
    taken = taken.with_columns(context=pl.Series(row))
    if under[nowhere].any():
        taken = taken.filter(~pl.Series(np.repeat(nowhere, under)))
    same = (
        (pl.col("spo2_percent") == pl.col("spo2_percent").shift(1))
        & (pl.col("key") - pl.col("key").shift(1) <= min(LONGEST_GAP_S, carry_s))
        & (pl.col("context") == pl.col("context").shift(1))
        & pl.col("alone")
        & pl.col("alone").shift(1)
    )
    first = taken.select(first=~same.fill_null(False))["first"]
    runs = taken.filter(first).drop("alone")
    if runs.height == taken.height:
        return runs.with_columns(readings=pl.lit(1, dtype=pl.Int32), last_reading_s=pl.lit(0, dtype=pl.Int32))
    at = np.append(np.flatnonzero(first.to_numpy()), taken.height)
    last_key = taken["key"].gather(at[1:] - 1)
    return runs.with_columns(
        readings=pl.Series(np.diff(at).astype(np.int32)), last_reading_s=(last_key - runs["key"]).cast(pl.Int32)
    )


def _alone(readings: pl.DataFrame) -> pl.Expr:
    if "alone" in readings.columns:
        return pl.col("alone")
    beside = [name for name in BESIDE if name in readings.columns]
    return pl.all_horizontal(pl.lit(True), *(pl.col(name).is_null() for name in beside))


def with_cuts(runs: pl.DataFrame, starts: np.ndarray, carry_s: int) -> pl.DataFrame:
    """Adds to the runs a row wherever anything else changes or a run stops to speak.

    In: `reading_runs`; starts: the keys of their context, sorted.
    Out: the same columns, in order of the key: at a cut the saturation that is carried into it, null where there is
    none, and no readings.
    """
    key = runs["key"].to_numpy()
    last_key = key + runs["last_reading_s"].to_numpy()
    is_silent_after = np.diff(key, append=np.iinfo(np.int64).max) - (last_key - key) > carry_s
    cuts = np.sort(np.concatenate([starts, last_key[is_silent_after] + carry_s]))
    cuts = cuts[np.diff(cuts, prepend=-1) > 0]
    place = np.searchsorted(key, cuts)
    is_new = np.append(key, -1)[place] != cuts
    cuts, place = cuts[is_new], place[is_new]
    # The last run at or before the cut speaks there, if it is one of the same stay and has not run out.
    before, has_before = place - 1, place > 0
    of_stay = key[before[has_before]] >> SECONDS_BITS == cuts[has_before] >> SECONDS_BITS
    speaks = has_before.copy()
    speaks[has_before] = of_stay & (cuts[has_before] < last_key[before[has_before]] + carry_s)
    spoken = runs["spo2_percent"].gather(pl.Series(before).set(~pl.Series(speaks), None))
    added = pl.DataFrame(
        {
            "key": cuts,
            "context": np.searchsorted(starts, cuts, side="right").astype(np.int32) - 1,
            "spo2_percent": spoken,
        }
    ).with_columns(readings=pl.lit(0, dtype=pl.Int32), last_reading_s=pl.lit(0, dtype=pl.Int32))
    order = np.insert(np.arange(len(key)), place, np.arange(len(key), len(key) + len(cuts)))
    return pl.concat([runs.select(added.columns), added], rechunk=True)[order]
