"""The pages about the wards: in alphabetical order, for all patients, without a ranking and without their numbers."""

from collections.abc import Sequence

from reports import charts, wording
from reports.figures import GroupFigures, Share, State
from reports.present_band import ABOVE, BAND, OF_OBSERVED, SHARE_NAMES
from reports.present_figures import Presented
from reports.present_numbers import interval, like, name, shown, why_not_shown
from reports.present_sheets import ROWS, Cell, Chart, Series, Sheet, Table

WARDS_A_PAGE = 10


def where(of: Presented) -> list[Sheet]:
    """The wards in alphabetical order, as many pages as they need."""
    parts = [of.wards[first : first + WARDS_A_PAGE] for first in range(0, len(of.wards), WARDS_A_PAGE)]
    return [_wards(of, part, number, len(parts)) for number, part in enumerate(parts, start=1)] or [_no_wards(of)]


def _no_wards(of: Presented) -> Sheet:
    title = f"Where the problem sits cannot be told: no ward was recorded in {wording.month_in_words(of.month)}"
    return Sheet("wards", title, "Wards come from the table of ward moves.", "text", notes=(BAND,))


def _wards(of: Presented, wards: Sequence[GroupFigures], number: int, pages: int) -> Sheet:
    part = f" (page {number} of {pages})" if pages > 1 else ""
    hidden = sum(each.state is State.TOO_FEW for each in wards)
    not_shown = f" {wording.counted(hidden, 'ward is', 'wards are')} not shown." if hidden else ""
    top = charts.round_up(
        max(
            (
                high
                for each in wards
                for one in (each.below, each.above_on_oxygen)
                for high in (shown(one.high), shown(one.value))
                if high is not None
            ),
            default=1.0,
        )
        or 1.0
    )
    return Sheet(
        key=f"wards-{number}" if pages > 1 else "wards",
        title=f"{_apart_title(of)}{part}",
        lead=(
            "In alphabetical order, no ranking: wards differ in their patients. By chance about one in twenty would "
            f"stand apart.{not_shown}"
        ),
        layout="split",
        charts=tuple(_ward_chart(of, wards, share, top) for share in ("below", "above_on_oxygen")),
        tables=(_ward_table(of, wards),),
        notes=(
            "All patients, CO2 retainers and everybody else together; a ward that cares for more CO2 retainers is "
            "likely to "
            "have more time above the band. The rule in each chart is the hospital's figure.",
            "A ward stands apart when its 95 % interval does not reach the hospital's figure. That is a question to "
            "ask, not "
            "an answer.",
            f"Wards with 1 to {of.most_hidden} patients are not shown, nor wards from which these could be worked "
            "out; numbers of "
            "patients by ward are not printed at all.",
            BAND,
            ABOVE,
        ),
    )


def _stands_apart(one: Share, whole: Share) -> bool:
    return None not in (one.low, whole.value) and not one.low <= whole.value <= one.high  # type: ignore[operator]


def _apart_title(of: Presented) -> str:
    known = [each for each in of.wards if each.state is State.SHOWN]
    month = wording.month_in_words(of.month)
    if not known or of.hospital.state is not State.SHOWN:
        return f"In {month} no ward can be told from the hospital: the numbers are too small to be shown"
    counts = [
        sum(_stands_apart(getattr(each, share), getattr(of.hospital, share)) for each in known)
        for share in ("below", "above_on_oxygen")
    ]
    shown_wards = wording.counted(len(known), "ward")
    if counts == [0, 0]:
        return (
            f"In {month} none of {shown_wards} shown stands apart from the hospital, below the band or above it on "
            "oxygen"
        )
    below, above = (str(count) if count else "none" for count in counts)
    return (
        f"In {month}, of {shown_wards} shown, {below} stood apart from the hospital in time below the band and "
        f"{above} in "
        "time above it on oxygen"
    )


def _ward_chart(of: Presented, wards: Sequence[GroupFigures], share: str, top: float) -> Chart:
    known = [(each, getattr(each, share)) for each in wards if each.state is State.SHOWN]
    series = Series(
        SHARE_NAMES[share],
        tuple(shown(one.value) for _, one in known),
        tuple(like(one.low, one.value) for _, one in known),
        tuple(like(one.high, one.value) for _, one in known),
    )
    names = tuple(name(str(each.ward)) for each, _ in known)
    told = ", ".join(f"{named} {wording.percent(one.value)}" for named, (_, one) in zip(names, known, strict=True))
    text = f"{SHARE_NAMES[share]} by ward, with 95 % intervals, in {OF_OBSERVED}: {told or 'no figure'}."
    reference = shown(getattr(of.hospital, share).value)
    return Chart(ROWS, SHARE_NAMES[share], OF_OBSERVED, names, (series,), (0.0, top), text, reference)


def _ward_table(of: Presented, wards: Sequence[GroupFigures]) -> Table:
    rows = [_ward_row(name(str(each.ward)), each) for each in wards]
    rows.append(_ward_row("Hospital", of.hospital))
    return Table(
        "All patients: share of the observed time, with its 95 % interval",
        ("Ward", "Below", "Within", "Above, on oxygen"),
        tuple(rows),
        (2.0, 1.3, 1.3, 1.4),
    )


def _ward_row(ward: str, figures: GroupFigures) -> tuple[Cell, ...]:
    if figures.state is not State.SHOWN:
        return (Cell(ward), Cell(f"{wording.NOTHING} {why_not_shown(figures)}"), Cell(""), Cell(""))
    shares = (figures.below, figures.within, figures.above_on_oxygen)
    return (Cell(ward), *(Cell(wording.percent(one.value), interval(one)) for one in shares))
