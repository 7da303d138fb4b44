"""Writes the tables of a measured store as CSV and Parquet files.

A spreadsheet that opens a CSV file runs text as a formula when it looks like one, whoever wrote it. Text in the CSV
files is therefore written so that it does not (`safe_in_spreadsheets`); Parquet holds it as it stands in the store.
"""

from collections.abc import Iterable
from pathlib import Path

import duckdb

from pipeline.errors import AuditError
from pipeline.measure_file import Measure
from pipeline.provenance import Provenance, provenance

FORMATS = ("csv", "parquet")
# Table: the columns it is sorted by, so that the same store gives the same bytes.
_EXPORTED = {
    "timeline": "stay_id, started_at",
    "stay_band_time": "stay_id, month, ward, lower_percent, upper_percent, retainer",
    "high_fio2_episodes": "stay_id, started_at",
    "episode_estimates": "estimate, stay_id, started_at",
    "retainers": "stay_id",
    "gas_findings": "stay_id, taken_at",
    "oxygen_changes": "stay_id, changed_at",
    "oxygen_change_effects": "month, direction",
    "valve_stretches": "stay_id, started_at",
    "excess_runs": "stay_id, started_at",
    "excess_totals": 'month, "group"',
    "where_it_happened": "stay_id, month, dimension, value",
    "pathway_steps": "stay_id, step, started_at",
    "band_distance": "stay_id, month, ward",
    "policy_values": "name",
    "published_definitions": 'month, "group", definition, part',
    "sensitivity": 'month, "group", choice, place',
    "month_summary": 'month, ward, "group"',
    "measure_summary": 'measure_id, month, ward, "group"',
    "rejected_rows": "load_no, table_name, file_name, row_number",
    "load_ledger": "load_no, table_name, file_name",
    "load_verdicts": "load_no, contract, subject",
    "load_notes": "load_no, sentence",
}
# Columns of a table that is not written whole.
_COLUMNS = {"load_ledger": "* exclude (loaded_at)"}
# What makes a spreadsheet take a cell for a formula when it begins with it: `=`, `+`, `-`, `@`, their full-width forms,
# tab, carriage return and line feed (OWASP, "CSV Injection"; the full-width forms: OWASP Web Security Testing Guide,
# "Testing for CSV Injection"), and the null character (OWASP ASVS 5.0, requirement 1.2.10).
_FORMULA = r"[=+\-@\x{FF1D}\x{FF0B}\x{FF0D}\x{FF20}]"
_BLANK = r"[\t\r\n\x00]"
# The same sources: a separator inside the text begins a new cell where the spreadsheet splits at it. Commas do not,
# since such text is quoted, but with other settings semicolons and tabs do, and line ends as well.
_CELL_BEGINS = r"(^|[;\t\r\n])"
# Quotation marks, as SQL writes them inside a text.
_MARKS = """["'']*"""
# Written as JSON, whose readers turn an escape back, so that nothing needs to be undone there.
_JSON_COLUMNS = ("cells",)


def export_tables(
    connection: duckdb.DuckDBPyConnection, folder: Path, measures: Iterable[Measure], formats: Iterable[str] = FORMATS
) -> list[Path]:
    """Writes one file per table and format into `folder` (made if need be) and returns their paths.

    Tables: those of the store, `measure_<id>` with the rows each measure file returned, and `provenance`, what all of
    them were made from; each Parquet file carries that as well, as its key-value metadata. Times are UTC: in CSV as
    ISO 8601 with `Z`, in Parquet as time stamps with zone UTC. Text is as in the store in Parquet, and as
    `safe_in_spreadsheets` says in CSV. The same inputs, policy and tool give the same bytes: `loaded_at`, the only time
    of day, stays in the store. Raises AuditError when the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise AuditError(f"The folder {folder} cannot be made: {error.strerror}. Give another with --out.") from error
    made_from = provenance(connection)
    connection.register("made_from", made_from.rows())
    queries = {name: (f"select {_COLUMNS.get(name, '*')} from {name}", order) for name, order in _EXPORTED.items()}
    queries["provenance"] = ("select * from made_from", "what, name, value")
    for measure in measures:
        query = f"select * exclude (measure_id, patient_key) from measure_rows where measure_id = '{measure.id}'"
        queries[f"measure_{measure.id}"] = (query, "all")
    return [
        _write(connection, query, order, folder / f"{name}.{form}", form, made_from)
        for name, (query, order) in queries.items()
        for form in formats
    ]


def _write(
    connection: duckdb.DuckDBPyConnection, query: str, order: str, path: Path, form: str, made_from: Provenance
) -> Path:
    types = {name: kind for name, kind, *_ in connection.execute(f"describe {query}").fetchall()}
    columns = ", ".join(_as_written(name, kind, form) for name, kind in types.items())
    facts = ", ".join(f"{name}: {_literal(value)}" for name, value in made_from.in_short().items())
    parquet = f"format parquet, compression zstd, kv_metadata {{{facts}}}"
    options = "format csv, header" if form == "csv" else parquet
    try:
        connection.execute(
            f"copy (select {columns} from ({query}) order by {order}) to {_literal(str(path))} ({options})"
        )
    except duckdb.IOException as error:
        raise AuditError(
            f"The file {path} cannot be written (no permission, or the disk is full). "
            "Files written before it are complete. Make room or give another folder with --out."
        ) from error
    return path


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _as_written(name: str, kind: str, form: str) -> str:
    column = f'"{name}"'
    if kind == "TIMESTAMP":
        as_text, as_instant = f"strftime({column}, '%Y-%m-%dT%H:%M:%SZ')", f"{column} at time zone 'UTC'"
        return f"{as_text if form == 'csv' else as_instant} as {column}"
    if kind == "VARCHAR" and form == "csv":
        # In JSON a semicolon stands only inside text.
        safe = rf"replace({column}, ';', '\u003b')" if name in _JSON_COLUMNS else safe_in_spreadsheets(column)
        return f"{safe} as {column}"
    return column


def safe_in_spreadsheets(column: str) -> str:
    """The SQL that writes text so that no spreadsheet runs it: `'` goes before what would begin a formula.

    It goes to the start of the text, and behind a semicolon, tab or line end inside it, where a character that begins a
    formula follows, with or without quotation marks before it; a tab, line end or null character counts at the start of
    the text only. No two texts are written alike, so it can be undone: DEVELOPERS.md says how.
    """
    formula, blank = f"{_CELL_BEGINS}({_MARKS}{_FORMULA})", f"^({_MARKS}{_BLANK})"
    # Looking first is faster than replacing nothing.
    return rf"""
        case
            when regexp_matches({column}, '{formula}|{blank}')
                then regexp_replace(regexp_replace({column}, '{formula}', '\1''\2', 'g'), '{blank}', '''\1')
            else {column}
        end
    """
