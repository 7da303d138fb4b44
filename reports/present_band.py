"""The pages about the band: the answer of the month, and twelve months of each group."""

from collections.abc import Sequence

from reports import charts, sentences, wording
from reports.figures import GroupFigures, Share, State
from reports.first_screen import evidence_in_words
from reports.present_changes import last_new_beginning, marks_in_words, marks_of
from reports.present_events import episodes_in_words
from reports.present_figures import OTHER, RETAINER, Presented
from reports.present_numbers import interval, like, moved, shown, why_not_shown
from reports.present_sheets import SHARES, TREND, Cell, Chart, Series, Sheet, Table, cells
from reports.runs import FEWEST_POINTS

SHARE_NAMES = {
    "below": "Below the band",
    "within": "Within the band",
    "above_on_oxygen": "Above the band, on oxygen",
}
OF_OBSERVED = "% of observed time"
BAND = (
    "Band: the saturation target prescribed at the time, both limits included. Only the prescribed target is judged "
    "against; whether it was right is for the clinician."
)
OBSERVED = (
    "Observed time: time under a target for which a reading speaks, each until the next one and for {hours} hours at "
    "the most. Time without a target, without a reading or excluded is outside the figures."
)
ABOVE = (
    "Above, on oxygen: above the band with oxygen running. Above the band on room air is nobody's excess and counts "
    "against nobody, so the three shares need not add up to 100 %."
)
_MARKS = (
    "What was changed is marked on the charts by its number; of a change in one ward the line is broken. Rules begin "
    "anew in the first whole month after a change of the whole hospital."
)
TOGETHER = "Below stands beside above throughout: less time above with more time below is no improvement."


def answer(of: Presented) -> Sheet:
    """The month for both groups."""
    month, retainers, others = wording.month_in_words(of.month), of.this_month(RETAINER), of.this_month(OTHER)
    judged, why = sentences.verdict(retainers) if retainers.state is State.SHOWN else ("", "")
    lead = f"CO2 retainers: {judged}{', ' if why else ''}{why}." if judged else ""
    if others.state is State.SHOWN:
        judged, why = sentences.verdict(others)
        lead += f" Everybody else: {judged}{', ' if why else ''}{why}."
    groups = (retainers, others)
    told = [TOGETHER, f"{episodes_in_words(of)}.", _evidence(of)]
    return Sheet(
        key="answer",
        title=f"In {month} {_kept(retainers)}"
        if retainers.state is State.SHOWN
        else f"In {month} {_not_told(retainers)}",
        lead=lead.strip() or "Where nothing is shown, the page says why.",
        layout="stacked",
        charts=(_shares_chart(groups),),
        tables=(_answer_table(groups),),
        points=tuple(text for text in told if text),
        notes=(
            BAND,
            OBSERVED.format(hours=wording.short_number(of.policy.reading_carry_hours)),
            ABOVE,
            _retainer_note(of),
            "Interval: 95 %, from drawing patients again and again, so that one long stay does not pass for many. A "
            "change is "
            "called one only when its interval leaves 0 out; the two months are taken as independent.",
        ),
    )


def _evidence(of: Presented) -> str:
    if of.this_month(RETAINER).patients and not of.evidence:
        return "On which evidence they count as CO2 retainers is not shown: small numbers."
    return evidence_in_words(of.evidence, of.policy.small_count_below)


def _kept(figures: GroupFigures) -> str:
    within, below, above = (share.value for share in (figures.within, figures.below, figures.above_on_oxygen))
    over = "for an unknown share" if above is None else f"for {wording.percent(above)}"
    return (
        f"{figures.name} were inside the prescribed band for {wording.percent(within)} of the observed time, "
        f"below it for {wording.percent(below)} and above it on oxygen {over}"
    )


def _not_told(figures: GroupFigures) -> str:
    return f"how well {figures.name} were kept inside the band cannot be shown: {why_not_shown(figures)}"


def _retainer_note(of: Presented) -> str:
    return (
        "CO2 retainer: a patient with evidence of CO2 retention at any time in the stay: an arterial or capillary "
        "pCO2 above "
        f"{wording.short_number(of.policy.retainer_pco2_above_kpa)} kPa, previous retention recorded (often "
        "reversible), or "
        "a target of at most 92 % prescribed (weak evidence). A venous gas is never evidence."
    )


def _answer_table(groups: Sequence[GroupFigures]) -> Table:
    rows = []
    for figures in groups:
        patients = "" if figures.patients is None else wording.counted(figures.patients, "patient")
        first = Cell(wording.sentence_case(figures.name), patients)
        if figures.state is not State.SHOWN:
            rows.append((first, *cells([f"{wording.NOTHING} {why_not_shown(figures)}", *[""] * 5])))
            continue
        found: list[Cell] = []
        for share in (figures.below, figures.within, figures.above_on_oxygen):
            found.append(Cell(wording.percent(share.value), interval(share)))
            found.append(Cell(*_change(share)))
        rows.append((first, *found))
    before = wording.month_in_words(groups[0].previous_month)
    head = [text for title in SHARE_NAMES.values() for text in (title, f"change from {before}")]
    return Table(
        "Share of the observed time with its 95 % interval, and the change in percentage points",
        ("", *head),
        tuple(rows),
        (1.7, *[1.2, 1.5] * 3),
    )


