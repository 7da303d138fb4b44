"""The figures of one group in one month, as the report shows them. Picked from measured tables, not computed."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from enum import StrEnum
from typing import Any

import polars as pl

from pipeline.vocabulary import OBSERVED_STATES
from reports import wording

_GIVEN = ("group", "ward", "month")
SHARES = ("share_below", "share_within", "share_above_on_oxygen")


class State(StrEnum):
    """Whether anything can be said about a group in a month."""

    SHOWN = "shown"
    NOBODY = "nobody"
    TOO_FEW = "too few"
    UNOBSERVED = "unobserved"


class Direction(StrEnum):
    """Which way a figure went, or that its interval includes no change."""

    UP = "up"
    DOWN = "down"
    UNCLEAR = "unclear"


@dataclass(frozen=True)
class Share:
    """A share of observed time as a fraction, with its 95 % interval and its change from the month before.

    Null: no observed time, or not shown because of small numbers.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    change: float | None = None
    change_low: float | None = None
    change_high: float | None = None

    @property
    def direction(self) -> Direction | None:
        """Up or down only when the interval of the change leaves 0 out; null without a change."""
        if self.change is None or self.change_low is None or self.change_high is None:
            return None
        if self.change_low > 0:
            return Direction.UP
        return Direction.DOWN if self.change_high < 0 else Direction.UNCLEAR


@dataclass(frozen=True)
class GroupFigures:
    """One group (retainer / other / null: all) of one ward (null: hospital-wide) in one month. Times in seconds."""

    group: str | None
    ward: str | None
    month: str
    state: State
    previous_state: State
    patients: int | None = None
    below: Share = Share()
    within: Share = Share()
    above_on_oxygen: Share = Share()
    observed_s: int = 0
    above_on_air_s: int = 0
    above_device_unknown_s: int = 0
    unobserved_s: int = 0
    unobserved_on_oxygen_s: int = 0
    unobserved_on_air_s: int = 0
    no_target_s: int = 0
    excluded_s: int = 0
    reading_share_within: float | None = None
    patient_share_within_median: float | None = None
    patient_share_within_q1: float | None = None
    patient_share_within_q3: float | None = None
    episodes: int = 0
    episodes_above: int = 0
    episodes_without_gas_in_time: int = 0

    @property
    def name(self) -> str:
        """The group in words."""
        return wording.GROUP_IN_WORDS[self.group]

    @property
    def previous_month(self) -> str:
        return wording.month_before(self.month)

    @property
    def under_target_s(self) -> int:
        """Time with a target in force: observed and unobserved together."""
        return self.observed_s + self.unobserved_s

    @property
    def audited_s(self) -> int:
        """All time but the excluded."""
        return self.under_target_s + self.no_target_s

    def of_target_time(self, seconds: int) -> float | None:
        """A length of time as a fraction of the time under a target; null without such time."""
        return seconds / self.under_target_s if self.under_target_s else None

    def of_observed_time(self, seconds: int) -> float | None:
        """A length of time as a fraction of the observed time under a target; null without such time."""
        return seconds / self.observed_s if self.observed_s else None

    @property
    def no_target_share(self) -> float | None:
        """Time without a target as a fraction of all audited time; null without such time."""
        return self.no_target_s / self.audited_s if self.audited_s else None


def pick(frame: pl.DataFrame, month: str, ward: str | None, group: str | None) -> dict[str, Any] | None:
    """The one row of a summary for this month, ward (null: all) and group (null: all), or null."""
    rows = frame.filter(
        (pl.col("month") == month)
        & pl.col("ward").eq_missing(pl.lit(ward, pl.String))
        & pl.col("group").eq_missing(pl.lit(group, pl.String))
    )
    return rows.row(0, named=True) if rows.height else None


def group_figures(
    summary: pl.DataFrame, changes: pl.DataFrame, month: str, ward: str | None, group: str | None, small: float
) -> GroupFigures:
    """The figures of one group from `month_summary` (small counts suppressed) and `month_changes`.

    A group that is not shown, now or in the month before, has no change either.
    """
    row = pick(summary, month, ward, group)
    before = pick(summary, wording.month_before(month), ward, group)
    state, previous_state = state_of(row, small), state_of(before, small)
    empty = GroupFigures(group, ward, month, state, previous_state)
    if row is None or state in (State.NOBODY, State.TOO_FEW):
        return empty
    change = pick(changes, month, ward, group) if previous_state is State.SHOWN else None
    kept = [field.name for field in fields(GroupFigures) if field.name in row and field.name not in _GIVEN]
    shares = {name.removeprefix("share_"): _share(row, change, name) for name in SHARES}
    values: dict[str, Any] = {name: row[name] for name in kept} | shares
    return replace(empty, observed_s=observed_seconds(row), **values)


def observed_seconds(row: Mapping[str, Any]) -> int:
    """Observed time under a target: below, within and the three aboves."""
    return sum(row[f"{state}_s"] or 0 for state in OBSERVED_STATES)


def state_of(row: Mapping[str, Any] | None, small: float) -> State:
    """Whether the row of a summary can be shown, and if not, why."""
    if row is None or row["patients"] == 0:
        return State.NOBODY
    if row["suppressed"] or row["patients"] is None or row["patients"] < small:
        return State.TOO_FEW
    if not observed_seconds(row):
        return State.UNOBSERVED
    # The shares rest on the patients who were observed, which may be few of many.
    return State.TOO_FEW if row["patients_observed"] < small else State.SHOWN


def _share(row: Mapping[str, Any], change: Mapping[str, Any] | None, name: str) -> Share:
    own = (row[name], row[f"{name}_low"], row[f"{name}_high"])
    if change is None:
        return Share(*own)
    return Share(*own, *(change[f"{name}_change{end}"] for end in ("", "_low", "_high")))
