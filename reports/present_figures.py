"""Everything a presentation may show of one month, read from the measured tables with small counts already hidden."""

import math
from dataclasses import dataclass
from datetime import date

import duckdb
import polars as pl

from pipeline.catalogue import Measure, read_measures
from pipeline.declared_changes import NONE_DECLARED, DeclaredChanges, check_wards
from pipeline.policy import Policy
from pipeline.provenance import Provenance, provenance
from pipeline.rollup import suppress_small_counts
from pipeline.vocabulary import EVIDENCE
from reports import changes_made, load_verdicts, store_tables, wording
from reports.absent import absent_tables, left_empty
from reports.changes_made import ChangeMade
from reports.figures import GroupFigures, State, group_figures, pick
from reports.month_asked import chosen_month
from reports.present_disclosure import (
    Shown,
    Sides,
    enough_for_shares_of_events,
    is_small,
    may_count_events,
    of_events,
    sides,
    told_apart_by_few,
)
from reports.wards import ward_names

RETAINER, OTHER = "retainer", "other"
_AVOIDABLE, _RE_CHECKED = "avoidable_episodes", "repeat_gas_in_time"
_SMALL = "not shown: small numbers"
_NOBODY = Sides(0, 0, 0, 0.0, 0.0)


@dataclass(frozen=True)
class Episodes:
    """Episodes of high oxygen that began in a month; null where not shown. why: why there is no number at all."""

    month: str
    all: int | None = None
    avoidable: int | None = None
    without_gas: int | None = None
    why: str = ""


@dataclass(frozen=True)
class Step:
    """One step of the pathway: the share that met it, as a fraction with its interval, or why there is none."""

    measure: Measure
    value: float | None
    low: float | None
    high: float | None
    why: str


@dataclass(frozen=True)
class Presented:
    """The figures of all pages. groups: twelve months of each group, oldest first; wards: this month, all patients.

    until: the local day of the as-of; no time of day, since the as-of may be that of a single event. changes: what was
    declared up to this month, each with the shares before and after it, from months that may be shown alone.
    """

    month: str
    policy: Policy
    absent: tuple[str, ...]
    groups: dict[str, tuple[GroupFigures, ...]]
    hospital: GroupFigures
    wards: tuple[GroupFigures, ...]
    evidence: dict[str, int]
    episodes: tuple[Episodes, ...]
    steps: tuple[Step, ...]
    load_points: tuple[load_verdicts.Point, ...]
    made_from: Provenance
    until: date | None
    declared: DeclaredChanges
    changes: tuple[ChangeMade, ...]

    @property
    def months(self) -> list[str]:
        return wording.months_up_to(self.month)

    @property
    def most_hidden(self) -> int:
        """The largest count of patients that is hidden; 0: none is."""
        return math.ceil(self.policy.small_count_below) - 1

    def this_month(self, group: str) -> GroupFigures:
        """The figures of one group in the month presented."""
        return self.groups[group][-1]


def presented(
    con: duckdb.DuckDBPyConnection, asked: str | None, policy: Policy, declared: DeclaredChanges = NONE_DECLARED
) -> Presented:
    """The figures of the month asked for (null: the last complete one).

    Raises AuditError when the store holds no such month, or no complete one; ChangesError when a change names a ward
    that the store does not hold.
    """
    raw = store_tables.summaries(con)
    check_wards(declared, raw["ward"].drop_nulls().unique())
    zone, as_of = store_tables.zone(con), store_tables.as_of(con)
    month = chosen_month(asked, sorted(raw["month"].unique()), as_of, zone)
    months, small = wording.months_up_to(month), policy.small_count_below
    absent = absent_tables(con)
    summary = left_empty(suppress_small_counts(raw, policy), absent)
    changes = left_empty(store_tables.changes(con), absent)
    groups = {
        group: tuple(group_figures(summary, changes, each, None, group, small) for each in months)
        for group in (RETAINER, OTHER)
    }
    found = sides(con, months)
    declared = changes_made.up_to(declared, month)
    return Presented(
        month=month,
        policy=policy,
        absent=tuple(absent),
        groups=groups,
        hospital=group_figures(summary, changes, month, None, None, small),
        wards=tuple(
            group_figures(summary, changes, month, ward, None, small)
            for ward in (ward_names(summary, month) if "wards" not in absent else [])
        ),
        evidence=_evidence(con, groups[RETAINER][-1], policy),
        episodes=tuple(_episodes(figures, found, absent, policy) for figures in groups[RETAINER]),
        steps=tuple(_steps(con, month, [groups[group][-1] for group in groups], found, absent, policy)),
        load_points=tuple(load_verdicts.points(store_tables.verdicts(con))),
        made_from=provenance(con, policy.fingerprint),
        until=None if as_of is None else store_tables.local(as_of, zone).date(),
        declared=declared,
        changes=tuple(changes_made.changes_made(con, summary, month, small, declared)),
    )


