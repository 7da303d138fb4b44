"""Where the time outside the band lies: parts of the day and week, devices, wards and targets, for CO2 retainers.

Below always stands beside above, hours beside shares. Nothing here says why, and nothing ranks: places stand in an
order of their own, and what is said of one is what its figures allow.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import polars as pl
from markupsafe import Markup

from pipeline.where_pooled import NO_WARD
from reports import sentences, where_chart, wording
from reports.figures import GroupFigures, State
from reports.where_words import (
    ABOVE,
    BELOW,
    DIMENSIONS,
    Row,
    compared,
    elsewhere,
    few,
    hours,
    is_apart,
    lying,
    name_of,
    places_of,
    whole_of,
)

_ASKED = ("device", "ward", "target")
_NOT_TOLD_APART = "By {}: not told apart, since the numbers are small"
_WHY_NOT = "So few patients had time in one of them that they could be worked back from the others."


@dataclass(frozen=True)
class Cell:
    """One side at one place: its share with interval, its hours, and how it compares with everywhere else."""

    share: str
    interval: str
    hours: str
    compared: str


@dataclass(frozen=True)
class Place:
    """One line of a table."""

    name: str
    observed: str
    below: Cell
    above: Cell


@dataclass(frozen=True)
class Question:
    """One way to tell time apart: its answer as a title, what else is to be said, a chart and the table under it.

    Without a figure `svg` and `places` are empty, and the title says why.
    """

    key: str
    name: str
    title: str
    notes: tuple[str, ...]
    svg: Markup
    places: tuple[Place, ...]


@dataclass(frozen=True)
class Where:
    """The whole section; `why` says why there is nothing to show (empty: there is)."""

    why: str
    lead: str
    questions: tuple[Question, ...]


def section(
    rows: pl.DataFrame, figures: GroupFigures, small: float, absent: Collection[str] = (), suited: str = ""
) -> Where:
    """rows: `where_pooled` of the CO2 retainers of the month. figures: theirs, as the first screen shows them.

    absent: tables never loaded; without devices nobody is known to be on oxygen. suited: a sentence on targets that
    suit somebody who retains CO2 (empty: none to say).
    """
    if "devices" in absent:
        return Where("Cannot be told: no device records were loaded, so nobody is known to be on oxygen.", "", ())
    whole = whole_of(rows)
    if figures.state is not State.SHOWN or whole is None:
        why = sentences.why_nothing(figures) or "no observed time"
        return Where(f"{wording.sentence_case(figures.name)}: {why}.", "", ())
    lead = (
        f"{wording.sentence_case(figures.name)}: {hours(whole['above_on_oxygen_s'])} above the band on oxygen and "
        f"{hours(whole['below_s'])} below it, of {hours(whole['observed_s'])} of observed time."
    )
    questions = [_when(rows, whole, small), *(_question(key, rows, whole, small) for key in _ASKED)]
    if suited:
        questions[-1] = replace(questions[-1], notes=(*questions[-1].notes, suited))
    return Where("", lead, tuple(questions))


def _question(key: str, rows: pl.DataFrame, whole: Row, small: float) -> Question:
    places = places_of(rows, key)
    name = DIMENSIONS[key].name
    if not places:
        return Question(key, name, _NOT_TOLD_APART.format(name.lower()), (_WHY_NOT,), Markup(), ())
    if len(places) == 1:
        only = places[0]["value"]
        none = key == "ward" and only == NO_WARD
        title = "No ward was recorded" if none else f"All of the observed time was {lying(places[0], key)}"
        return Question(key, name, title, (), Markup(), _table(places, key, small))
    tops = {side: max(places, key=lambda row: row[f"{side}_s"]) for side in (ABOVE, BELOW)}
    notes = [_top_in_words(tops[ABOVE], ABOVE, key, whole, small), _top_in_words(tops[BELOW], BELOW, key, whole, small)]
    if len(places) > 2:
        notes.append(_others_apart([row for row in places if row is not tops[ABOVE]], key, small))
    if not DIMENSIONS[key].elsewhere:
        notes.append("Bands are not compared: the lower one is, the sooner a saturation is above it.")
    title = _title(tops[ABOVE], key, whole)
    return Question(
        key, name, title, tuple(note for note in notes if note), _drawn(title, places, key), _table(places, key, small)
    )


def _title(top: Row, key: str, whole: Row) -> str:
    if not whole["above_on_oxygen_s"]:
        return "No time above the band on oxygen was observed"
    part = f"{hours(top['above_on_oxygen_s'])} of {hours(whole['above_on_oxygen_s'])}"
    named = f" ({name_of(top, key)})" if top["pooled"] else ""
    return f"{_most(top, ABOVE, whole)} of the time above the band on oxygen was {lying(top, key)}{named}: {part}"


def _most(top: Row, side: str, whole: Row) -> str:
    share = top[f"{side}_s"] / whole[f"{side}_s"]
    if share == 1:
        return "All"
    return "Most" if share > 0.5 else "The largest part"


def _top_in_words(top: Row, side: str, key: str, whole: Row, small: float) -> str:
    """The place with most of one side, beside everywhere else."""
    if not whole[f"{side}_s"]:
        return "" if side == ABOVE else "No time below the band was observed."
    beside = compared(top, side, key, small)
    if side == ABOVE:
        return f"{beside}." if beside else ""
    part = f"{hours(top['below_s'])} of {hours(whole['below_s'])}"
    told = f"Below the band: {_most(top, BELOW, whole).lower()} of it {lying(top, key)}, {part}"
    return f"{told} ({beside})." if beside else f"{told}."


def _others_apart(places: Sequence[Row], key: str, small: float) -> str:
    told = []
    for row in places:
        apart = is_apart(row, ABOVE, small)
        if apart:
            shares = f"{wording.percent(row['share_above_on_oxygen'])} against {wording.percent(elsewhere(row, ABOVE))}"
            told.append(f"{name_of(row, key)} ({'more' if apart > 0 else 'less'}: {shares})")
    return f"Time above also stands apart for {wording.listed_in_words(told)}." if told else ""


def _when(rows: pl.DataFrame, whole: Row, small: float) -> Question:
    name = "Time of day and week"
    nights, days = ({row["value"]: row for row in places_of(rows, key)} for key in ("night", "day"))
    drawn = [*places_of(rows, "part_of_day"), *days.values()]
    table = [place for key in ("night", "part_of_day", "day") for place in _table(places_of(rows, key), key, small)]
    if len(nights) < 2:
        return Question("when", name, _NOT_TOLD_APART.format("time of day"), (_WHY_NOT,), Markup(), tuple(table))
    title = _night_title(nights["night"], nights["day"], whole, small)
    notes = [_night_below(nights["night"], nights["day"], whole, small)]
    if len(days) == 2:
        notes.append(_weekend(days["weekend"], days["weekday"], small))
    return Question("when", name, title, tuple(notes), _drawn(title, drawn, "when"), tuple(table))


def _judged(row: Row, side: str, small: float) -> str:
    if few(row, side, small):
        return "resting on few patients"
    return "more than chance allows" if is_apart(row, side, small) else "no clear difference"


def _night_title(night: Row, day: Row, whole: Row, small: float) -> str:
    if not whole["above_on_oxygen_s"]:
        return "No time above the band on oxygen was observed, by night or by day"
    shares = f"{wording.percent(night['share_above_on_oxygen'])} and {wording.percent(day['share_above_on_oxygen'])}"
    apart = is_apart(night, ABOVE, small)
    if apart:
        more = "more" if apart > 0 else "less"
        return f"Above the band on oxygen for {more} of the night than of the day: {shares} of the observed time"
    return (
        f"Above the band on oxygen by night much as by day: {shares} of the observed time, "
        f"{_judged(night, ABOVE, small)}"
    )


def _night_below(night: Row, day: Row, whole: Row, small: float) -> str:
    if not whole["below_s"]:
        return "No time below the band was observed."
    return (
        f"Below the band: {wording.percent(night['share_below'])} by night, {wording.percent(day['share_below'])} by "
        f"day, {_judged(night, BELOW, small)}. Night is from 20:00 to 08:00."
    )


def _weekend(weekend: Row, weekday: Row, small: float) -> str:
    def shares(row: Row) -> str:
        return f"{wording.percent(row['share_above_on_oxygen'])} above and {wording.percent(row['share_below'])} below"

    above, below = (_judged(weekend, side, small) for side in (ABOVE, BELOW))
    judged = f"{above} in either" if above == below else f"above, {above}; below, {below}"
    return f"At weekends {shares(weekend)}, from Monday to Friday {shares(weekday)}. {wording.sentence_case(judged)}."


def _drawn(title: str, places: Sequence[Row], key: str) -> Markup:
    bars = [where_chart.Bar(_bar_name(row, key), _side(row, BELOW), _side(row, ABOVE)) for row in places]
    label = f"{title}. Bars with 95 % intervals: the share of the observed time below the band and above it on oxygen."
    return where_chart.sides(bars, label)


def _bar_name(row: Row, key: str) -> str:
    name = name_of(row, row["dimension"] if key == "when" else key)
    return "Taken together" if row["pooled"] else wording.sentence_case(name)


def _side(row: Row, side: str) -> where_chart.Side:
    value, low, high = (row[f"share_{side}{end}"] for end in ("", "_low", "_high"))
    words = f"{wording.percent(value)}, {hours(row[f'{side}_s'])}"
    # A single patient has a share but no interval.
    if low is None or high is None:
        return where_chart.Side(100 * value, None, None, words)
    return where_chart.Side(100 * value, 100 * low, 100 * high, words)


def _table(places: Sequence[Row], key: str, small: float) -> tuple[Place, ...]:
    return tuple(
        Place(
            wording.sentence_case(name_of(row, key)),
            hours(row["observed_s"]),
            _cell(row, BELOW, small),
            _cell(row, ABOVE, small),
        )
        for row in places
    )


def _cell(row: Row, side: str, small: float) -> Cell:
    value, low, high = (row[f"share_{side}{end}"] for end in ("", "_low", "_high"))
    said = {1: "more than elsewhere", -1: "less than elsewhere", 0: ""}
    return Cell(
        wording.percent(value),
        wording.percent_interval(low, high, value),
        hours(row[f"{side}_s"]),
        "on few patients" if few(row, side, small) else said[is_apart(row, side, small)],
    )
