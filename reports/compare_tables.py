"""The tables of a comparison: the sides and their differences, for the groups of patients and for every measure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isnan

from markupsafe import Markup

from pipeline.before_after import Difference
from pipeline.comparison import band_differences, measure_difference
from pipeline.measure_file import Measure
from reports import compare_charts, compare_words, wording
from reports.charts import Interval
from reports.compare_sides import Shows
from reports.compare_words import NOT_TOLD, Told
from reports.figures import State
from reports.first_screen import Row, row_of
from reports.measures import PARTS_IN_WORDS, PERCENT, written
from reports.sentences import Finding
from reports.wording import EN_DASH

Differences = Mapping[str, Difference]
_SHARES = {"below": "Below the band", "within": "Within the band", "above_on_oxygen": "Above the band, on oxygen"}
_COVERAGE = ("unobserved", "no_target")


@dataclass(frozen=True)
class Apart:
    """The differences of one group between the first side and another; why: why there are none (empty: there are)."""

    label: str
    shares: tuple[Told, ...]
    coverage: tuple[Told, ...]
    readings: Told
    why: str


@dataclass(frozen=True)
class Chart:
    """One share of one group on all sides; `svg` is empty when there is nothing to draw."""

    title: str
    answer: str
    svg: Markup


@dataclass(frozen=True)
class Block:
    """One group of patients: a row for each side with its readings a day, and one for each difference."""

    name: str
    sides: tuple[tuple[str, Row, str], ...]
    apart: tuple[Apart, ...]
    charts: tuple[Chart, ...]


@dataclass(frozen=True)
class Cell:
    """One side of a measure: figure and interval, or why there is none (empty: there is)."""

    figure: str
    interval: str
    why: str


@dataclass(frozen=True)
class MeasureRow:
    """One measure on both sides."""

    measure: Measure
    unit: str
    first: Cell
    second: Cell
    apart: Told


@dataclass(frozen=True)
class Pair:
    """The first side and another: what they say, and every measure by part of the report.

    compared: how many differences have an interval; clear: how many of them leave no difference out.
    """

    first: Shows
    second: Shows
    findings: tuple[Finding, ...]
    parts: tuple[tuple[str, tuple[MeasureRow, ...]], ...]
    compared: int
    clear: int
    svg: Markup


def blocks(sides: Sequence[Shows]) -> list[Block]:
    """The groups with anything to show: retainers and everybody else, and all patients where one of these is hidden."""
    return [_block(sides, group) for group in groups_spoken_of(sides) if _anywhere(sides, group)]


def group_differences(first: Shows, second: Shows, group: str | None) -> Differences | None:
    """The differences of one group; null where one of the sides may not be shown. Nothing of it is hidden then."""
    if not compare_words.can_compare(first.groups[group], second.groups[group]):
        return None
    found = band_differences(first.rows, second.rows, group)
    if any(side.groups[group].above_on_oxygen.value is None for side in (first, second)):
        found.pop("above_on_oxygen")
    return found


def _block(sides: Sequence[Shows], group: str | None) -> Block:
    first, others = sides[0], sides[1:]
    found = {other.name: group_differences(first, other, group) for other in others}
    readings = {
        other.name: wording.number(known["readings_a_day"].after, 1)
        for other in others
        if (known := found[other.name]) is not None
    }
    of_first = [known["readings_a_day"].before for known in found.values() if known is not None]
    readings[first.name] = wording.number(of_first[0], 1) if of_first else wording.NOTHING
    name = wording.sentence_case(wording.GROUP_IN_WORDS[group])
    return Block(
        name,
        tuple((side.name, row_of(side.groups[group]), readings.get(side.name, wording.NOTHING)) for side in sides),
        tuple(_apart(first, other, found[other.name]) for other in others),
        tuple(_chart(sides, group, name, share, title, found) for share, title in _SHARES.items() if of_first),
    )


def _apart(first: Shows, second: Shows, found: Differences | None) -> Apart:
    label = f"{second.name} {wording.MINUS} {first.name}"
    if found is None:
        return Apart(label, (NOT_TOLD,) * len(_SHARES), (NOT_TOLD,) * len(_COVERAGE), NOT_TOLD, "no difference to show")
    return Apart(
        label,
        tuple(_share(found, share, second) for share in _SHARES),
        tuple(_share(found, share, second) for share in _COVERAGE),
        compare_words.of_number(found["readings_a_day"], second.name),
        "",
    )


def _share(found: Differences, share: str, second: Shows) -> Told:
    return compare_words.of_share(found[share], second.name) if share in found else NOT_TOLD


def _chart(
    sides: Sequence[Shows],
    group: str | None,
    group_name: str,
    share: str,
    title: str,
    found: Mapping[str, Differences | None],
) -> Chart:
    shown = [side for side in sides if side.groups[group].state is State.SHOWN]
    shares = [getattr(side.groups[group], share) for side in shown]
    answers = [
        (f"{other}: " if len(sides) > 2 else "") + (_share(known, share, side).verdict or "no difference to show")
        for side in sides[1:]
        for other, known in [(side.name, found[side.name])]
        if known is not None
    ]
    # Names stand as they are; one alone has none before it.
    answer = "; ".join(answers) if len(sides) > 2 else wording.sentence_case("".join(answers))
    names = wording.listed_in_words([side.name for side in sides])
    label = f"{group_name}, {title.lower()}: a dot and a 95 % interval for {names}, in % of observed time. {answer}."
    drawn = compare_charts.beside_each_other([side.name for side in shown], shares, share == "within", label)
    return Chart(title, answer, drawn)


def pair(first: Shows, second: Shows, groups: Sequence[str | None], measures: Sequence[Measure]) -> Pair:
    """The findings and every measure of the first side and another. groups: those to speak of."""
    rows = [_measure_row(measure, first, second) for measure in measures]
    told = [(row, found) for row, found in rows if found is not None and not isnan(found.low)]
    clear = sum(found.clear for _, found in told)
    drawn = [
        Interval(row.measure.title, 100 * found.change, 100 * found.low, 100 * found.high)
        for row, found in told
        if row.measure.unit == PERCENT
    ]
    label = (
        f"The difference of each share, {second.name} minus {first.name}, in percentage points with its 95 % interval, "
        f"about a line at no difference. {clear} of {len(told)} measures lie clear of it."
    )
    findings = compare_words.band_findings(
        first, second, {group: group_differences(first, second, group) for group in groups}
    )
    coverage = compare_words.coverage_finding(first, second, group_differences(first, second, None))
    parts = [
        (title, tuple(row for row, _ in rows if row.measure.part == part)) for part, title in PARTS_IN_WORDS.items()
    ]
    return Pair(
        first,
        second,
        (*findings, *([coverage] if coverage else []), compare_words.chance_finding(clear, len(told))),
        tuple((title, of_part) for title, of_part in parts if of_part),
        len(told),
        clear,
        compare_charts.differences(drawn, label),
    )


def _measure_row(measure: Measure, first: Shows, second: Shows) -> tuple[MeasureRow, Difference | None]:
    cells = [_cell(measure, side) for side in (first, second)]
    unit = "" if measure.unit == PERCENT else measure.unit
    if any(cell.why for cell in cells):
        return MeasureRow(measure, unit, cells[0], cells[1], NOT_TOLD), None
    found = measure_difference(measure, first.rows, second.rows)
    told = compare_words.of_share if measure.unit == PERCENT else compare_words.of_number
    return MeasureRow(measure, unit, cells[0], cells[1], told(found, second.name)), found


def _cell(measure: Measure, side: Shows) -> Cell:
    row = side.measured[measure.id]
    if row["why"]:
        return Cell(EN_DASH, "", row["why"])
    result, low, high = row["result"], row["low"], row["high"]
    if measure.unit == PERCENT:
        return Cell(written(PERCENT, result), "" if low is None else wording.percent_interval(low, high, result), "")
    if low is None or high is None:
        interval = "interval not reached" if low is None else f"{written(measure.unit, low)} or more"
    else:
        interval = f"{written(measure.unit, low)} to {written(measure.unit, high)}"
    return Cell(written(measure.unit, result), interval, "")


def groups_spoken_of(sides: Sequence[Shows]) -> list[str | None]:
    """Retainers and everybody else; all patients as well where one of the two cannot be shown on every side."""
    both = all(side.groups[group].state is State.SHOWN for side in sides for group in ("retainer", "other"))
    return ["retainer", "other"] if both else ["retainer", "other", None]


def _anywhere(sides: Sequence[Shows], group: str | None) -> bool:
    return any(side.groups[group].patients is not None for side in sides)
