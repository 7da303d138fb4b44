"""The planted truth: it adds up, and agrees with an independent count from the tables where they can tell."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.vocabulary import EXCLUSION_FLAGS
from synthetic_data.cohort import Cohort
from tests.synthetic_data.sampled_audit import PERIOD_END, sampled_states

STATES = ["below_s", "within_s", "above_on_oxygen_s", "above_on_air_s", "no_target_s", "excluded_s"]
Span = tuple[datetime, datetime]


def _window(row: dict) -> Span:
    return row["admitted_at"], row["discharged_at"] or PERIOD_END


def _month_spans() -> dict[str, Span]:
    zone = ZoneInfo("Europe/London")
    firsts = [datetime(2025 + (6 + i) // 12, (6 + i) % 12 + 1, 1, tzinfo=zone) for i in range(13)]
    utc = [first.astimezone(UTC).replace(tzinfo=None) for first in firsts]
    return {first.strftime("%Y-%m"): (a, b) for first, a, b in zip(firsts, utc, utc[1:], strict=False)}


def _overlap(one: Span, other: Span) -> Span:
    return max(one[0], other[0]), min(one[1], other[1])


def _length(spans: list[Span]) -> int:
    """Seconds covered by at least one of the spans."""
    total, reached = timedelta(0), datetime.min
    for start, end in sorted(span for span in spans if span[0] < span[1]):
        total += max(end, reached) - max(start, reached)
        reached = max(end, reached)
    return int(total.total_seconds())


def test_every_stay_and_month_adds_up(cohort: Cohort) -> None:
    months = _month_spans()
    expected = {}
    for row in cohort.tables["stays"].iter_rows(named=True):
        for month, span in months.items():
            seconds = _length([_overlap(_window(row), span)])
            if seconds:
                expected[row["stay_id"], month] = seconds
    truth = cohort.truth_band_time
    total = truth.select("stay_id", "month", total=pl.sum_horizontal(STATES))
    assert {(stay, month): seconds for stay, month, seconds in total.iter_rows()} == expected


def test_excluded_and_untargeted_seconds_by_an_independent_count(cohort: Cohort) -> None:
    tables = cohort.tables
    truth = cohort.truth_band_time.group_by("stay_id").agg(pl.col("excluded_s", "no_target_s").sum())
    given = {stay: (excluded, untargeted) for stay, excluded, untargeted in truth.iter_rows()}
    flags = tables["flags"].filter(pl.col("flag").is_in(EXCLUSION_FLAGS)).partition_by("stay_id", as_dict=True)
    targets = tables["targets"].partition_by("stay_id", as_dict=True)
    empty = tables["targets"].clear()
    for row in tables["stays"].iter_rows(named=True):
        window = _window(row)
        out = [
            _overlap(window, (flag["flagged_at"], flag["until_at"] or window[1]))
            for flag in flags.get((row["stay_id"],), tables["flags"].clear()).iter_rows(named=True)
        ]
        written = targets.get((row["stay_id"],), empty).sort("prescribed_at").to_dicts()
        in_force = []
        for number, target in enumerate(written):
            replaced = written[number + 1]["prescribed_at"] if number + 1 < len(written) else window[1]
            in_force.append(
                _overlap(window, (target["prescribed_at"], min(replaced, target["stopped_at"] or replaced)))
            )
        untargeted = _length([window]) - _length(out + in_force)
        assert given[row["stay_id"]] == (_length(out), untargeted), row["stay_id"]


def test_episodes_obey_their_definition(cohort: Cohort) -> None:
    episodes = cohort.truth_episodes.sort("stay_id", "started_at")
    assert episodes.height > 100
    span = (pl.col("ended_at") - pl.col("started_at")).dt.total_seconds()
    assert episodes.filter(pl.col("high_s") < 30 * 60).height == 0
    assert episodes.filter(pl.col("high_s") > span).height == 0
    assert episodes.filter(pl.col("device_high_s") > pl.col("high_s")).height == 0
    assert episodes["peak_fio2"].min() >= 0.285
    gap = pl.col("started_at") - pl.col("ended_at").shift(1).over("stay_id")
    assert (episodes.select(gap).to_series().drop_nulls() > timedelta(minutes=30)).all()
    stays = cohort.tables["stays"].with_columns(until=pl.col("discharged_at").fill_null(PERIOD_END))
    inside = episodes.join(stays, on="stay_id", validate="m:1")
    assert (
        inside.filter((pl.col("started_at") < pl.col("admitted_at")) | (pl.col("ended_at") > pl.col("until"))).height
        == 0
    )


def test_true_retainers_show_it_on_their_gases(cohort: Cohort) -> None:
    with_episode = cohort.truth_episodes["stay_id"].unique()
    gases = cohort.tables["gases"].filter(pl.col("sample_type") != "venous", pl.col("pco2_kpa").is_not_null())
    theirs = gases.filter(pl.col("stay_id").is_in(with_episode.implode()))
    others = gases.filter(~pl.col("stay_id").is_in(with_episode.implode()))
    assert (theirs["pco2_kpa"] > 6.0).mean() > 0.8
    assert (others["pco2_kpa"] > 6.0).mean() < 0.4


def test_what_was_charted_tells_the_same_story_as_the_truth(cohort: Cohort) -> None:
    """Charted shares of observed time lie near the true shares; charting sees the ill more often, so not the same."""
    truth = cohort.truth_band_time.select(pl.col(STATES[:4]).sum()).row(0)
    charted = dict(sampled_states(cohort.tables).group_by("state").len().iter_rows())
    seen = sum(charted[name] for name in ("below", "within", "above_on_oxygen", "above_otherwise"))
    assert abs(charted["within"] / seen - truth[1] / sum(truth)) < 0.08
    assert abs(charted["above_on_oxygen"] / seen - truth[2] / sum(truth)) < 0.07
    assert abs(charted["below"] / seen - truth[0] / sum(truth)) < 0.03
