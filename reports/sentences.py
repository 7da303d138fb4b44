"""The sentences that the figures allow, in plain words: what was found, and whether it changed.

Below the band is always said beside above the band: less of one with more of the other is not called an improvement.
A change is called one only when its 95 % interval leaves 0 out. Nothing here says why anything happened.
"""

from collections.abc import Callable, Sequence

from reports import wording
from reports.figures import Direction, GroupFigures, State

_WAS = {"retainer": "were", "other": "was", None: "were"}


def headline(
    retainers: GroupFigures, others: GroupFigures, previous_retainers: GroupFigures, repeat_gas_minutes: float
) -> list[str]:
    """One to three sentences that answer the report's question; one, if nothing at all was observed."""
    groups = (retainers, others)
    if not any(figures.observed_s for figures in groups) and all(
        figures.state in (State.NOBODY, State.UNOBSERVED) for figures in groups
    ):
        return [
            f"In {wording.month_in_words(retainers.month)} no oxygen saturation was recorded while a target was "
            "prescribed, so nothing can be said about the band."
        ]
    return [
        band_sentence(retainers),
        band_sentence(others),
        episodes_sentence(retainers, previous_retainers, repeat_gas_minutes),
    ]


def band_sentence(figures: GroupFigures) -> str:
    """How much of the time one group was inside, below and above the band, and whether that changed."""
    name = figures.name[0].upper() + figures.name[1:]
    if figures.state is not State.SHOWN:
        return f"{name}: {why_nothing(figures)}."
    return (
        f"{name} {_WAS[figures.group]} inside the prescribed band for "
        f"{wording.percent(figures.within.value)} of the observed time, below it for "
        f"{wording.percent(figures.below.value)} and above it on oxygen for "
        f"{wording.percent(figures.above_on_oxygen.value)}: {verdict(figures)}."
    )


def why_nothing(figures: GroupFigures) -> str:
    """Why a group has no figures."""
    return {
        State.NOBODY: "no such patient this month",
        State.TOO_FEW: "too few patients to tell",
        State.UNOBSERVED: "too few to tell, since no saturation was recorded while a target was prescribed",
        State.SHOWN: "",
    }[figures.state]


def verdict(figures: GroupFigures) -> str:
    """Whether the month is better or worse than the one before, or why that cannot be said."""
    month = wording.month_in_words(figures.previous_month)
    below, within, above = (
        share.direction for share in (figures.below, figures.within, figures.above_on_oxygen)
    )
    if below is None or above is None:
        return _why_no_change(figures.previous_state, month)
    if Direction.UNCLEAR is below is above:
        return _verdict_on_within(within, month)
    if {below, above} == {Direction.UP, Direction.DOWN}:
        less, more = ("below", "above on oxygen") if below is Direction.DOWN else ("above on oxygen", "below")
        return f"not an improvement on {month}, with less time {less} but more time {more}"
    better = Direction.DOWN in (below, above)
    changed = {Direction.UP: "more time", Direction.DOWN: "less time", Direction.UNCLEAR: "no clear change"}
    told = [f"{changed[below]} below", f"{changed[above]} above on oxygen"]
    told.sort(key=lambda text: text.startswith("no"))
    return f"{'better' if better else 'worse'} than in {month}, with {told[0]} and {told[1]}"


def _verdict_on_within(within: Direction | None, month: str) -> str:
    if within in (None, Direction.UNCLEAR):
        return f"no clear change from {month}"
    more = "more" if within is Direction.UP else "less"
    return f"{more} time inside it than in {month}, with no clear change below or above on oxygen"


def _why_no_change(previous: State, month: str) -> str:
    return {
        State.NOBODY: f"there are no figures for {month} to compare with",
        State.TOO_FEW: f"there were too few patients in {month} to compare with",
        State.UNOBSERVED: f"nothing was observed in {month} to compare with",
        State.SHOWN: f"the change from {month} cannot be told",
    }[previous]


