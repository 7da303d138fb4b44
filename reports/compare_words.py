"""The sentences that a comparison allows: what differs by more than chance makes, in which direction, and no more.

Nothing here says better or worse, nor why: different patients and different charting may be the whole of it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isnan

from pipeline.before_after import Difference
from reports import sentences, wording
from reports.compare_sides import Shows
from reports.figures import GroupFigures, State
from reports.sentences import Finding

NO_DIFFERENCE = "no difference that could not be chance"
# Of so many intervals of 95 % one leaves no difference out although there is none.
_ONE_IN = 20
_SHARES = {"below": "below the band", "within": "inside the band", "above_on_oxygen": "above the band on oxygen"}


@dataclass(frozen=True)
class Told:
    """A difference as it is shown: the figure, its interval, and what both say; empty where there is none.

    is_clear: the interval leaves no difference out.
    """

    change: str = ""
    interval: str = ""
    verdict: str = ""
    is_clear: bool = False

    @property
    def figure(self) -> str:
        """The figure with its interval."""
        return f"{self.change} ({self.interval})" if self.interval else self.change


NOT_TOLD = Told()


def of_share(found: Difference, second: str) -> Told:
    """A difference of shares in percentage points. second: the name of the side that is higher when it is above 0."""
    if isnan(found.change):
        return NOT_TOLD
    figure = f"{wording.points(found.change)} points"
    if isnan(found.low):
        return Told(figure, "", "no interval: too few patients")
    ends = f"{wording.points_end(found.low)} to {wording.points_end(found.high)}"
    return Told(figure, ends, _verdict(found, second), found.clear)


def of_number(found: Difference, second: str) -> Told:
    """A difference of rates, medians or other numbers, in their own unit."""
    if isnan(found.change):
        return NOT_TOLD
    decimals = 0 if abs(found.change) >= 100 else 1 if abs(found.change) >= 1 else 2
    figure = _signed(found.change, decimals)
    if isnan(found.low):
        return Told(figure, "", "no interval: too few patients, or not reached")
    ends = f"{_end(found.low, decimals)} to {_end(found.high, decimals)}"
    return Told(figure, ends, _verdict(found, second), found.clear)


def _verdict(found: Difference, second: str) -> str:
    if found.clear:
        return f"{'higher' if found.change > 0 else 'lower'} in {second}"
    return "the same on both sides" if found.low == found.high == 0 else NO_DIFFERENCE


def _signed(value: float, decimals: int) -> str:
    text = wording.number(value, decimals)
    if float(text.replace(wording.MINUS, "-").replace(",", "")) == 0:
        return text.lstrip(wording.MINUS)
    return text if value < 0 else f"+{text}"


def _end(value: float, decimals: int) -> str:
    text = _signed(value, decimals)
    rounds_to_nothing = float(text.replace(wording.MINUS, "-").replace(",", "")) == 0
    if value == 0 or not rounds_to_nothing:
        return text
    return "just under 0" if value < 0 else "just over 0"


def band_findings(
    first: Shows, second: Shows, found: Mapping[str | None, Mapping[str, Difference] | None]
) -> list[Finding]:
    """One finding for each group; one for both, where neither retainers nor everybody else can be compared."""
    if found["retainer"] is None and found["other"] is None:
        whys = dict.fromkeys(why for group in ("retainer", "other") for why in _whys(first, second, group))
        together = Finding("CO2 retainers and everybody else apart: cannot be compared.", f"{'; '.join(whys)}.")
        return [together, *(band_finding(first, second, group, found[group]) for group in found if group is None)]
    return [band_finding(first, second, group, known) for group, known in found.items()]


def _whys(first: Shows, second: Shows, group: str | None) -> list[str]:
    return [f"{side.name}: {why}" for side in (first, second) if (why := sentences.why_nothing(side.groups[group]))]


def band_finding(
    first: Shows, second: Shows, group: str | None, differences: Mapping[str, Difference] | None
) -> Finding:
    """Which of below, within and above differ for one group. differences: null where a side has no figures."""
    name = wording.sentence_case(wording.GROUP_IN_WORDS[group])
    if differences is None:
        return Finding(f"{name}: cannot be compared.", f"{'; '.join(_whys(first, second, group))}.")
    known = {
        share: differences[share] for share in _SHARES if share in differences and not isnan(differences[share].low)
    }
    clear = {share: found for share, found in known.items() if found.clear}
    if not clear:
        return Finding(f"{name}: {NO_DIFFERENCE}." if known else f"{name}: too few patients to tell.", _still(known))
    more = [f"{'more' if found.change > 0 else 'less'} time {_SHARES[share]}" for share, found in clear.items()]
    figures = [f"{_SHARES[share]} {of_share(found, '').figure}" for share, found in clear.items()]
    ways = {share: found.change > 0 for share, found in clear.items()}
    traded = ways.get("below") is not None and ways.get("above_on_oxygen") is (not ways["below"])
    return Finding(
        f"{name}: {wording.listed_in_words(more)} in {second.name} than in {first.name}.",
        wording.sentence_case(f"{'; '.join(figures)}.")
        + (" Less of the one with more of the other is no improvement." if traded else ""),
    )


def _still(known: Mapping[str, Difference]) -> str:
    """What the intervals leave open, so that nothing found is not read as nothing there."""
    within = known.get("within")
    if within is None or within.low == within.high:
        return ""
    ends = f"{wording.points_end(within.low)} to {wording.points_end(within.high)}"
    return f"Inside the band the true difference may be anything from {ends} percentage points."


def coverage_finding(first: Shows, second: Shows, differences: Mapping[str, Difference] | None) -> Finding | None:
    """Whether the two sides were seen equally well, over all patients; null where a side has no figures."""
    if differences is None:
        return None
    unseen, untargeted, readings = (differences[name] for name in ("unobserved", "no_target", "readings_a_day"))
    parts = [
        f"not observed {_both(unseen)} of the time under a target",
        f"no target {_both(untargeted)} of the audited time",
        f"{wording.number(readings.before, 1)} and {wording.number(readings.after, 1)} readings a day",
    ]
    rest = wording.sentence_case(f"{'; '.join(parts)} ({first.name}, {second.name}).")
    if any(found.clear for found in (unseen, untargeted, readings)):
        return Finding("What could be seen differs as well.", f"{rest} Part of any difference may be that.")
    return Finding(f"What could be seen: {NO_DIFFERENCE}.", rest)


def _both(found: Difference) -> str:
    return f"{wording.percent(_known(found.before))} and {wording.percent(_known(found.after))}"


def _known(value: float) -> float | None:
    return None if isnan(value) else value


def chance_finding(clear: int, compared: int) -> Finding:
    """How many measures differ, beside how many would by chance alone."""
    if not compared:
        return Finding("No measure can be compared.", "On one side or both there are too few patients.")
    expected = round(compared / _ONE_IN)
    about = "none or one" if expected == 0 else f"about {expected}"
    verb = "differs" if clear == 1 else "differ"
    return Finding(
        f"{clear or 'None'} of {wording.counted(compared, 'measure')} {verb} by more than chance usually makes.",
        f"If nothing at all differed, {about} of {compared} would still seem to.",
    )


def remarks(sides: Sequence[Shows]) -> list[str]:
    """What sets the sides apart before any figure: months not complete, tables never loaded, other zones."""
    told = []
    for side in sides:
        if not side.complete:
            month = wording.month_in_words(side.month)
            told.append(f"{side.name}: {month} is not complete, the data end at {wording.day(side.source.as_of)}.")
    for name, absent in {side.source.name: side.source.absent for side in sides}.items():
        if absent:
            where = f"{name}: no" if len({side.source.name for side in sides}) > 1 else "No"
            told.append(
                f"{where} {wording.listed_in_words(list(absent))} were loaded; what needs them is not compared."
            )
    zones = {side.source.name: side.source.zone for side in sides}
    if len(set(zones.values())) > 1:
        each = ", ".join(f"{name} in {zone}" for name, zone in zones.items())
        told.append(f"The stores keep different time zones, and each its own calendar months: {each}.")
    return told


def can_compare(first: GroupFigures, second: GroupFigures) -> bool:
    """Whether both sides have shares of the band that may be shown."""
    return first.state is State.SHOWN and second.state is State.SHOWN
