"""Episodes of high inspired oxygen in stays with evidence of CO2 retention, out of a timeline."""

import polars as pl

from pipeline.layers import SECONDS_BITS
from pipeline.policy import Policy
from pipeline.timeline import Timeline
from pipeline.vocabulary import RETENTION_SAMPLE_TYPES

_STATES = ("below", "within", "above_on_oxygen", "unobserved")

EPISODE_COLUMNS = (
    "stay_id",
    "started_at",
    "ended_at",
    "high_s",
    "peak_fio2",
    "mean_fio2",
    "device_at_peak",
    "ward",
    "lower_percent",
    "upper_percent",
    "retainer_at_start",
    "retainer_ever",
    "below_s",
    "within_s",
    "above_on_oxygen_s",
    "unobserved_s",
    "spo2_min",
    "spo2_max",
    "gas_before_at",
    "gas_before_pco2_kpa",
    "gas_before_ph",
    "gas_after_at",
    "gas_after_pco2_kpa",
    "gas_after_ph",
    "gas_after_minutes",
    "repeat_gas_in_time",
    "acidosis_after",
    "saturation_during",
)


def high_fio2_episodes(timeline: Timeline, gases: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Finds the maximal runs of high inspired fraction, joined over short gaps, and what was seen around them.

    In: a timeline; gases, one row per sample with stay_id, taken_at, sample_type, pco2_kpa and ph.
    Out: one row per episode `[started_at, ended_at)` with EPISODE_COLUMNS. Seconds, the mean and the peak are over
    the high time, gaps left out; the lowest and highest reading and `saturation_during` look at every reading taken
    in the episode. gas_before is the last sample at or before the start, gas_after the first one after it, null if
    there was none in the stay. `acidosis_after` is null without a later gas, or where it does not tell.
    """
    return episodes_with_gases(stretches(timeline), gases, policy)


def episodes_with_gases(stretches: pl.DataFrame, gases: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """The rows of `high_fio2_episodes` out of the `stretches` of a timeline."""
    episodes = episodes_of(stretches, policy.high_fio2_above, policy)
    return _with_gases(episodes, stretches, gases, policy).select(EPISODE_COLUMNS)


def gases_around(events: pl.DataFrame, samples: pl.DataFrame, at: str) -> pl.DataFrame:
    """Adds the last arterial or capillary gas at or before the instant `at`, and the first one after it.

    In: events with stay_id and `at`; samples with stay_id, taken_at, sample_type, pco2_kpa, ph.
    Out: the events by `at`, with gas_before_at, gas_before_pco2_kpa, gas_before_ph and the same for gas_after; null
    where there is none.
    """
    usable = samples.filter(pl.col("sample_type").is_in(RETENTION_SAMPLE_TYPES)).sort("taken_at")
    around = events.sort(at)
    for name in ("gas_before", "gas_after"):
        around = around.join_asof(
            usable.select(
                "stay_id",
                pl.col("taken_at").alias(f"{name}_at"),
                pl.col("pco2_kpa").alias(f"{name}_pco2_kpa"),
                pl.col("ph").alias(f"{name}_ph"),
            ),
            left_on=at,
            right_on=f"{name}_at",
            by="stay_id",
            strategy="backward" if name == "gas_before" else "forward",
            allow_exact_matches=name == "gas_before",
            coalesce=False,
            check_sortedness=False,
        )
    return around


def acidosis_after(policy: Policy) -> pl.Expr:
    """Whether gas_after_ph and gas_after_pco2_kpa show acidosis with CO2 retention; null where they do not tell."""
    acid = pl.col("gas_after_ph") < policy.acidosis_ph_below
    retaining = pl.col("gas_after_pco2_kpa") > policy.retainer_pco2_above_kpa
    return pl.when(pl.col("gas_after_ph").is_not_null()).then(acid & retaining)


def stretches(timeline: Timeline) -> pl.DataFrame:
    """One row per condition of a timeline, by stay and time, with what the readings did in it.

    Inspired oxygen and target stay the same within a condition, so nothing is lost by adding up its spans. Out: the
    columns of `conditions` and stay_no, seconds in each state, the lowest and the highest reading taken,
    `[started_at, ended_at)` and seconds.
    """
    seconds, reading = pl.col("seconds").cast(pl.Int64), pl.col("spo2_percent").filter(pl.col("readings") > 0)
    added_up = timeline.spans.group_by("condition_no").agg(
        *(seconds.filter(pl.col("band_state") == state).sum().alias(f"{state}_s") for state in _STATES),
        started_at=pl.col("started_at").min(),
        seconds=seconds.sum(),
        spo2_min=reading.min(),
        spo2_max=reading.max(),
    )
    return (
        timeline.conditions.join(added_up, on="condition_no", how="left")
        .sort("condition_no")
        .with_columns(
            stay_no=pl.col("condition_no") // 2**SECONDS_BITS,
            ended_at=pl.col("started_at") + pl.duration(seconds=pl.col("seconds")),
        )
    )


def episodes_of(stretches: pl.DataFrame, fraction: float, policy: Policy) -> pl.DataFrame:
    """The episodes in `stretches` of more than this inspired fraction, each with the month of its start.

    In every other threshold the policy holds. Without the gases around them.
    """
    marked = stretches.lazy().filter(pl.col("retainer_ever").is_not_null())
    # Unknown or excluded time is no high time: it ends a run and counts as gap.
    high = marked.filter((pl.col("fio2") > fraction) & pl.col("excluded").is_null())
    # Of equal peaks the first names the device: a lazy group_by would take any of them.
    return _with_readings(_runs(high.collect(), policy), marked)


def _runs(high: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    gap = pl.col("started_at") - pl.col("ended_at").shift(1)
    is_far = gap > pl.duration(seconds=round(policy.episode_join_minutes * 60))
    begins = pl.col("stay_no").ne_missing(pl.col("stay_no").shift(1)) | is_far
    return (
        high.with_columns(episode=begins.cum_sum())
        .group_by("episode", maintain_order=True)
        .agg(
            pl.col("stay_id", "started_at", "ward", "month", "lower_percent", "upper_percent", "retainer_ever").first(),
            pl.col("stay_no", "condition_no").first(),
            pl.col("ended_at").last(),
            pl.col([f"{state}_s" for state in _STATES]).sum(),
            high_s=pl.col("seconds").sum(),
            peak_fio2=pl.col("fio2").max(),
            mean_fio2=(pl.col("fio2") * pl.col("seconds")).sum() / pl.col("seconds").sum(),
            device_at_peak=pl.col("device").get(pl.col("fio2").arg_max()),
            retainer_at_start=pl.col("retainer").first(),
        )
        .filter(pl.col("high_s") >= policy.episode_min_minutes * 60)
    )


def _with_readings(episodes: pl.DataFrame, stretches: pl.LazyFrame) -> pl.DataFrame:
    starts = episodes.lazy().select("condition_no", "episode", of_stay="stay_no", end="ended_at")
    seen = (
        stretches.filter(pl.col("spo2_max").is_not_null())
        .join_asof(starts.set_sorted("condition_no"), on="condition_no", strategy="backward")
        # A stretch lies in an episode as a whole or not at all, since it changes where the episode ends.
        .filter((pl.col("stay_no") == pl.col("of_stay")) & (pl.col("started_at") < pl.col("end")))
        .group_by("episode")
        .agg(
            saturation_during=pl.when((pl.col("spo2_max") > pl.col("upper_percent")).any())
            .then(pl.lit("above"))
            .when((pl.col("spo2_min") < pl.col("lower_percent")).any())
            .then(pl.lit("below"))
            .when(pl.col("upper_percent").is_not_null().any())
            .then(pl.lit("within")),
            spo2_min=pl.col("spo2_min").min(),
            spo2_max=pl.col("spo2_max").max(),
        )
        .collect()
    )
    return episodes.join(seen, on="episode", how="left", maintain_order="left").with_columns(
        pl.col("saturation_during").fill_null("none")
    )


def _with_gases(episodes: pl.DataFrame, stretches: pl.DataFrame, gases: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    window_ends = stretches.group_by("stay_id").agg(stay_end=pl.col("ended_at").max())
    samples = gases.join(window_ends, on="stay_id").filter(pl.col("taken_at") < pl.col("stay_end"))
    minutes = (pl.col("gas_after_at") - pl.col("started_at")).dt.total_seconds() / 60
    return (
        gases_around(episodes, samples, at="started_at")
        .with_columns(
            gas_after_minutes=minutes,
            repeat_gas_in_time=(minutes <= policy.repeat_gas_minutes).fill_null(False),
            acidosis_after=acidosis_after(policy),
        )
        .sort("stay_id", "started_at")
    )
