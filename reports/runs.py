"""Whether a short series holds a shift, in one word. It judges figures shown; it computes no measure."""

from collections.abc import Sequence
from enum import StrEnum

from pipeline import run_rules
from pipeline.run_rules import FEWEST_POINTS


class Shift(StrEnum):
    """What a run chart says of its series."""

    ROSE = "rose"
    FELL = "fell"
    UNSTEADY = "unsteady"
    NONE = "none"
    TOO_SHORT = "too short"


def shift(values: Sequence[float]) -> Shift:
    """The shift in a series of months, oldest first, by the rules of runs (see `pipeline/run_rules.py`).

    It rose or fell when most of its first half lies on one side of the median and most of its last half on the other.
    """
    judged = run_rules.verdict(values)
    if judged.too_few:
        return Shift.TOO_SHORT if len(values) < FEWEST_POINTS else Shift.NONE
    return Shift.NONE if judged.direction is None else Shift(judged.direction.value)