def _evidence(con: duckdb.DuckDBPyConnection, retainers: GroupFigures, policy: Policy) -> dict[str, int]:
    """Retainers by their strongest evidence; empty when any of these counts is small, since their sum is shown."""
    if retainers.patients is None:
        return {}
    counts = store_tables.evidence_counts(con, retainers.month)
    if any(is_small(counts.get(kind, 0), policy) for kind in EVIDENCE):
        return {}
    return counts


def _episodes(
    retainers: GroupFigures, found: dict[tuple[str, str], Sides], absent: list[str], policy: Policy
) -> Episodes:
    month = retainers.month
    if "devices" in absent:
        return Episodes(month, why="no devices were loaded")
    if retainers.state is State.NOBODY:
        return Episodes(month, why="no patients")
    if retainers.patients is None:
        return Episodes(month, why="small numbers")
    if retainers.episodes == 0:
        return Episodes(month, 0, 0, None if "gases" in absent else 0)
    above, gas = (found.get((measure, month), _NOBODY) for measure in (_AVOIDABLE, _RE_CHECKED))
    # What the rows of the measure do not bear out is not shown.
    if above.denominator != retainers.episodes or not may_count_events(above, retainers.patients, policy):
        return Episodes(month, why="small numbers")
    avoidable = retainers.episodes_above if of_events(above, policy) is Shown.ALL else None
    told = "gases" not in absent and gas.denominator == retainers.episodes and of_events(gas, policy) is Shown.ALL
    return Episodes(month, retainers.episodes, avoidable, retainers.episodes_without_gas_in_time if told else None)


def _steps(
    con: duckdb.DuckDBPyConnection,
    month: str,
    groups: list[GroupFigures],
    found: dict[tuple[str, str], Sides],
    absent: list[str],
    policy: Policy,
) -> list[Step]:
    measured = suppress_small_counts(store_tables.measures(con), policy)
    patients = sum(figures.patients or 0 for figures in groups)
    apart = told_apart_by_few(con, month, policy)
    steps: list[Step] = []
    for measure in read_measures():
        if measure.part != "pathway" or measure.kind != "share":
            continue
        row = pick(measured.filter(pl.col("measure_id") == measure.id), month, None, None)
        why = _why_not(measure, row, found.get((measure.id, month), _NOBODY), patients, absent, policy)
        if not why and any(step.value is not None and (measure.id, step.measure.id) in apart for step in steps):
            why = _SMALL
        shown = {} if why or row is None else row
        steps.append(Step(measure, shown.get("result"), shown.get("low"), shown.get("high"), why))
    return steps


def _why_not(
    measure: Measure,
    row: dict[str, object] | None,
    found: Sides,
    patients: int,
    absent: list[str],
    policy: Policy,
) -> str:
    """Why a step has no figure; empty: it has one."""
    untold = [table for table in measure.needs if table in absent]
    if untold:
        return f"cannot be told: no {wording.listed_in_words(untold)} were loaded"
    if row is None or (not row["suppressed"] and row["result"] is None):
        return "nothing eligible"
    if row["suppressed"] or not enough_for_shares_of_events(patients, policy):
        return _SMALL
    if measure.of == "time":
        # A share of time gives no count away once it rests on enough patients.
        return _SMALL if is_small(found.patients, policy) else ""
    if found.denominator != row["denominator"]:
        return _SMALL
    said = of_events(found, policy)
    fewer = f"fewer than {wording.short_number(policy.small_count_below)} patients"
    return {
        Shown.ALL: "",
        Shown.FEW_WITH: f"met for {fewer}",
        Shown.FEW_WITHOUT: f"met for all but {fewer}",
        Shown.NOTHING: _SMALL,
    }[said]
