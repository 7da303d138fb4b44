"""The sentences that the figures allow, in plain words: what was found, and whether it changed.

Below the band is always said beside above the band: less of one with more of the other is not called an improvement.
A change is called one only when its 95 % interval leaves 0 out. Nothing here says why anything happened.
"""

from collections.abc import Callable, Collection, Sequence
from statistics import median
from typing import NamedTuple

from reports import wording
from reports.figures import Direction, GroupFigures, State
from reports.runs import Shift, shift


class Finding(NamedTuple):
    """One headline: the finding in a few words, then what it rests on (empty: nothing to add)."""

    lead: str
    rest: str


def headline(
    retainers: GroupFigures,
    others: GroupFigures,
    previous_retainers: GroupFigures,
    repeat_gas_minutes: float,
    absent: Collection[str] = (),
) -> list[Finding]:
    """The findings that answer the report's question; one alone, if nothing at all was observed.

    absent: tables of the extract that were never loaded, so that what needs them cannot be told.
    """
    groups = (retainers, others)
    if all(figures.state in (State.NOBODY, State.UNOBSERVED) for figures in groups):
        month = wording.month_in_words(retainers.month)
        return [
            Finding(
                f"Nothing can be said about the band in {month}.",
                "No oxygen saturation was recorded while a target was prescribed.",
            )
        ]
    return [
        band_finding(retainers),
        band_finding(others),
        episodes_finding(retainers, previous_retainers, repeat_gas_minutes, absent),
    ]


def band_finding(figures: GroupFigures) -> Finding:
    """Whether the time of one group inside, below and above the band changed, and how much it was."""
    name = wording.sentence_case(figures.name)
    if figures.state is not State.SHOWN:
        return Finding(f"{name}: {why_nothing(figures)}.", "")
    judged, why = verdict(figures)
    above = figures.above_on_oxygen.value
    return Finding(
        f"{name}: {judged}.",
        f"{wording.sentence_case(why)}{'. ' if why else ''}"
        f"Inside the band for {wording.percent(figures.within.value)} of the observed time, below it for "
        f"{wording.percent(figures.below.value)}, above it on oxygen "
        f"{'for an unknown share' if above is None else f'for {wording.percent(above)}'}.",
    )


def why_nothing(figures: GroupFigures) -> str:
    """Why a group has no figures."""
    return {
        State.NOBODY: "no such patient this month",
        State.TOO_FEW: "too few patients to tell",
        State.UNOBSERVED: "too few to tell, since no saturation was recorded while a target was prescribed",
        State.SHOWN: "",
    }[figures.state]


def verdict(figures: GroupFigures) -> tuple[str, str]:
    """Whether the month is better or worse than the one before, or cannot be compared; and in what (may be empty)."""
    month = wording.month_in_words(figures.previous_month)
    below, within, above = (share.direction for share in (figures.below, figures.within, figures.above_on_oxygen))
    if below is None or above is None:
        return _why_no_change(figures.previous_state, month), ""
    if Direction.UNCLEAR is below is above:
        return _verdict_on_within(within, month)
    if {below, above} == {Direction.UP, Direction.DOWN}:
        less, more = ("below", "above on oxygen") if below is Direction.DOWN else ("above on oxygen", "below")
        return f"not an improvement on {month}", f"less time {less}, but more time {more}"
    judged = "better" if Direction.DOWN in (below, above) else "worse"
    changed = {Direction.UP: "more time", Direction.DOWN: "less time", Direction.UNCLEAR: "no clear change"}
    told = [f"{changed[below]} below", f"{changed[above]} above on oxygen"]
    told.sort(key=lambda text: text.startswith("no"))
    return f"{judged} than in {month}", " and ".join(told)


def _verdict_on_within(within: Direction | None, month: str) -> tuple[str, str]:
    if within in (None, Direction.UNCLEAR):
        return f"no clear change from {month}", ""
    more = "more" if within is Direction.UP else "less"
    return f"{more} time inside the band than in {month}", "no clear change below or above on oxygen"


