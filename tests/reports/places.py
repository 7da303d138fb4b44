"""Rows of `where_pooled` said in a few numbers: hours below, within and above on oxygen, and what is else known."""

from typing import Any

import polars as pl

from reports.figures import GroupFigures, State

MONTH = "2026-06"


def place(
    dimension: str,
    value: str | None,
    hours: tuple[float, float, float],
    above_apart: tuple[float, float, float] | None = None,
    below_apart: tuple[float, float, float] | None = None,
    patients: int = 20,
    with_above: int = 20,
    with_below: int = 20,
    pooled: list[str] | None = None,
) -> dict[str, Any]:
    """One row. `_apart`: the difference from everywhere else as a fraction, with both ends of its interval."""
    below, within, above = (round(3600 * each) for each in hours)
    observed = below + within + above
    row: dict[str, Any] = {
        "dimension": dimension,
        "value": value,
        "pooled": pooled,
        "patients": patients,
        "patients_below": with_below,
        "patients_above_on_oxygen": with_above,
        "below_s": below,
        "within_s": within,
        "above_on_oxygen_s": above,
        "observed_s": observed,
    }
    for side, seconds, apart in (("below", below, below_apart), ("above_on_oxygen", above, above_apart)):
        share = seconds / observed
        row |= {f"share_{side}": share, f"share_{side}_low": share * 0.8, f"share_{side}_high": share * 1.2}
        for end, number in zip(("", "_low", "_high"), apart or (None, None, None), strict=True):
            row[f"{side}_from_rest{end}"] = number
    return row


def rows_of(*places: dict[str, Any]) -> pl.DataFrame:
    """The places, and for each dimension among them a row over all."""
    wholes = []
    for dimension in dict.fromkeys(row["dimension"] for row in places):
        parts = [row for row in places if row["dimension"] == dimension]
        hours = tuple(sum(row[name] for row in parts) / 3600 for name in ("below_s", "within_s", "above_on_oxygen_s"))
        wholes.append(place(dimension, None, hours))  # type: ignore[arg-type]
    return pl.DataFrame([*wholes, *places], infer_schema_length=None)


def retainers(state: State = State.SHOWN, **others: Any) -> GroupFigures:
    return GroupFigures("retainer", None, MONTH, state, State.SHOWN, **{"patients": 31, **others})
