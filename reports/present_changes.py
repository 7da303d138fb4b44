"""The pages about what was changed on the wards: the band before and after, and marks for the charts of months."""

from collections.abc import Sequence

from reports import signals, wording
from reports.changes_made import ChangeCell, ChangeMade, ChangeRow
from reports.present_figures import OTHER, Presented
from reports.present_numbers import name
from reports.present_sheets import Cell, Sheet, Table
from reports.trend_chart import Placed, placed, together

_ROWS_A_PAGE = 8
_MOST_OF_WHAT = 120
_UNCLEAR = "no clear change"
_ARROW = "\N{RIGHTWARDS ARROW}"


def marks_of(of: Presented) -> tuple[Placed, ...]:
    """The declared changes of the twelve months as marks on a chart."""
    return placed(signals.marks(of.declared), of.months)


def marks_in(of: Presented, month: str) -> str:
    """The changes made in one month, together: "change 2, 3"; empty: there were none."""
    names = [mark.name for mark in marks_of(of) if of.months[mark.place] == month]
    return together(names) if names else ""


def marks_in_words(of: Presented) -> str:
    """The marks for those who do not see them, with a blank before; empty: there are none."""
    told = [
        f"{names} in {wording.month_in_words(month)}" for month in of.months for names in [marks_in(of, month)] if names
    ]
    return f" Marked: {'; '.join(told)}." if told else ""


def last_new_beginning(of: Presented) -> str | None:
    """The first whole month after the last change of the whole hospital within the twelve; null: there is none."""
    starts = [change.first_whole_month for change in of.declared.changes if change.ward is None]
    return max((start for start in starts if of.months[0] < start <= of.month), default=None)


def changes(of: Presented) -> list[Sheet]:
    """Each change with the three shares before and after it, as many pages as they need; none without changes."""
    pages: list[list[ChangeMade]] = []
    for change in of.changes:
        if not pages or sum(len(each.rows) for each in pages[-1]) + len(change.rows) > _ROWS_A_PAGE:
            pages.append([])
        pages[-1].append(change)
    return [_sheet(of, part, number, len(pages)) for number, part in enumerate(pages, start=1)]


def _sheet(of: Presented, part: Sequence[ChangeMade], number: int, pages: int) -> Sheet:
    counted = f" (page {number} of {pages})" if pages > 1 else ""
    return Sheet(
        key=f"changes-{number}" if pages > 1 else "changes",
        title=f"{_title(part)}{counted}",
        lead=(
            "Whole months before and after each change, as far as the change next to it. A clear difference says that "
            "something changed, not what changed it."
        ),
        layout="text",
        tables=(_table(part),),
        notes=(
            "Below stands beside above: less time above with more time below is no improvement.",
            f"Months with 1 to {of.most_hidden} patients in a group or ward, and those from which they could be worked "
            "out, are left out before the months are put together."
            if of.most_hidden
            else "No month is left out for small numbers.",
            "The interval (95 %) allows for patients who differ, not for months that do; other things happened in the "
            "same months.",
            *(f"Change {change.number}: {change.series}" for change in part if change.series),
            f"Fingerprint of the file of changes: {of.declared.fingerprint or 'none'}.",
        ),
    )


def _title(part: Sequence[ChangeMade]) -> str:
    """The latest change with figures, one of the whole hospital before one of a ward: above, with below beside it."""
    told = [(change, row) for change in part for row in change.rows if _is_told(row)]
    if not told:
        many = f"change {part[0].number}" if len(part) == 1 else f"changes {part[0].number} to {part[-1].number}"
        return f"What came before and after {many} cannot be compared yet: {part[-1].rows[-1].cells[-1].why}"
    whole = [change for change, row in told if row.group != wording.GROUP_IN_WORDS[None]]
    latest = whole[-1] if whole else told[-1][0]
    row = next(row for change, row in told if change is latest)
    below, _, above = row.cells
    where = "" if row.group != wording.GROUP_IN_WORDS[None] else f" in {name(latest.where)}"
    verb = "was" if row.group == wording.GROUP_IN_WORDS[OTHER] else "were"
    return (
        f"After change {latest.number} ({latest.when}), {row.group}{where} {verb} above the band on oxygen for "
        f"{above.after} of the observed time, before it for {above.before}{_unclear(above)}; below it for "
        f"{below.after}, before for {below.before}{_unclear(below)}"
    )


def _unclear(cell: ChangeCell) -> str:
    return f" ({_UNCLEAR})" if _UNCLEAR in cell.change else ""


def _is_told(row: ChangeRow) -> bool:
    return not any(cell.why for cell in (row.cells[0], row.cells[-1]))


def _table(part: Sequence[ChangeMade]) -> Table:
    rows = []
    for change in part:
        first = Cell(f"{change.number}. {change.when}, {name(change.where)}", name(change.what, _MOST_OF_WHAT))
        for place, row in enumerate(change.rows):
            patients = Cell(wording.sentence_case(row.group))
            rows.append(
                (first if place == 0 else Cell(f"{change.number}."), patients, *(_cell(cell) for cell in row.cells))
            )
    return Table(
        "Share of the observed time before and after, and the difference in percentage points with its 95 % interval",
        ("Change", "Patients", "Below", "Within", "Above, on oxygen"),
        tuple(rows),
        (3.4, 1.4, 2.0, 2.0, 2.0),
        2,
    )


def _cell(cell: ChangeCell) -> Cell:
    if cell.why:
        return Cell(wording.NOTHING, cell.why)
    return Cell(f"{cell.before} {_ARROW} {cell.after}", cell.change)
