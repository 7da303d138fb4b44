"""Would another choice change the answer? The headline of a month under every other choice, and what it would turn.

A choice turns the comparison with the month before when a share that clearly rose or fell would not, or when one
without a clear change would have changed by more than its 95 % interval allows. It moves a share when that leaves the
95 % interval of the share as adopted.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.policy import Policy
from reports import charts, sentences, wording
from reports.figures import SHARES, Direction, GroupFigures, Share, State

SHARE_IN_WORDS = {
    "share_below": "below the band",
    "share_within": "within the band",
    "share_above_on_oxygen": "above it on oxygen",
}
_DRAWN = ("share_below", "share_above_on_oxygen")
_ADOPTED = "as counted"
_TOO_FEW = "not shown: small numbers"
_NAMED = 3
_TIERS = {"gas": "blood gas only", "gas or history": "gas or history"}
_WEIGHTS = {"readings": "by readings", "patients": "by patients"}
_ESTIMATES = {"low": "lowest estimate", "high": "highest estimate"}
# In the order in which the choices stand in tables and charts.
_CHOICES = ("reading_carry_hours", "weight", "retainer_evidence", "high_fio2_above", "fio2_estimate")

Row = Mapping[str, Any]
Key = tuple[str, str]


@dataclass(frozen=True)
class Cell:
    """One share under one choice; `outside`: it lies outside the 95 % interval of the share as adopted."""

    figure: str
    outside: bool


@dataclass(frozen=True)
class Line:
    """One choice: its name, the three shares, the time it leaves unseen; `why` says why there is none."""

    name: str
    cells: tuple[Cell, ...]
    unobserved: str
    why: str


@dataclass(frozen=True)
class Group:
    """One group of patients under every choice; `why` says why there is nothing to show."""

    name: str
    why: str
    drawings: tuple[tuple[str, Markup], ...]
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class EpisodeLine:
    """The number of episodes under one choice, and how many could be called avoidable."""

    name: str
    episodes: str
    avoidable: str


@dataclass(frozen=True)
class Section:
    """The answer in words, that about the episodes (empty: none to tell), and the figures under them."""

    answer: str
    about_episodes: str
    groups: tuple[Group, ...]
    episodes: tuple[EpisodeLine, ...]


def section(
    now: pl.DataFrame, before: pl.DataFrame, groups: Sequence[GroupFigures], policy: Policy, absent: Collection[str]
) -> Section:
    """now and before: `sensitivity` of the month and of the one before it. groups: retainers, then everybody else."""
    small = policy.small_count_below
    lines = {each.group: _rows(now, each.group, small) for each in groups}
    earlier = {each.group: _rows(before, each.group, small) for each in groups}
    shown = [each for each in groups if each.state is State.SHOWN and lines[each.group]]
    retainers = groups[0]
    told = bool(lines[retainers.group]) and retainers.state not in (State.TOO_FEW, State.NOBODY)
    counted = [row for row in lines[retainers.group] if row["moves_episodes"]] if told else []
    counted = [] if "devices" in absent else [row for row in counted if row["shown"]]
    return Section(
        _answer(shown, lines, earlier),
        _about_episodes(counted, earlier[retainers.group], retainers),
        tuple(_group(each, lines[each.group]) for each in groups),
        tuple(
            EpisodeLine(_name(row), f"{row['episodes']:,}", f"{row['episodes_above']:,}")
            for row in _adopted_first(counted)
        ),
    )


def _rows(table: pl.DataFrame, group: str | None, small: float) -> list[dict[str, Any]]:
    """The rows of a group in order, each with `shown`: whether its numbers are large enough.

    The tiers are nested, so those are shown too far apart to tell the few patients between two of them.
    """
    rows = table.filter(pl.col("group").eq_missing(pl.lit(group, pl.String))).to_dicts()
    rows.sort(key=lambda row: (_CHOICES.index(row["choice"]), row["place"]))
    for row in rows:
        row["moves_shares"] = row["patients_observed"] is not None
        row["moves_episodes"] = row["episodes"] is not None
        row["shown"] = _large(row["patients"], small) and _large(row["patients_observed"], small)
    tiers = [row for row in rows if row["choice"] == "retainer_evidence"]
    last = None
    for row in reversed(tiers):
        apart = 0 if last is None else abs(last["patients"] - row["patients"])
        row["shown"] = row["shown"] and _large(apart, small)
        last = row if row["shown"] else last
    return rows


def _large(count: int | None, small: float) -> bool:
    return not count or count >= small


def _name(row: Row) -> str:
    """The short name of a choice; what the audit counts by has none of its own."""
    choice, value = row["choice"], row["value"]
    if row["adopted"]:
        return _ADOPTED
    if choice == "reading_carry_hours":
        return f"reading carried {value} h"
    if choice == "high_fio2_above":
        return f"high: over {wording.percent(float(value))}"
    return {"weight": _WEIGHTS, "retainer_evidence": _TIERS, "fio2_estimate": _ESTIMATES}[choice][value]


def _adopted_first(rows: Iterable[Row]) -> list[Row]:
    """What the audit counts by once, and then the other choices."""
    rows = list(rows)
    adopted = [row for row in rows if row["adopted"]][:1]
    return [*adopted, *(row for row in rows if not row["adopted"])]


def _group(figures: GroupFigures, rows: list[dict[str, Any]]) -> Group:
    name = wording.sentence_case(figures.name)
    if figures.state is not State.SHOWN or not rows:
        return Group(name, sentences.why_nothing(figures) or "not worked out", (), ())
    kept = _adopted_first(row for row in rows if row["moves_shares"])
    lines = tuple(_line(row, figures) for row in kept)
    drawn = [row for row in kept if row["shown"]]
    return Group(name, "", tuple(_drawing(share, figures, drawn) for share in _DRAWN), lines)


def _line(row: Row, figures: GroupFigures) -> Line:
    name = _name(row)
    if not row["shown"]:
        return Line(name, tuple(Cell(wording.NOTHING, False) for _ in SHARES), wording.NOTHING, _TOO_FEW)
    cells = tuple(
        Cell(wording.percent(_value(row, figures, share)), is_outside(_share(figures, share), row[share]))
        for share in SHARES
    )
    return Line(name, cells, wording.percent(row["share_unobserved"]), "")


def _share(figures: GroupFigures, share: str) -> Share:
    found: Share = getattr(figures, share.removeprefix("share_"))
    return found


def _value(row: Row, figures: GroupFigures, share: str) -> float | None:
    """The share under a choice; null where it cannot be told as adopted either, since no device is known."""
    value: float | None = row[share]
    return None if _share(figures, share).value is None else value


def _drawing(share: str, figures: GroupFigures, rows: Sequence[Row]) -> tuple[str, Markup]:
    title = f"Time {SHARE_IN_WORDS[share].replace('above it', 'above the band')}"
    adopted, points = _share(figures, share), []
    for row in rows:
        value = _value(row, figures, share)
        if value is None:
            continue
        ends = (adopted.low, adopted.high) if row["adopted"] else (value, value)
        low, high = (value if end is None else end for end in ends)
        points.append(charts.Interval(_name(row), 100 * value, 100 * low, 100 * high))
    if not points or adopted.value is None:
        return title, Markup()
    top = charts.round_up(max(max(point.value, point.high) for point in points) or 1.0)
    label = f"{title}, {figures.name}, in % of observed time, as counted with its 95 % interval and under other choices"
    return title, charts.intervals(points, 100 * adopted.value, label, "% of observed time", 0.0, top)


def is_outside(adopted: Share, value: float | None) -> bool:
    """Whether a figure lies outside the 95 % interval of the one as adopted.

    >>> is_outside(Share(0.2, 0.1, 0.3), 0.31), is_outside(Share(0.2, 0.1, 0.3), 0.3), is_outside(Share(0.2), 0.9)
    (True, False, False)
    """
    if value is None or adopted.low is None or adopted.high is None:
        return False
    return not adopted.low <= value <= adopted.high


def is_turned(adopted: Share, change: float | None) -> bool:
    """Whether a change under another choice would contradict what is said of the change as adopted.

    >>> rose, unclear = Share(0.2, 0.1, 0.3, 0.05, 0.01, 0.09), Share(0.2, 0.1, 0.3, 0.01, -0.03, 0.05)
    >>> is_turned(rose, -0.001), is_turned(rose, 0.001), is_turned(unclear, -0.02), is_turned(unclear, 0.06)
    (True, False, False, True)
    """
    if change is None or adopted.direction is None or adopted.change_low is None or adopted.change_high is None:
        return False
    if adopted.direction is Direction.UP:
        return change <= 0
    if adopted.direction is Direction.DOWN:
        return change >= 0
    return not adopted.change_low <= change <= adopted.change_high


def _answer(shown: Sequence[GroupFigures], lines: Mapping[Any, list[Any]], earlier: Mapping[Any, list[Any]]) -> str:
    """Whether any other choice would turn the comparison with the month before, or move a share out of its interval."""
    if not shown:
        return "Nothing to compare: there are no shares of this month to show."
    month = wording.month_in_words(shown[0].previous_month)
    names: dict[Key, str] = {}
    turned: dict[Key, list[str]] = {}
    moved: dict[Key, list[str]] = {}
    for each in shown:
        then = {_key(row): row for row in earlier[each.group] if row["shown"]}
        for row in filter(_is_other, lines[each.group]):
            names[_key(row)] = _name(row)
            known = [share for share in SHARES if _value(row, each, share) is not None]
            _note(turned, row, each, [s for s in known if is_turned(_share(each, s), _change(row, then, s))])
            _note(moved, row, each, [s for s in known if is_outside(_share(each, s), row[s])])
    ways, compared = (
        f"{len(names)} other ways of counting",
        any(_share(each, s).change for each in shown for s in SHARES),
    )
    interval = "move a share outside its 95 % interval"
    size = f"{len(moved)} of {ways} would {interval}: {_listed(moved, names)}." if moved else ""
    if turned:
        also = f" In size, {size}" if moved else ""
        told = _listed(turned, names, in_full=True)
        return f"Yes: {len(turned)} of {ways} would turn the comparison with {month}: {told}.{also}"
    if not compared:
        return (
            f"In size, {size} There is no {month} to compare with."
            if moved
            else f"No: none of {ways} would {interval}."
        )
    if moved:
        return f"Not the comparison with {month}: no other way of counting would turn it. In size, {size}"
    return f"No: none of {ways} would turn the comparison with {month}, or {interval}."


def _key(row: Row) -> Key:
    return row["choice"], row["value"]


def _is_other(row: Row) -> bool:
    return bool(row["moves_shares"] and row["shown"] and not row["adopted"])


def _change(row: Row, then: Mapping[Key, Row], share: str) -> float | None:
    before = then.get(_key(row))
    if before is None or before[share] is None or row[share] is None:
        return None
    return float(row[share] - before[share])


def _note(found: dict[Key, list[str]], row: Row, figures: GroupFigures, shares: Sequence[str]) -> None:
    if shares:
        told = wording.listed_in_words([SHARE_IN_WORDS[share] for share in shares])
        found.setdefault(_key(row), []).append(f"{figures.name} {told}")


def _listed(found: Mapping[Key, Sequence[str]], names: Mapping[Key, str], in_full: bool = False) -> str:
    """The first few choices by name; in_full: with the groups and shares that they change."""
    told = [f"{names[key]} ({'; '.join(words)})" if in_full else names[key] for key, words in found.items()]
    more = [f"{len(told) - _NAMED} more (see the tables)"] if len(told) > _NAMED else []
    return wording.listed_in_words(told[:_NAMED] + more)


def _about_episodes(rows: Sequence[Row], before: Sequence[Row], figures: GroupFigures) -> str:
    """How far the number of episodes hangs on the choices, and whether more or fewer than before does."""
    others = [row for row in rows if not row["adopted"]]
    adopted = next((row for row in rows if row["adopted"]), None)
    if adopted is None or not others:
        return ""
    counts = [row["episodes"] for row in others]
    text = (
        f"Episodes of high inspired oxygen in CO2 retainers: {adopted['episodes']:,} as counted, "
        f"from {min(counts):,} to {max(counts):,} under other choices."
    )
    then = {_key(row): row["episodes"] for row in before if row["moves_episodes"] and row["shown"]}
    pairs = [(row["episodes"], then.get(_key(row))) for row in (adopted, *others)]
    known = [(now > earlier) - (now < earlier) for now, earlier in pairs if earlier is not None]
    if len(known) < len(pairs) or figures.previous_state in (State.TOO_FEW, State.NOBODY):
        return text
    said = {1: "more", -1: "fewer", 0: "as many"}[known[0]]
    alike = sum(sign == known[0] for sign in known[1:])
    month = wording.month_in_words(figures.previous_month)
    under = f"every one of the {len(others)}" if alike == len(others) else f"{alike} of the {len(others)}"
    compared = f"{wording.sentence_case(said)} {'as' if known[0] == 0 else 'than'} in {month}"
    return f"{text} {compared}, as under {under} other choices."
