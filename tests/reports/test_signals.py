"""The words under a chart by month: each rule by its name, limits, and why nothing can be said."""

from dataclasses import replace
from datetime import date

import polars as pl
import pytest

from pipeline.catalogue import read_measures
from pipeline.declared_changes import NONE_DECLARED, DeclaredChange, DeclaredChanges
from pipeline.monthly_signal import Chart
from reports import signals, wording
from reports.trend_chart import Mark

MONTHS = wording.months_up_to("2026-12", 24)


def told(*values: float | None, declared: DeclaredChanges = NONE_DECLARED) -> signals.Told:
    series = signals.series_of_time(MONTHS[-len(values) :], values)
    return signals.tell(series, wording.percent, declared, scale=100, highest=1.0)


STEADY = (0.10, 0.12, 0.11, 0.13, 0.10, 0.12, 0.11, 0.13, 0.10, 0.12, 0.11, 0.13)


def test_without_a_signal_every_rule_is_named() -> None:
    found = told(*STEADY)
    assert found.answer == "No shift: 10\xa0% in January 2026, 13\xa0% in December 2026"
    assert found.notes == (
        "No signal: neither a long run, nor few crossings, nor a month outside the limits.",
        # Mean 0.115; eleven moving ranges 2 1 2 3 2 1 2 3 2 1 2, together 0.21; 3 x 0.21 / 11 / 1.128 is 0.0508.
        "Mean 12\xa0%, limits 6.4\xa0% to 17\xa0%, provisional with 12 months.",
    )
    assert len(found.limits) == 12
    assert found.limits[0].high == pytest.approx(100 * (0.115 + 3 * (0.21 / 11) / 1.128))


def test_a_long_run_and_few_crossings_are_named_with_what_would_be_expected() -> None:
    found = told(*[0.20, 0.24] * 4, *[0.10, 0.14] * 4)
    assert found.answer.startswith("Fell: median 22\xa0% in the first 8 months, 12\xa0% in the last 8")
    assert found.notes[0] == (
        "Signal, longest run: 8 months in a row on one side of the median; up to 7 would be expected."
    )
    assert found.notes[1] == (
        "Signal, few crossings: the median is crossed once; at least 4 crossings would be expected."
    )


def test_a_month_outside_the_limits_is_named_with_its_limit() -> None:
    found = told(*STEADY[:11], 0.40)
    assert found.answer.startswith("No shift, but outside the limits in some month:")
    assert found.notes[0].startswith("Signal, outside the limits: December 2026 at 40\xa0%, above the upper limit of ")


def test_many_months_outside_are_counted() -> None:
    declared = DeclaredChanges(baseline=("2026-01", "2026-10"))
    series = signals.series_of_time(
        [*MONTHS[-12:], *(f"2027-{month:02d}" for month in range(1, 7))], [*STEADY[:10], *[0.4] * 8]
    )
    found = signals.tell(series, wording.percent, declared, highest=1.0)
    (outside,) = [note for note in found.notes if "outside the limits:" in note]
    assert outside.count("above the upper limit") == 4
    assert outside.endswith("; and 4 earlier.")


def test_too_few_months_say_how_many_there_are_and_how_many_are_needed() -> None:
    assert told(0.1, 0.2, 0.1).notes == ("Too few months for rules and limits: 3 of the 10 they need.",)
    assert told(None, None).notes == ()


def test_months_on_the_median_are_too_few_for_the_rules() -> None:
    assert told(*[0.1] * 12).notes[0] == "Too few months off the median for the rules: 0 of the 10 they need."


def test_after_a_change_the_answer_says_since_when() -> None:
    declared = DeclaredChanges((DeclaredChange(date(2026, 6, 8), "x"),))
    found = told(*STEADY, declared=declared)
    assert (
        found.answer
        == "Since July 2026: too few months to tell a shift: 11\xa0% in July 2026, 13\xa0% in December 2026"
    )
    assert found.notes == ("Too few months for rules and limits: 6 of the 10 they need.",)


def test_a_change_of_one_ward_leaves_the_hospitals_limits() -> None:
    declared = DeclaredChanges((DeclaredChange(date(2026, 6, 8), "x", "Alder"),))
    assert told(*STEADY, declared=declared) == told(*STEADY)


def test_changes_are_numbered_by_date_and_those_of_a_ward_are_dashed() -> None:
    changes = (DeclaredChange(date(2026, 1, 5), "x"), DeclaredChange(date(2026, 6, 8), "y", "Alder"))
    assert signals.marks(DeclaredChanges(changes)) == (
        Mark(date(2026, 1, 5), "change 1"),
        Mark(date(2026, 6, 8), "change 2", dashed=True),
    )


def test_limits_never_leave_what_is_possible() -> None:
    high = told(*[0.99, 0.91] * 6)
    low = told(*[0.01, 0.09] * 6)
    assert max(limits.high for limits in high.limits) == 100
    assert min(limits.low for limits in low.limits) == 0
    assert "to 100\xa0%" in high.notes[-1]
    assert "limits 0\xa0% to" in low.notes[-1]


def test_each_kind_of_measure_gets_the_chart_that_fits_it() -> None:
    """Time and medians are no counts; events and readings are proportions; rates go by patient-days / 100."""
    measures = read_measures()
    charts = {
        (measure.kind, measure.of if measure.kind == "share" else ""): signals.series_of_measure(
            measure, MONTHS[:2], [0.5, None], [300, None]
        )
        for measure in measures
    }
    assert {key: series.chart for key, series in charts.items()} == {
        ("share", "time"): Chart.INDIVIDUALS,
        ("share", "events"): Chart.PROPORTIONS,
        ("share", "readings"): Chart.PROPORTIONS,
        ("rate", ""): Chart.RATES,
        ("median", ""): Chart.INDIVIDUALS,
    }
    rate, events = charts["rate", ""], charts["share", "events"]
    assert rate.sizes is not None
    assert events.sizes is not None
    assert rate.sizes.tolist() == [3, 0]
    assert events.sizes.tolist() == [300, 0]


@pytest.mark.parametrize(("first", "drawn"), [("2026-04", 12), ("2025-06", 14), ("2020-01", 24)])
def test_a_trend_has_the_months_of_the_store_from_twelve_to_twenty_four(first: str, drawn: int) -> None:
    months = pl.DataFrame({"month": [first, "2026-07", "2026-08"]})
    found = signals.months_drawn(months, "2026-07")
    assert (len(found), found[-1]) == (drawn, "2026-07")


def test_words_of_measures_use_their_own_unit() -> None:
    hours = next(measure for measure in read_measures() if measure.kind == "median")
    series = signals.series_of_measure(replace(hours), MONTHS[:12], [4.0, 5] * 6, [None] * 12)
    found = signals.tell(series, lambda value: f"{value:.1f}", NONE_DECLARED)
    assert found.notes[-1] == "Mean 4.5, limits 1.8 to 7.2, provisional with 12 months."