def episodes_sentence(figures: GroupFigures, previous: GroupFigures, repeat_gas_minutes: float) -> str:
    """How many episodes of high inspired oxygen the retainers had, how many avoidable, how many without a gas."""
    what = "of high inspired oxygen in CO2 retainers"
    if figures.state is State.TOO_FEW:
        return f"Episodes {what}: too few patients to tell."
    if figures.episodes == 0:
        return f"There was no episode {what}{_before(previous, repeat_gas_minutes)}."
    verb = "was" if figures.episodes == 1 else "were"
    return (
        f"There {verb} {wording.counted(figures.episodes, 'episode')} {what}: "
        f"{_of_these(figures.episodes_above, figures.episodes)} avoidable, with saturation above the band, and "
        f"{_without_gas(figures.episodes_without_gas_in_time)} a repeat gas within "
        f"{wording.short_number(repeat_gas_minutes)} minutes{_before(previous, repeat_gas_minutes)}."
    )


def _of_these(count: int, total: int) -> str:
    if count == 0:
        return "none was"
    if count == total:
        return "it was" if total == 1 else "all were"
    return f"{count:,} {'was' if count == 1 else 'were'}"


def _without_gas(count: int) -> str:
    return "none went without" if count == 0 else f"{count:,} went without"


def _before(previous: GroupFigures, repeat_gas_minutes: float) -> str:
    if previous.state in (State.TOO_FEW, State.NOBODY):
        return ""
    counts = (previous.episodes, previous.episodes_above, previous.episodes_without_gas_in_time)
    month = wording.month_in_words(previous.month)
    if counts[0] == 0:
        return f" (none in {month})"
    return f" ({month}: {counts[0]:,}, {counts[1]:,} and {counts[2]:,})"


def change_in_words(change: float | None, low: float | None, high: float | None) -> str:
    """The change of a share in percentage points with its interval; says so when that includes 0."""
    if change is None or low is None or high is None:
        return ""
    text = f"{wording.points(change)} points ({wording.points(low)} to {wording.points(high)})"
    return text if low > 0 or high < 0 else f"{text}, no clear change"


def trend_title(
    points: Sequence[tuple[str, float | None, float | None, float | None]],
    written: Callable[[float | None], str],
    month: str,
) -> str:
    """The answer of a twelve-month chart: its first and its last figure, and whether they clearly differ.

    points: month, value, low and high, oldest first; `month` is the last month asked for. Two months clearly differ
    when their 95 % intervals do not overlap.
    """
    known = [point for point in points if point[1] is not None]
    if not known:
        return "No figure in these twelve months"
    first, last = known[0], known[-1]
    if last[0] != month:
        return f"No figure for {wording.month_in_words(month)}"
    if first is last:
        return f"{written(last[1])} in {wording.month_in_words(month)}, with no earlier month to compare"
    ends = f"{written(first[1])} in {wording.month_in_words(first[0])}"
    if None in (first[2], first[3], last[2], last[3]):
        return f"{ends}, {written(last[1])} in {wording.month_in_words(month)}"
    if last[2] > first[3] or last[3] < first[2]:  # type: ignore[operator]
        went = "Rose" if last[2] > first[3] else "Fell"  # type: ignore[operator]
        return f"{went} from {ends} to {written(last[1])} in {wording.month_in_words(month)}"
    return f"No clear change: {ends}, {written(last[1])} in {wording.month_in_words(month)}"


def ward_title(what: str, apart: int, wards: int) -> str:
    """The answer of a chart by ward: how many wards' intervals lie clear of the hospital's figure."""
    if wards == 0:
        return f"{what}: too few patients in every ward to tell"
    if apart == 0:
        return f"{what}: no ward stands apart from the hospital's figure"
    verb = "stands" if apart == 1 else "stand"
    return f"{what}: {apart} of {wording.counted(wards, 'ward')} {verb} apart from the hospital's figure"
