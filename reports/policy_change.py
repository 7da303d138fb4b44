"""What other thresholds would change: every headline and every measure of a month under two policies, side by side.

The same stays are judged twice, so a difference is no trend: intervals of the two figures say nothing about it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from pathlib import Path

import duckdb

from pipeline.errors import AuditError
from pipeline.measured_copy import measured_by
from pipeline.policy import Policy
from pipeline.provenance import Provenance, provenance
from reports import load_verdicts, page, policy_lines, store_tables, wording
from reports.absent import absent_tables, in_words
from reports.policy_lines import Block, Pair, Side
from reports.tried_measure import month_asked


@dataclass(frozen=True)
class ThresholdChange:
    """One threshold that differs, as the two policies have it."""

    name: str
    meaning: str
    unit: str
    present: str
    new: str
    present_source: str
    new_source: str


@dataclass(frozen=True)
class PolicyChange:
    """A month under two policies. measures: the blocks of a part of the report, by its title."""

    month: str
    answer: str
    thresholds: tuple[ThresholdChange, ...]
    headline: tuple[Block, ...]
    measures: Mapping[str, tuple[Block, ...]]
    untold: str
    banner: str
    as_of: datetime | None
    complete: bool
    present: Policy
    new: Policy
    made_from: Provenance


def compare_policies(
    path: Path, present: Policy, new: Policy, asked: str | None, tell: Callable[[str], None] = lambda _: None
) -> PolicyChange:
    """A month of the store at `path` under both policies; the store is only read, a copy is measured where need be.

    asked: YYYY-MM; null: the last complete month. Counts are hidden by the larger of the two small counts.
    Raises AuditError when the store holds no such month, and what `measured_by` raises.
    """
    with measured_by(path, present, tell) as store:
        con = store.connection
        side, month = _side(con), month_asked(con, asked)
        zone, as_of, absent = store_tables.zone(con), store_tables.as_of(con), absent_tables(con)
        banner = load_verdicts.banner(load_verdicts.points(store_tables.verdicts(con)))
        made_from = provenance(con, present.fingerprint)
    with measured_by(path, new, tell) as store:
        other = _side(store.connection)
    small = max(present.small_count_below, new.small_count_below)
    pair = Pair(side, other, month, replace(present, small_count_below=small), absent)
    end = store_tables.month_bounds(month, wording.month_before(month, -1), zone)[1]
    thresholds, headline, measures = _thresholds(present, new), policy_lines.headline(pair), policy_lines.measures(pair)
    return PolicyChange(
        month,
        _answer(thresholds, headline, measures),
        thresholds,
        headline,
        measures,
        in_words(absent),
        banner,
        None if as_of is None else store_tables.local(as_of, zone),
        as_of is not None and end <= as_of,
        present,
        new,
        made_from,
    )


def write_policy_change(change: PolicyChange, out: Path) -> Path:
    """Writes the comparison as one page into the folder `out` and returns its path; the same inputs, the same bytes."""
    values = {field.name: getattr(change, field.name) for field in fields(change)}
    path = out / f"policy-change-{change.month}-{change.new.fingerprint}.html"
    try:
        out.mkdir(parents=True, exist_ok=True)
        path.write_text(page.render("policy_change.html.j2", **values), encoding="utf-8", newline="\n")
    except OSError as error:
        raise AuditError(f"The page cannot be written: {error.strerror}. Give another folder with --out.") from error
    return path


def _side(con: duckdb.DuckDBPyConnection) -> Side:
    return Side(store_tables.summaries(con), store_tables.measures(con))


def _thresholds(present: Policy, new: Policy) -> tuple[ThresholdChange, ...]:
    return tuple(
        ThresholdChange(
            now.name,
            now.meaning,
            now.unit,
            wording.short_number(now.value),
            wording.short_number(then.value),
            now.source,
            then.source,
        )
        for now, then in zip(present.parameters, new.parameters, strict=True)
        if now.value != then.value
    )


def _answer(
    thresholds: Sequence[ThresholdChange], headline: Sequence[Block], measures: Mapping[str, Sequence[Block]]
) -> str:
    if not thresholds:
        return "No threshold differs from those in use, so nothing would change."
    figures = [line for block in headline for line in block.lines]
    blocks = [block for part in measures.values() for block in part]
    changed = sum(line.differs for line in figures), sum(block.differs for block in blocks)
    named = f"{wording.counted(len(thresholds), 'threshold')} would be another"
    if changed == (0, 0):
        return f"{named}, and no figure of this month would change by it."
    return (
        f"{named}: {changed[0]} of {len(figures)} headline figures and {changed[1]} of {len(blocks)} measures of this "
        "month would change by it."
    )
