"""The short way through the month's page: where it happened, what to do next, how far to trust it, where to look."""

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime

import duckdb
import polars as pl

from pipeline.measure_file import Measure
from pipeline.policy import Policy
from pipeline.where_pooled import where_pooled
from reports import next_steps, review_reasons, trust, where
from reports.bounds import Bounds
from reports.figures import State, group_figures
from reports.load_verdicts import Point
from reports.measures import result_shown
from reports.stays_to_review import stays_to_review
from reports.wards import ward_names

SUITED = "time_under_suited_target"
# What a link to a section is called.
LINK_NAMES: Mapping[str, str] = {
    "trend": "Month by month",
    "where": "Where it happened",
    "stays": "The list, for the audit team only",
    "measures": "All measures",
    "sensitivity": "Other ways of counting",
    "quality": "Data quality",
    "definitions": "Definitions",
    "cautions": "Cautions",
}


def short_way(
    con: duckdb.DuckDBPyConnection,
    month: str,
    span: tuple[datetime, datetime],
    zone: str,
    policy: Policy,
    absent: Collection[str],
    summary: pl.DataFrame,
    changes: pl.DataFrame,
    measured: pl.DataFrame,
    measures: Sequence[Measure],
    bounded: Sequence[Bounds],
    load: Sequence[Point],
    said: tuple[str, str],
) -> dict[str, object]:
    """The values of the page's sections from `where` to `stays`.

    span: start and end of the month in UTC. summary, measured: small counts suppressed. bounded: one per measure.
    said: the sentences on the evidence of CO2 retention, and on other ways of counting.
    """
    small = policy.small_count_below
    retainers, others = (group_figures(summary, changes, month, None, group, small) for group in ("retainer", "other"))
    places = where_pooled(con, month, "retainer", policy, _hidden_wards(summary, changes, month, small))
    review = [] if "devices" in absent else stays_to_review(con, month, *span, policy, absent)
    by_measure = {measure.id: one for measure, one in zip(measures, bounded, strict=True)}
    return {
        "where": where.section(places, retainers, small, absent, _suited(measures, measured, month, absent)),
        "next_steps": next_steps.steps(places, retainers, measures, measured, bool(review), small, absent),
        "trust": trust.points_of_trust(retainers, others, *said, by_measure, load),
        "review": review_reasons.entries(review, zone, policy.repeat_gas_minutes),
        "link_names": LINK_NAMES,
    }


def _hidden_wards(summary: pl.DataFrame, changes: pl.DataFrame, month: str, small: float) -> list[str]:
    """Wards whose CO2 retainers are not shown among the wards."""
    return [
        ward
        for ward in ward_names(summary, month)
        if group_figures(summary, changes, month, ward, "retainer", small).state is State.TOO_FEW
    ]


def _suited(measures: Sequence[Measure], measured: pl.DataFrame, month: str, absent: Collection[str]) -> str:
    """Whether CO2 retainers had a target that suits them, by the measure that asks just that; empty without it."""
    for measure in measures:
        if measure.id == SUITED and not set(measure.needs) & set(absent):
            rows = measured.filter(pl.col("measure_id") == measure.id)
            found = result_shown(measure, rows, month, None, "retainer")
            return f"{measure.title}: {found.why or f'{found.figure} ({found.interval})'}."
    return ""