def _why_no_change(previous: State, month: str) -> str:
    return {
        State.NOBODY: f"no figures for {month} to compare with",
        State.TOO_FEW: f"too few patients in {month} to compare with",
        State.UNOBSERVED: f"nothing observed in {month} to compare with",
        State.SHOWN: f"the change from {month} cannot be told",
    }[previous]


def episodes_finding(
    figures: GroupFigures, previous: GroupFigures, repeat_gas_minutes: float, absent: Collection[str] = ()
) -> Finding:
    """How many episodes of high inspired oxygen the retainers had, how many avoidable, how many without a gas."""
    what = "High inspired oxygen in CO2 retainers"
    if "devices" in absent:
        return Finding(f"{what}: cannot be told.", "No device records were loaded.")
    if figures.state is State.TOO_FEW:
        return Finding(f"{what}: too few patients to tell.", "")
    with_gases = "gases" not in absent
    before = _before(previous, with_gases)
    if figures.episodes == 0:
        return Finding(f"{what}: no episode.", before)
    minutes = wording.short_number(repeat_gas_minutes)
    above, without_gas = figures.episodes_above, figures.episodes_without_gas_in_time
    avoidable = "none avoidable" if above == 0 else f"{above:,} avoidable"
    went = "None" if without_gas == 0 else f"{without_gas:,} of the {figures.episodes:,}"
    repeated = f"{went} went without a repeat gas within {minutes} minutes." if with_gases else "No gases were loaded."
    return Finding(
        f"{what}: {wording.counted(figures.episodes, 'episode')}, {avoidable}.",
        f"Avoidable means that a saturation above the band was read. {repeated} {before}".strip(),
    )


def _before(previous: GroupFigures, with_gases: bool) -> str:
    if previous.state in (State.TOO_FEW, State.NOBODY):
        return ""
    month = wording.month_in_words(previous.month)
    if previous.episodes == 0:
        return f"In {month}: none."
    without_gas = f", {previous.episodes_without_gas_in_time:,} without that gas" if with_gases else ""
    return (
        f"In {month}: {wording.counted(previous.episodes, 'episode')}, {previous.episodes_above:,} avoidable"
        f"{without_gas}."
    )


def change_in_words(change: float | None, low: float | None, high: float | None) -> str:
    """The change of a share in percentage points with its interval; says so when that includes 0."""
    if change is None or low is None or high is None:
        return ""
    text = f"{wording.points(change)} ({wording.points_end(low)} to {wording.points_end(high)})"
    return text if low > 0 or high < 0 else f"{text}, no clear change"


def trend_title(points: Sequence[tuple[str, float | None]], written: Callable[[float | None], str], month: str) -> str:
    """The answer of a twelve-month chart: whether the figures shifted, and from what to what.

    points: month and value, oldest first; `month` is the last month asked for. See `runs` for what a shift is.
    """
    known = [(each, value) for each, value in points if value is not None]
    if not known:
        return "No figure in these twelve months"
    if known[-1][0] != month:
        return f"No figure for {wording.month_in_words(month)}"
    values = [value for _, value in known]
    first, last = (f"{written(value)} in {wording.month_in_words(each)}" for each, value in (known[0], known[-1]))
    if len(known) == 1:
        return f"{last}, with no earlier month to compare"
    found = shift(values)
    if found in (Shift.ROSE, Shift.FELL):
        half = len(values) // 2
        before, after = written(median(values[:half])), written(median(values[-half:]))
        return f"{found.capitalize()}: median {before} in the first {half} months, {after} in the last {half}"
    said = {
        Shift.NONE: "No shift: ",
        Shift.UNSTEADY: "Unsteady: ",
        Shift.TOO_SHORT: "Too few months to tell a shift: ",
    }
    return f"{said[found]}{first}, {last}"


def ward_title(what: str, apart: int, wards: int) -> str:
    """The answer of a chart by ward: how many wards' intervals lie clear of the hospital's figure."""
    if wards == 0:
        return f"{what}: too few patients in every ward to tell"
    if apart == 0:
        return f"{what}: no ward stands apart from the hospital's figure"
    verb = "stands" if apart == 1 else "stand"
    return f"{what}: {apart} of {wording.counted(wards, 'ward')} shown {verb} apart from the hospital's figure"