def _change(share: Share) -> tuple[str, str]:
    if share.change is None or share.change_low is None or share.change_high is None:
        return wording.NOTHING, ""
    ends = f"{wording.points_end(share.change_low)} to {wording.points_end(share.change_high)}"
    unclear = share.change_low <= 0 <= share.change_high
    return wording.points(share.change), f"{ends}{', no clear change' if unclear else ''}"


def _shares_chart(groups: Sequence[GroupFigures]) -> Chart:
    known = [figures for figures in groups if figures.state is State.SHOWN]
    series = tuple(
        Series(title, tuple(shown(getattr(figures, share).value) for figures in known))
        for share, title in SHARE_NAMES.items()
    )
    told = [
        f"{figures.name}: "
        + ", ".join(
            f"{title.lower()} {wording.percent(getattr(figures, share).value)}" for share, title in SHARE_NAMES.items()
        )
        for figures in known
    ]
    names = tuple(wording.sentence_case(figures.name) for figures in known)
    text = f"One bar for each group, cut into below, within and above the band on oxygen. {'; '.join(told)}."
    title = "Below, within, above on oxygen; what is left is above the band on air or with the device unknown"
    return Chart(SHARES, title, OF_OBSERVED, names, series, (0.0, 100.0), text)


def months(of: Presented, group: str) -> Sheet:
    """Twelve months of one group: below, within and above on oxygen, side by side."""
    figures, since = of.groups[group], last_new_beginning(of)
    judged = [each for each in figures if since is None or each.month >= since]
    said = {share: moved([getattr(each, share).value for each in judged]) for share in SHARE_NAMES}
    who = "CO2 retainers'" if group == RETAINER else "Everybody else's"
    title = f"{who} time above the band on oxygen {said['above_on_oxygen']}; their time below it {said['below']}"
    known = [each for each in judged if each.state is State.SHOWN]
    if since is not None:
        title = f"Since {wording.month_in_words(since)}: {title}"
    if 0 < len(known) < FEWEST_POINTS:
        title = _too_few_months(known, who, since)
    if not known:
        asked = "of the twelve" if since is None else f"since {wording.month_in_words(since)}"
        title = f"No month {asked} can be shown for {figures[-1].name}"
    return Sheet(
        key=f"months-{group}",
        title=title,
        lead=f"{TOGETHER} Time within the band {said['within']}.",
        layout="stacked",
        charts=tuple(_trend(of, figures, share) for share in SHARE_NAMES),
        tables=(_months_table(figures),),
        notes=(
            "Each dot is a month with its 95 % interval. Each chart has an axis of its own; that of within "
            "need not begin at 0.",
            "Rose, fell and unsteady are said only of a shift by the rules of run charts: unusually long runs on one "
            "side of "
            "the median, or unusually few crossings of it (Anhoej and Olesen, PLoS One 2014). Fewer than one steady "
            "series in twenty shows one by chance. Ten months are the fewest that can be judged.",
            BAND,
            OBSERVED.format(hours=wording.short_number(of.policy.reading_carry_hours)),
            ABOVE,
            "A shift says that something changed, not what changed it: patients, charting and care all may.",
            *([_MARKS] if of.declared.changes else []),
        ),
    )


def _too_few_months(known: Sequence[GroupFigures], who: str, since: str | None) -> str:
    last, count = known[-1], wording.counted(len(known), "month")
    if since is not None:
        count += f" since {wording.month_in_words(since)}"
    above, below = (wording.percent(share.value) for share in (last.above_on_oxygen, last.below))
    return (
        f"{who} time above the band on oxygen was {above} in {wording.month_in_words(last.month)}, their time below it "
        f"{below}; {count} with figures {'is' if len(known) == 1 else 'are'} too few to tell a shift"
    )


def _points(figures: Sequence[GroupFigures], share: str) -> list[charts.Point]:
    found = []
    for each in figures:
        one: Share = getattr(each, share)
        ends = (shown(one.value), like(one.low, one.value), like(one.high, one.value))
        found.append(charts.Point(each.month, *ends))
    return found


def _trend(of: Presented, figures: Sequence[GroupFigures], share: str) -> Chart:
    points = _points(figures, share)
    ends = (0.0, charts.top_of(points))
    if share == "within":
        ends = (charts.bottom_of(point.low for point in points), 100.0)
    series = Series(
        SHARE_NAMES[share],
        tuple(point.value for point in points),
        tuple(point.low for point in points),
        tuple(point.high for point in points),
    )
    names = tuple(wording.short_month(point.month) for point in points)
    last = wording.percent(getattr(figures[-1], share).value)
    text = (
        f"{SHARE_NAMES[share]}, {figures[-1].name}, twelve months with 95 % intervals, in {OF_OBSERVED}. "
        f"{wording.month_in_words(figures[-1].month)}: {last}.{marks_in_words(of)}"
    )
    return Chart(TREND, SHARE_NAMES[share], OF_OBSERVED, names, (series,), ends, text, marks=marks_of(of))


def _months_table(figures: Sequence[GroupFigures]) -> Table:
    rows = []
    for share, title in SHARE_NAMES.items():
        found = [
            Cell(wording.percent(one.value), interval(one))
            if each.state is State.SHOWN
            else Cell(wording.NOTHING, why_not_shown(each))
            for each in figures
            for one in [getattr(each, share)]
        ]
        rows.append((Cell(title), *found))
    head = ("", *(wording.short_month(each.month) for each in figures))
    return Table("Share of the observed time, with its 95 % interval", head, tuple(rows), (1.5, *[1.0] * len(figures)))
