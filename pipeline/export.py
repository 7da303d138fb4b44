"""Writes the tables of a measured store as CSV and Parquet files."""

from collections.abc import Iterable
from pathlib import Path

import duckdb

from pipeline.errors import AuditError
from pipeline.measure_file import Measure

FORMATS = ("csv", "parquet")
# Table: the columns it is sorted by, so that the same store gives the same bytes.
_EXPORTED = {
    "timeline": "stay_id, started_at",
    "stay_band_time": "stay_id, month, ward, lower_percent, upper_percent, retainer",
    "high_fio2_episodes": "stay_id, started_at",
    "retainers": "stay_id",
    "month_summary": 'month, ward, "group"',
    "measure_summary": 'measure_id, month, ward, "group"',
    "rejected_rows": "load_no, table_name, file_name, row_number",
    "load_ledger": "load_no, table_name, file_name",
}


def export_tables(
    connection: duckdb.DuckDBPyConnection, folder: Path, measures: Iterable[Measure], formats: Iterable[str] = FORMATS
) -> list[Path]:
    """Writes one file per table and format into `folder` (made if need be) and returns their paths.

    Tables: those of the store, and `measure_<id>` with the rows each measure file returned. Times are UTC: in CSV as
    ISO 8601 with `Z`, in Parquet as time stamps with zone UTC. Raises AuditError when the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise AuditError(f"The folder {folder} cannot be made: {error.strerror}. Give another with --out.") from error
    queries = {name: (f"select * from {name}", order) for name, order in _EXPORTED.items()}
    for measure in measures:
        query = f"select * exclude (measure_id, patient_key) from measure_rows where measure_id = '{measure.id}'"
        queries[f"measure_{measure.id}"] = (query, "all")
    return [
        _write(connection, query, order, folder / f"{name}.{form}", form)
        for name, (query, order) in queries.items()
        for form in formats
    ]


def _write(connection: duckdb.DuckDBPyConnection, query: str, order: str, path: Path, form: str) -> Path:
    types = {name: kind for name, kind, *_ in connection.execute(f"describe {query}").fetchall()}
    columns = ", ".join(_as_written(name, kind, form) for name, kind in types.items())
    options = "format csv, header" if form == "csv" else "format parquet, compression zstd"
    target = str(path).replace("'", "''")
    try:
        connection.execute(f"copy (select {columns} from ({query}) order by {order}) to '{target}' ({options})")
    except duckdb.IOException as error:
        raise AuditError(
            f"The file {path} cannot be written (no permission, or the disk is full). "
            "Files written before it are complete. Make room or give another folder with --out."
        ) from error
    return path


def _as_written(name: str, kind: str, form: str) -> str:
    column = f'"{name}"'
    if kind != "TIMESTAMP":
        return column
    if form == "csv":
        return f"strftime({column}, '%Y-%m-%dT%H:%M:%SZ') as {column}"
    return f"{column} at time zone 'UTC' as {column}"
