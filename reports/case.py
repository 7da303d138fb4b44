"""The case review: one stay on one page, for a team that discusses it."""

import hashlib
import re
from pathlib import Path

import duckdb

from pipeline.errors import AuditError
from pipeline.pathway.steps import STEPS
from pipeline.policy import Policy
from pipeline.provenance import provenance
from pipeline.store import owner_only
from reports import case_charted, case_summary, case_tables, definitions, load_verdicts, page, store_tables
from reports.absent import absent_tables, in_words
from reports.case_axis import clock
from reports.case_chart import stay_chart
from reports.case_record import Record, read_record

_SAFE_NAME = re.compile(r"[A-Za-z0-9_-]{1,64}")


def write_case(con: duckdb.DuckDBPyConnection, out: Path, stay: str, policy: Policy) -> Path:
    """Writes the page of one stay into the folder `out`, readable by its owner only, and returns its path.

    con: a store that has been measured; it is only read. stay: its stay_id. The same store, stay and policy give the
    same bytes. Raises AuditError when the store holds no such stay, or `out` cannot be written; no message has a key.
    """
    text = page.render("case.html.j2", **_values(con, read_record(con, stay), policy))
    path = out / file_name(stay)
    try:
        with owner_only():
            out.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise AuditError(f"The page cannot be written: {error.strerror}. Give another folder with --out.") from error
    return path


def file_name(stay: str) -> str:
    """The name of the page: from the key where it is plain, else from a hash of it.

    >>> file_name("S01459")
    'case-S01459.html'
    """
    safe = stay if _SAFE_NAME.fullmatch(stay) else hashlib.sha256(stay.encode()).hexdigest()[:16]
    return f"case-{safe}.html"


def _values(con: duckdb.DuckDBPyConnection, record: Record, policy: Policy) -> dict[str, object]:
    absent, as_of = absent_tables(con), store_tables.as_of(con)
    present = set(record.frames["pathway_steps"]["step"])
    return {
        "banner": load_verdicts.banner(load_verdicts.points(store_tables.verdicts(con))),
        "stay": record.key,
        "zone": record.zone,
        "as_of": None if as_of is None else store_tables.local(as_of, record.zone),
        "untold": in_words(absent),
        "facts": case_summary.facts(record, policy, absent),
        "chart": stay_chart(record, policy),
        "tables": case_tables.tables(record, policy, absent),
        "charted": case_charted.tables(record, absent),
        "steps": [step for step in STEPS.values() if step.id in present],
        "policy": policy,
        "thresholds": definitions.thresholds(policy),
        "devices": definitions.devices(policy),
        "made_from": provenance(con, policy.fingerprint),
        "started": clock(record.started_at, record.zone),
    }
