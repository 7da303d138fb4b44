"""The figures of a month under two policies, line by line: the headline of both groups, and every measure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.catalogue import Measure, read_measures
from pipeline.policy import Policy
from pipeline.rollup import suppress_small_counts
from reports import sentences, wording
from reports.absent import left_empty
from reports.figures import GroupFigures, Share, State, group_figures, pick
from reports.measures import PARTS_IN_WORDS, PERCENT, result_shown, written

FEW_BETWEEN = "not shown: too few patients move between the groups"
_GROUPS = ("retainer", "other")
_SHARES = {"below": "Below the band", "within": "Within the band", "above_on_oxygen": "Above it, on oxygen"}
_NO_CHANGES = pl.DataFrame(schema={"month": pl.String, "ward": pl.String, "group": pl.String})


@dataclass(frozen=True)
class Line:
    """One figure under both policies. difference: new minus present; differs: whether anything behind it does."""

    name: str
    present: str
    new: str
    difference: str
    differs: bool


@dataclass(frozen=True)
class Block:
    """Figures that belong together: a group of patients, or a measure by group."""

    title: str
    lines: tuple[Line, ...]

    @property
    def differs(self) -> bool:
        return any(line.differs for line in self.lines)


@dataclass(frozen=True)
class Side:
    """What one policy gives: `month_summary` and `measure_summary` of a store, nothing hidden yet."""

    summary: pl.DataFrame
    measured: pl.DataFrame


@dataclass(frozen=True)
class Pair:
    """Both sides in one month. policy: whose small counts are hidden; absent: tables that were never loaded."""

    present: Side
    new: Side
    month: str
    policy: Policy
    absent: Sequence[str]

    @property
    def sides(self) -> tuple[Side, Side]:
        return self.present, self.new

    @property
    def moves_few(self) -> bool:
        """Whether the groups differ by so few patients that both figures together would tell about these few."""
        small = self.policy.small_count_below
        for group in _GROUPS:
            now, then = (pick(side.summary, self.month, None, group) or {"patients": 0} for side in self.sides)
            if 0 < abs(then["patients"] - now["patients"]) < small:
                return True
        return False


def _line(name: str, now: str, then: str, difference: str, differs: bool, hidden: bool) -> Line:
    return Line(name, now, FEW_BETWEEN, wording.NOTHING, True) if hidden else Line(name, now, then, difference, differs)


# --- the headline -----------------------------------------------------------------------------------------------


def headline(pair: Pair) -> tuple[Block, ...]:
    """One block for each group: patients, shares of the band, what is not seen, and the episodes of retainers."""
    hidden = pair.moves_few
    return tuple(_group(pair, group, hidden) for group in _GROUPS)


def _group(pair: Pair, group: str, hidden: bool) -> Block:
    now, then = (_figures(pair, side, group) for side in pair.sides)
    lines = [_count("Patients", "patients", now, then, hidden)]
    for share, name in _SHARES.items():
        values: tuple[Share, Share] = getattr(now, share), getattr(then, share)
        cells = [_share_cell(value, figures) for value, figures in zip(values, (now, then), strict=True)]
        apart, differs = points_apart(values[0].value, values[1].value), values[0].value != values[1].value
        lines.append(_line(name, cells[0], cells[1], apart, differs, hidden))
    lines.append(_unobserved(now, then, hidden))
    if group == "retainer" and "devices" not in pair.absent:
        lines.append(_count("Episodes of high inspired oxygen", "episodes", now, then, hidden))
        lines.append(_count("of them avoidable", "episodes_above", now, then, hidden))
    return Block(wording.sentence_case(now.name), tuple(lines))


def _figures(pair: Pair, side: Side, group: str) -> GroupFigures:
    hidden = suppress_small_counts(side.summary.filter(pl.col("month") == pair.month), pair.policy)
    small = pair.policy.small_count_below
    return group_figures(left_empty(hidden, pair.absent), _NO_CHANGES, pair.month, None, group, small)


def _count(name: str, count: str, now: GroupFigures, then: GroupFigures, hidden: bool) -> Line:
    known: list[int | None] = [None if each.patients is None else getattr(each, count) for each in (now, then)]
    cells = [
        sentences.why_nothing(figures) if number is None else f"{number:,}"
        for number, figures in zip(known, (now, then), strict=True)
    ]
    difference = wording.NOTHING if known[0] is None or known[1] is None else signed(known[1] - known[0], 0)
    return _line(name, cells[0], cells[1], difference, known[0] != known[1], hidden)


def _share_cell(share: Share, figures: GroupFigures) -> str:
    if figures.state is not State.SHOWN:
        return sentences.why_nothing(figures)
    if share.value is None:
        return wording.NOTHING
    interval = wording.percent_interval(share.low, share.high, share.value)
    return wording.percent(share.value) + (f" ({interval})" if share.low is not None else "")


def _unobserved(now: GroupFigures, then: GroupFigures, hidden: bool) -> Line:
    shares, cells = [], []
    for figures in (now, then):
        share = None if figures.patients is None else figures.of_target_time(figures.unobserved_s)
        shares.append(share)
        nothing = sentences.why_nothing(figures) or wording.NOTHING
        cells.append(nothing if share is None else wording.percent(share))
    name = "Not observed, of the time under a target"
    return _line(name, cells[0], cells[1], points_apart(*shares), shares[0] != shares[1], hidden)


# --- the measures -----------------------------------------------------------------------------------------------


def measures(pair: Pair) -> dict[str, tuple[Block, ...]]:
    """Every measure that can be made, by the part of the report it stands in: all patients, and both groups."""
    of_month = pl.col("month") == pair.month
    shown = [suppress_small_counts(side.measured.filter(of_month), pair.policy) for side in pair.sides]
    hidden, made = pair.moves_few, [one for one in read_measures() if not set(one.needs) & set(pair.absent)]
    found = {
        title: tuple(_measure(one, shown, pair.month, hidden) for one in made if one.part == part)
        for part, title in PARTS_IN_WORDS.items()
    }
    return {title: blocks for title, blocks in found.items() if blocks}


def _measure(measure: Measure, shown: Sequence[pl.DataFrame], month: str, hidden: bool) -> Block:
    rows = [frame.filter(pl.col("measure_id") == measure.id) for frame in shown]
    lines = []
    for group in (None, *_GROUPS):
        now, then = (pick(frame, month, None, group) or {} for frame in rows)
        cells = [_cell(measure, frame, month, group) for frame in rows]
        differs = any(now.get(name) != then.get(name) for name in ("patients", "events", "result"))
        difference = _apart(measure, now.get("result"), then.get("result"))
        name = wording.sentence_case(wording.GROUP_IN_WORDS[group])
        lines.append(_line(name, cells[0], cells[1], difference, differs, hidden and group is not None))
    unit = "" if measure.unit == PERCENT else f" ({measure.unit})"
    return Block(f"{measure.title}{unit}", tuple(lines))


def _cell(measure: Measure, rows: pl.DataFrame, month: str, group: str | None) -> str:
    result = result_shown(measure, rows, month, None, group)
    return result.why or f"{result.figure} ({', '.join(part for part in (result.interval, result.basis) if part)})"


def _apart(measure: Measure, now: Any, then: Any) -> str:
    if now is None or then is None:
        return wording.NOTHING
    if measure.unit == PERCENT:
        return points_apart(now, then)
    size = abs(then - now)
    if size and written(measure.unit, size) == "0.0":
        return "under 0.1"
    return signed(then - now, 0 if size >= 100 else 1)


def points_apart(now: float | None, then: float | None) -> str:
    """The difference of two shares in percentage points, with its sign; one that is not 0 is never shown as 0.

    >>> points_apart(0.17, 0.182), points_apart(0.17, 0.17), points_apart(0.17, 0.1701)
    ('+1.2 points', 'none', 'just over 0 points')
    """
    if now is None or then is None:
        return wording.NOTHING
    return "none" if now == then else f"{wording.points_end(then - now)} points"


def signed(change: float, decimals: int) -> str:
    """A difference with its sign.

    >>> signed(3, 0), signed(0, 0), signed(1.26, 1)
    ('+3', 'none', '+1.3')
    """
    if change == 0:
        return "none"
    text = wording.number(change, decimals)
    return f"+{text}" if change > 0 else text
