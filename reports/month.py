"""The report of one month: reads the measured tables, words them, and writes one page."""

from collections.abc import Collection
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.catalogue import read_measures
from pipeline.declared_changes import NONE_DECLARED, DeclaredChanges, check_wards
from pipeline.policy import Policy
from pipeline.provenance import provenance
from pipeline.rollup import suppress_small_counts
from reports import (
    bounds,
    changes_made,
    definitions,
    episodes,
    first_screen,
    funnels,
    literature,
    load_verdicts,
    measures,
    page,
    quality,
    retention,
    sensitivity,
    sentences,
    store_tables,
    trend,
    unseen,
    wards,
    wording,
)
from reports.absent import absent_tables, in_words, left_empty
from reports.figures import group_figures
from reports.month_asked import chosen_month
from reports.month_path import short_way


def write_month_report(
    con: duckdb.DuckDBPyConnection,
    out: Path,
    month: str | None,
    policy: Policy,
    declared: DeclaredChanges = NONE_DECLARED,
) -> Path:
    """Writes `oxygen-audit-YYYY-MM.html` into the folder `out` and returns its path.

    con: a store that has been measured; it is only read. month: YYYY-MM in the store's zone; null: the last complete
    calendar month. declared: what was changed on the wards, and when. The same store, month, policy and changes
    give the same bytes.
    Raises AuditError when the store holds no such month, or no complete one; ChangesError when a change names a ward
    that the store does not hold.
    """
    values = _values(con, month, policy, declared)
    out.mkdir(parents=True, exist_ok=True)
    path = out / f"oxygen-audit-{values['month']}.html"
    path.write_text(page.render("month.html.j2", **values), encoding="utf-8", newline="\n")
    return path


def _values(
    con: duckdb.DuckDBPyConnection, asked: str | None, policy: Policy, declared: DeclaredChanges
) -> dict[str, object]:
    zone = store_tables.zone(con)
    as_of = store_tables.as_of(con)
    raw = store_tables.summaries(con)
    month = chosen_month(asked, sorted(raw["month"].unique()), as_of, zone)
    start, end = store_tables.month_bounds(month, wording.month_before(month, -1), zone)
    check_wards(declared, raw["ward"].drop_nulls().unique())
    declared = changes_made.up_to(declared, month)
    absent = absent_tables(con)
    summary = left_empty(suppress_small_counts(raw, policy), absent)
    changes = left_empty(store_tables.changes(con), absent)
    measured = suppress_small_counts(store_tables.measures(con), policy)
    found = store_tables.episodes(con, start, end, zone)
    catalogue, points = read_measures(), load_verdicts.points(store_tables.verdicts(con))
    bounded = bounds.bounds(catalogue, measured, summary, store_tables.unknown(con, month), found, month)
    first_screen_values = _first_screen(con, summary, changes, month, policy, absent)
    other_ways = _other_ways(con, summary, changes, month, policy, absent)
    said = (str(first_screen_values["evidence"]), other_ways["sensitivity"].answer)
    return {
        "banner": load_verdicts.banner(points),
        "month": month,
        "previous": wording.month_before(month),
        "zone": zone,
        "as_of": None if as_of is None else store_tables.local(as_of, zone),
        "complete": as_of is not None and end <= as_of,
        "policy": policy,
        "untold": in_words(absent),
        **first_screen_values,
        **_tables(con, summary, changes, month, policy, zone, absent),
        **other_ways,
        **short_way(
            con,
            month,
            (start, end),
            zone,
            policy,
            absent,
            summary,
            changes,
            measured,
            catalogue,
            bounded,
            points,
            said,
        ),
        "made_from": provenance(con, policy.fingerprint),
        "case_lists": episodes.case_lists(found),
        "parts": measures.parts(measures.sections(con, catalogue, measured, month, absent, declared)),
        "trend": trend.questions(summary, changes, month, policy.small_count_below, declared),
        "changes_made": changes_made.changes_made(con, summary, month, policy.small_count_below, declared),
        "declared": declared,
        "funnels": funnels.funnels(con, catalogue, measured, month, absent),
        "load_points": points,
        "bounds": bounded,
        "thresholds": definitions.thresholds(policy),
        "devices": definitions.devices(policy),
    }


def _first_screen(
    con: duckdb.DuckDBPyConnection,
    summary: pl.DataFrame,
    changes: pl.DataFrame,
    month: str,
    policy: Policy,
    absent: Collection[str],
) -> dict[str, object]:
    small, gas_minutes = policy.small_count_below, policy.repeat_gas_minutes
    retainers, others = (group_figures(summary, changes, month, None, group, small) for group in ("retainer", "other"))
    before = group_figures(summary, changes, wording.month_before(month), None, "retainer", small)
    shown = retainers.patients is not None
    evidence = store_tables.evidence_counts(con, month) if shown else {}
    groups = [first_screen.row_of(figures, drawn=True) for figures in (retainers, others)]
    return {
        "compared": any(cell.change for group in groups for cell in group.cells),
        "headline": sentences.headline(retainers, others, before, gas_minutes, absent),
        "groups": groups,
        "episode_counts": first_screen.episode_counts(retainers, before, gas_minutes, absent),
        "evidence": first_screen.evidence_in_words(evidence, small),
    }


def _tables(
    con: duckdb.DuckDBPyConnection,
    summary: pl.DataFrame,
    changes: pl.DataFrame,
    month: str,
    policy: Policy,
    zone: str,
    absent: Collection[str],
) -> dict[str, object]:
    small = policy.small_count_below
    ward_charts, ward_groups = wards.by_ward(summary, changes, month, small)
    ledger = store_tables.ledger(con, zone)
    kept, reasons = quality.kept_aside(store_tables.rejected(con, quality.EXAMPLES))
    return {
        "ward_charts": ward_charts,
        "ward_groups": ward_groups,
        "rows_read": quality.rows_read(ledger),
        "ledger": ledger.rows(named=True),
        "times_ambiguous": int(ledger["times_ambiguous"].sum()),
        "kept": kept,
        "load_notes": store_tables.notes(con),
        "distances": retention.distances(store_tables.distances(con, month), small, "devices" not in absent),
        "effects": retention.effects(store_tables.of_month(con, "oxygen_change_effects", month), small),
        "excess": retention.excess(store_tables.of_month(con, "excess_totals", month), small),
        "estimates": retention.estimates_in_words(
            store_tables.episodes_by_estimate(con, month), policy.high_fio2_above
        ),
        "absent": absent,
        "reasons": reasons,
        "unseen": unseen.by_month(summary, changes, month, small),
        "unseen_grids": unseen.by_ward(summary, changes, month, small),
    }


def _other_ways(
    con: duckdb.DuckDBPyConnection,
    summary: pl.DataFrame,
    changes: pl.DataFrame,
    month: str,
    policy: Policy,
    absent: Collection[str],
) -> dict[str, Any]:
    now, before = (store_tables.of_month(con, "sensitivity", each) for each in (month, wording.month_before(month)))
    groups = [
        group_figures(summary, changes, month, None, group, policy.small_count_below) for group in ("retainer", "other")
    ]
    return {
        "sensitivity": sensitivity.section(now, before, groups, policy, absent),
        "literature": literature.blocks(store_tables.of_month(con, "published_definitions", month), policy, absent),
    }
