"""Whether a figure by month holds a signal: said in words, each rule by its name, with the limits to be drawn."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isnan, nan

import numpy as np
import polars as pl

from pipeline.control_charts import FEWEST_POINTS
from pipeline.declared_changes import DeclaredChanges
from pipeline.measure_file import Measure
from pipeline.monthly_signal import Chart, Judged, Series, judge
from pipeline.run_rules import Rule, Signal
from reports import sentences, wording
from reports.trend_chart import Mark, MonthLimits

FEWEST_MONTHS, MOST_MONTHS = 12, 24
_PER_PATIENT_DAYS = 100
_MONTHS_NAMED = 4
Written = Callable[[float | None], str]


@dataclass(frozen=True)
class Told:
    """What a chart by month says: its answer, then its signals and limits in words; and the limits as figures."""

    answer: str
    notes: tuple[str, ...]
    limits: tuple[MonthLimits, ...]


def months_drawn(frame: pl.DataFrame, month: str) -> list[str]:
    """The months of a trend: those of the store up to this one, at least twelve and at most twenty-four."""
    first = min((each for each in frame["month"].unique() if each <= month), default=month)
    count = 12 * (int(month[:4]) - int(first[:4])) + int(month[5:7]) - int(first[5:7]) + 1
    return wording.months_up_to(month, min(MOST_MONTHS, max(FEWEST_MONTHS, count)))


def series_of_time(months: Sequence[str], values: Sequence[float | None]) -> Series:
    """Shares of time by month: single values, since seconds are no independent trials."""
    return Series(Chart.INDIVIDUALS, tuple(months), _numbers(values))


def series_of_measure(
    measure: Measure, months: Sequence[str], values: Sequence[float | None], denominators: Sequence[float | None]
) -> Series:
    """The results of a measure by month, with the control chart that fits its kind."""
    if measure.kind == "median" or (measure.kind == "share" and measure.of not in ("events", "readings")):
        return series_of_time(months, values)
    per, chart = (_PER_PATIENT_DAYS, Chart.RATES) if measure.kind == "rate" else (1, Chart.PROPORTIONS)
    sizes = np.nan_to_num(_numbers(denominators)) / per
    return Series(chart, tuple(months), _numbers(values), sizes)


def tell(
    series: Series, written: Written, declared: DeclaredChanges, scale: float = 1.0, highest: float = float("inf")
) -> Told:
    """What a series says. scale: from its unit to that of the axis; highest: beyond it no figure can lie.

    Only changes of the whole hospital begin limits and rules anew.
    """
    whole = [change for change in declared.changes if change.ward is None]
    starts = [change.first_whole_month for change in whole]
    partial = [change.month for change in whole if change.month != change.first_whole_month]
    judged = judge(series, starts, partial, declared.baseline)
    values = [None if isnan(value) else float(value) for value in series.values]
    points = list(zip(series.months, values, strict=True))
    since = [point for point in points if judged.since is None or point[0] >= judged.since]
    answer = sentences.trend_title(since, written, series.months[-1])
    if any(signal.rule is Rule.OUTSIDE_LIMITS for signal in judged.verdict.signals):
        answer = answer.replace("No shift:", "No shift, but outside the limits in some month:")
    if judged.since is not None:
        answer = f"Since {wording.month_in_words(judged.since)}: {answer[:1].lower()}{answer[1:]}"
    drawn = _drawn(judged, series.months, starts, scale, highest)
    return (
        Told(answer, notes(judged, series.months, written, highest), drawn) if judged.points else Told(answer, (), ())
    )


def notes(judged: Judged, months: Sequence[str], written: Written, highest: float = float("inf")) -> tuple[str, ...]:
    """The signals of a series, or why there are none, and its limits: a sentence each."""
    found = judged.verdict
    outside = [signal for signal in found.signals if signal.rule is Rule.OUTSIDE_LIMITS]
    said = [_run_signal(signal) for signal in found.signals if signal.rule is not Rule.OUTSIDE_LIMITS]
    if outside:
        named = "; ".join(_outside(signal, months, written) for signal in outside[-_MONTHS_NAMED:])
        more = len(outside) - _MONTHS_NAMED
        said.append(f"Signal, outside the limits: {named}{f'; and {more} earlier' if more > 0 else ''}.")
    if found.too_few and found.points < FEWEST_POINTS:
        both = judged.limits.points < FEWEST_POINTS
        named = "rules and limits" if both else "the rules of runs"
        said.append(f"Too few months for {named}: {found.points} of the {FEWEST_POINTS} they need.")
        if both:
            return tuple(said)
    elif found.too_few:
        said.append(f"Too few months off the median for the rules: {found.useful} of the {FEWEST_POINTS} they need.")
    elif not found.signals:
        said.append("No signal: neither a long run, nor few crossings, nor a month outside the limits.")
    return (*said, limits_in_words(judged, written, highest))


def _run_signal(signal: Signal) -> str:
    if signal.rule is Rule.LONGEST_RUN:
        return (
            f"Signal, longest run: {signal.found:g} months in a row on one side of the median; "
            f"up to {signal.limit:g} would be expected."
        )
    crossed = {0: "never", 1: "once", 2: "twice"}.get(int(signal.found), f"{signal.found:g} times")
    return (
        f"Signal, few crossings: the median is crossed {crossed}; "
        f"at least {wording.counted(int(signal.limit), 'crossing')} would be expected."
    )


def _outside(signal: Signal, months: Sequence[str], written: Written) -> str:
    side = "above the upper" if signal.found > signal.limit else "below the lower"
    figure, limit = written(signal.found), written(signal.limit)
    beyond = f"just {side} limit" if figure == limit else f"{side} limit of {limit}"
    return f"{wording.month_in_words(months[signal.position or 0])} at {figure}, {beyond}"


def limits_in_words(judged: Judged, written: Written, highest: float = float("inf")) -> str:
    """The limits of the last month, or why there are none."""
    limits = judged.limits
    known = [place for place in range(len(limits.low)) if not isnan(limits.low[place])]
    if limits.points < FEWEST_POINTS or not known:
        return f"No limits: there are {limits.points} of the {FEWEST_POINTS} months they need."
    low, high = max(0.0, float(limits.low[known[-1]])), min(highest, float(limits.high[known[-1]]))
    provisional = f", provisional with {limits.points} months" if limits.provisional else ""
    return f"Mean {written(float(limits.centre[known[-1]]))}, limits {written(low)} to {written(high)}{provisional}."


def _drawn(
    judged: Judged, months: Sequence[str], starts: Sequence[str], scale: float, highest: float
) -> tuple[MonthLimits, ...]:
    limits = judged.limits
    return tuple(
        MonthLimits(
            month,
            scale * max(0.0, float(limits.low[place])),
            scale * float(limits.centre[place]),
            scale * min(highest, float(limits.high[place])),
            sum(start <= month for start in starts),
        )
        for place, month in enumerate(months)
        if not isnan(limits.low[place])
    )


def marks(declared: DeclaredChanges) -> tuple[Mark, ...]:
    """The declared changes as rules on a chart, numbered by date; those of one ward are dashed."""
    return tuple(
        Mark(change.date, f"change {number}", dashed=change.ward is not None)
        for number, change in enumerate(declared.changes, start=1)
    )


def _numbers(values: Sequence[float | None]) -> np.ndarray:
    return np.array([nan if value is None else value for value in values], dtype=float)
