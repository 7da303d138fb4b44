"""The sides of a comparison as they may be shown: figures of the groups and of every measure, small counts hidden."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import duckdb
import polars as pl

from pipeline.comparison import Side, SideRows, by_site, read_rows
from pipeline.errors import AuditError, listed
from pipeline.measure_file import Measure
from pipeline.policy import Policy
from pipeline.provenance import Provenance, provenance
from pipeline.rollup import suppress_small_counts
from reports import load_verdicts, store_tables, wording
from reports.absent import absent_tables, left_empty
from reports.compare_asked import MONTH, SITE, STORE, WARD, Asked, shown_name
from reports.compare_disclosure import BAND, given_away_by_wards, hide, measures_shown
from reports.figures import SHARES, GroupFigures, Share, State, group_figures, pick
from reports.month_asked import MONTHS_NAMED, chosen_month
from reports.present_disclosure import Shown, enough_for_shares_of_events, of_events, sides
from reports.wards import ward_names

GROUPS = (None, "retainer", "other")
_SMALL = "not shown: small numbers"


@dataclass(frozen=True)
class Source:
    """One store: its name, its absent tables, where its data end (local), and what its figures were made from."""

    name: str
    con: duckdb.DuckDBPyConnection
    zone: str
    as_of: datetime | None
    absent: tuple[str, ...]
    made_from: Provenance
    banner: str
    loaded_by: tuple[str, ...]


@dataclass(frozen=True)
class Shows:
    """One side: its name, its store, its month and whether that is complete; its rows, and what of them is shown.

    groups: by group, null for all patients. measured: by measure, the row of `measure_summary`, `why` it has no figure
    (empty: it has).
    """

    name: str
    source: Source
    month: str
    complete: bool
    rows: SideRows
    groups: dict[str | None, GroupFigures]
    measured: dict[str, dict[str, Any]]


def source(name: str, con: duckdb.DuckDBPyConnection, policy: Policy) -> Source:
    """What is known of a measured store as a whole."""
    zone, as_of = store_tables.zone(con), store_tables.as_of(con)
    tools = con.execute("select distinct tool_version from load_ledger order by tool_version").fetchall()
    return Source(
        name,
        con,
        zone,
        None if as_of is None else store_tables.local(as_of, zone),
        tuple(absent_tables(con)),
        provenance(con, policy.fingerprint),
        load_verdicts.banner(load_verdicts.points(store_tables.verdicts(con))),
        tuple(tool for (tool,) in tools),
    )


def the_sides(
    sources: Sequence[Source], asked: Asked, month: str | None, measures: Sequence[Measure], policy: Policy
) -> list[Shows]:
    """The sides in the order asked for; of stores the one of --store first.

    Raises AuditError when a store does not hold the month, or the month does not hold the ward or site.
    """
    months = asked.names if asked.kind == MONTH else (_month_of_all(sources, month),)
    for each in months:
        for one in sources:
            _check_month(one, each, "--compare" if asked.kind == MONTH else "--month")
    if asked.kind == SITE:
        return _sites(sources[0], asked.names, months[0], measures, policy)
    found = []
    for one in sources:
        band = _band(one.con, months, policy)
        measured = measures_shown(one.con, months, measures, policy)
        if asked.kind == WARD:
            _check_there(asked, ward_names(band, months[0]), months[0])
        for each in months:
            for ward in asked.names if asked.kind == WARD else (None,):
                name = {MONTH: wording.month_in_words(each), STORE: one.name}.get(asked.kind, str(ward))
                side = Side(one.name, one.con, each, ward)
                found.append(_shows(name, one, side, band, measured, measures, policy))
    return found


def _sites(one: Source, names: Sequence[str], month: str, measures: Sequence[Measure], policy: Policy) -> list[Shows]:
    by_ward = _band(one.con, (month,), policy), measures_shown(one.con, (month,), measures, policy)
    unsafe = given_away_by_wards(one.con, month, measures, *by_ward, policy)
    with by_site(one.con, month, measures) as sites:
        band, measured = _band(sites, (month,), policy), measures_shown(sites, (month,), measures, policy)
        _check_there(Asked(SITE, tuple(names)), ward_names(band, month), month)
        groups = {group for measure, group in unsafe if measure == BAND}
        # One group is what is left of all when the other is known.
        split = pl.col("group").is_not_null() & bool(groups - {None})
        band = hide(band, pl.col("ward").is_not_null() & (split | (None in groups)))
        named = [measure for measure, group in unsafe if group is None]
        measured = hide(measured, pl.col("ward").is_not_null() & pl.col("measure_id").is_in(named))
        return [
            _shows(name, one, Side(one.name, sites, month, name), band, measured, measures, policy) for name in names
        ]


def _band(con: duckdb.DuckDBPyConnection, months: Sequence[str], policy: Policy) -> pl.DataFrame:
    rows = store_tables.summaries(con).filter(pl.col("month").is_in(list(months)))
    return suppress_small_counts(rows, policy)


def _shows(
    name: str,
    one: Source,
    side: Side,
    band: pl.DataFrame,
    measured: pl.DataFrame,
    measures: Sequence[Measure],
    policy: Policy,
) -> Shows:
    band, small = left_empty(band, one.absent), policy.small_count_below
    end = store_tables.month_bounds(side.month, wording.month_before(side.month, -1), one.zone)[1]
    groups = {group: group_figures(band, band.clear(), side.month, side.ward, group, small) for group in GROUPS}
    words = _in_words(side, policy) if side.ward is None else {}
    return Shows(
        name,
        one,
        side.month,
        one.as_of is not None and store_tables.local(end, one.zone) <= one.as_of,
        read_rows(side),
        groups,
        {
            measure.id: _measured(measure, side, measured, groups[None], one.absent, words, policy)
            for measure in measures
        },
    )


def _in_words(side: Side, policy: Policy) -> dict[str, str]:
    """What may be said of the shares of events of a whole store whose figures are hidden, by measure."""
    fewer = f"fewer than {wording.short_number(policy.small_count_below)} patients"
    words = {Shown.FEW_WITH: f"so for {fewer}", Shown.FEW_WITHOUT: f"so for all but {fewer}"}
    return {
        measure: words[said]
        for (measure, _), found in sides(side.con, [side.month]).items()
        if (said := of_events(found, policy)) in words
    }


def _measured(
    measure: Measure,
    side: Side,
    measured: pl.DataFrame,
    everybody: GroupFigures,
    absent: Sequence[str],
    words: Mapping[str, str],
    policy: Policy,
) -> dict[str, Any]:
    row = pick(measured.filter(pl.col("measure_id") == measure.id), side.month, side.ward, None)
    row = _as_in_the_headline(measure, row, everybody)
    events = measure.kind == "rate" or (measure.kind == "share" and measure.of == "events")
    untold = [table for table in measure.needs if table in absent]
    if untold:
        why = f"no {wording.listed_in_words(untold)} were loaded"
    elif row is None:
        why = "nobody eligible"
    elif events and not enough_for_shares_of_events(everybody.patients or 0, policy):
        why = _SMALL
    elif row["suppressed"]:
        why = words.get(measure.id, _SMALL) if measure.kind == "share" and measure.of == "events" else _SMALL
    elif row["result"] is None:
        why = "not reached: for half or more it had not come" if row["events"] else "nothing eligible"
    else:
        return row | {"why": ""}
    return {"result": None, "low": None, "high": None, "why": why}


def _as_in_the_headline(measure: Measure, row: dict[str, Any] | None, everybody: GroupFigures) -> dict[str, Any] | None:
    """The row of a measure; of the three shares of the band as the page has them already, with the same interval."""
    if row is None or measure.id not in SHARES:
        return row
    share: Share = getattr(everybody, measure.id.removeprefix("share_"))
    ends = {"result": share.value, "low": share.low, "high": share.high}
    return row | ends | {"suppressed": everybody.state is not State.SHOWN}


def _check_there(asked: Asked, there: Sequence[str], month: str) -> None:
    missing = [name for name in asked.names if name not in there]
    if missing:
        raise AuditError(
            f"Nobody was in {listed([shown_name(name) for name in missing])} in {wording.month_in_words(month)}. "
            f"{asked.kind.capitalize()}s with patients in that month: "
            f"{listed([shown_name(name) for name in there], MONTHS_NAMED) or 'none'}. "
            "Name two of them, or another --month."
        )


def _months(one: Source) -> list[str]:
    return sorted(store_tables.summaries(one.con)["month"].unique())


def _check_month(one: Source, month: str, option: str) -> None:
    months = _months(one)
    if month not in months:
        raise AuditError(
            f"The month {shown_name(month)} given with {option} is not in the store {one.name}. "
            f"Months in it: {listed(months[::-1], MONTHS_NAMED) or 'none'}. Give one of them."
        )


def _month_of_all(sources: Sequence[Source], asked: str | None) -> str:
    """The month asked for, or the last one that is complete in every store."""
    if asked is not None:
        return asked
    months = sorted(set.intersection(*(set(_months(one)) for one in sources)))
    if not months and len(sources) > 1:
        raise AuditError(
            "The stores have no month in common. "
            + " ".join(f"{one.name}: {listed(_months(one)[::-1], MONTHS_NAMED) or 'none'}." for one in sources)
            + " Load extracts of the same month into each."
        )
    return min(chosen_month(None, months, store_tables.as_of(one.con), one.zone) for one in sources)
