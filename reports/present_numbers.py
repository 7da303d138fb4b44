"""Numbers as a presentation prints them and its charts hold them: nothing finer than is printed is handed out."""

import re
from collections.abc import Sequence

from reports import wording
from reports.figures import GroupFigures, Share, State
from reports.runs import Shift, shift

MOST_OF_A_NAME = 44
# What neither XML nor a spreadsheet can hold, and what would turn the direction of the words after it.
_UNPRINTABLE = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]|[\u202a-\u202e\u2066-\u2069]")


def shown(share: float | None) -> float | None:
    """A fraction as the number in per cent that `wording.percent` prints, for a chart.

    >>> shown(0.0912), shown(0.1712), shown(0.0002), shown(None)
    (9.1, 17.0, 0.0, None)
    """
    if share is None:
        return None
    value = 100 * share
    return round(value, 1) if 0 < value < 9.95 else float(round(value))


def like(share: float | None, beside: float | None) -> float | None:
    """An end of an interval in per cent, with the decimals of the share it belongs to."""
    if share is None or beside is None:
        return None
    value = 100 * share
    return round(value, 1) if 0 < 100 * beside < 9.95 else float(round(value))


def whole_percent(share: float | None) -> str:
    """A share of events as whole per cent; 0 and 100 are said only of none and of all.

    >>> whole_percent(0.003), whole_percent(0.16), whole_percent(0.998), whole_percent(1.0)
    ('<1\\xa0%', '16\\xa0%', '>99\\xa0%', '100\\xa0%')
    """
    if share is None:
        return wording.NOTHING
    value = round(100 * share)
    if value == 0 and share > 0:
        return f"<1{wording.NO_BREAK}%"
    if value == 100 and share < 1:
        return f">99{wording.NO_BREAK}%"
    return f"{value}{wording.NO_BREAK}%"


def whole_interval(low: float | None, high: float | None) -> str:
    """Both ends of an interval as whole per cent; empty without one."""
    if low is None or high is None:
        return ""
    return f"{round(100 * low)} to {round(100 * high)}{wording.NO_BREAK}%"


def interval(share: Share) -> str:
    """The 95 % interval of a share of time; empty without one."""
    return "" if share.low is None else wording.percent_interval(share.low, share.high, share.value)


def name(text: str, at_most: int = MOST_OF_A_NAME) -> str:
    """A name out of the data, of a length that fits and without characters that no file can hold."""
    clean = " ".join(_UNPRINTABLE.sub("\N{REPLACEMENT CHARACTER}", text).split())
    return clean if len(clean) <= at_most else clean[: at_most - 1].rstrip() + "\N{HORIZONTAL ELLIPSIS}"


def why_not_shown(figures: GroupFigures) -> str:
    """Why a group has no shares, in two or three words; empty: it has."""
    return {
        State.SHOWN: "",
        State.TOO_FEW: "small numbers",
        State.NOBODY: "no patients",
        State.UNOBSERVED: "nothing observed",
    }[figures.state]


def moved(values: Sequence[float | None]) -> str:
    """What a series of months did, as the end of a sentence that begins with what was measured. Values: fractions."""
    known = [value for value in values if value is not None]
    if not known:
        return "could not be told"
    found = shift(known)
    if found in (Shift.ROSE, Shift.FELL):
        half = len(known) // 2
        before, after = (wording.percent(_middle(part)) for part in (known[:half], known[-half:]))
        return f"{found.value} (median {before} to {after})"
    least, most = wording.percent(min(known)), wording.percent(max(known))
    spread = f"all {least}" if least == most else f"{least} to {most}"
    return {
        Shift.NONE: f"did not shift ({spread})",
        Shift.UNSTEADY: f"was unsteady ({spread})",
        Shift.TOO_SHORT: f"has too few months to tell ({spread})",
    }[found]


def _middle(values: Sequence[float]) -> float:
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2
