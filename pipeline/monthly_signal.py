"""One figure by month, judged: its control limits, set anew at each declared change, and the rules it breaks."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from pipeline import control_charts, run_rules
from pipeline.control_charts import Limits


class Chart(StrEnum):
    """The control chart that fits a figure."""

    INDIVIDUALS = "individuals and moving range"
    PROPORTIONS = "proportions, Laney's adjustment"
    RATES = "rates, Laney's adjustment"


@dataclass(frozen=True)
class Series:
    """One figure by calendar month, oldest first, every month once.

    values: nan where there is no figure. sizes: what each rests on (events, or patient-days / `per`), for proportions
    and rates; null for individuals.
    """

    chart: Chart
    months: tuple[str, ...]
    values: np.ndarray
    sizes: np.ndarray | None = None


@dataclass(frozen=True)
class Judged:
    """What can be said of a series: its limits over all months; the rules, of the months since the last change.

    since: the first of those months; null: there was no change, and they are all. points: months with a figure among
    them. limit_points: how many of the baseline the last limits rest on.
    """

    limits: Limits
    verdict: run_rules.Verdict
    since: str | None
    points: int


def judge(
    series: Series,
    starts: Sequence[str] = (),
    partial: Sequence[str] = (),
    baseline: tuple[str, str] | None = None,
) -> Judged:
    """Judges a series.

    starts: the first whole month after each declared change: limits and rules begin anew there. partial: months in
    which a change was made on the way: shown, and in no limits. baseline: first and last month (both included) from
    which the limits of its stretch are made; null, or outside a stretch: from all its months.
    """
    months = series.months
    stretches = control_charts.phases(len(months), [_place(months, start) for start in starts])
    counted = np.array([month not in partial for month in months])
    parts = [_limits(series, stretch, counted, baseline) for stretch in stretches]
    limits = control_charts.joined(parts)
    last = stretches[-1]
    values = series.values[last]
    outside = run_rules.limit_signals(list(values), list(limits.low[last]), list(limits.high[last]))
    moved = [run_rules.Signal(s.rule, s.found, s.limit, (s.position or 0) + last.start) for s in outside]
    known = [float(value) for value in values if not np.isnan(value)]
    return Judged(limits, run_rules.verdict(known, moved), months[last.start] if last.start else None, len(known))


def _place(months: Sequence[str], month: str) -> int:
    return sum(each < month for each in months)


def _limits(series: Series, stretch: slice, counted: np.ndarray, baseline: tuple[str, str] | None) -> Limits:
    values, mask = series.values[stretch], counted[stretch]
    if baseline is not None:
        declared = np.array([baseline[0] <= month <= baseline[1] for month in series.months[stretch]])
        mask = mask & declared if declared.any() else mask
    if series.sizes is None:
        return control_charts.individuals(values, mask)
    known = ~np.isnan(values)
    sizes = np.where(known, series.sizes[stretch], 0.0)
    events = np.where(known, values, 0.0) * sizes
    limits = control_charts.proportions if series.chart is Chart.PROPORTIONS else control_charts.rates
    return limits(events, sizes, mask)
