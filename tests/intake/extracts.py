"""A small invented extract, the load command run on it, and what a person and the store then have.

Cells are written as text, the way an export writes them; every test changes what it is about and leaves the rest.
"""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pytest

from pipeline.cli import main
from pipeline.vocabulary import TABLES

Rows = Sequence[Mapping[str, str]]

STAY = {"stay_id": "ST-0001", "patient_key": "PK-0001", "admitted_at": "2026-01-05 08:00"}
# One ordinary row of each table, every column filled; in winter, so that local time in London is UTC.
ORDINARY: Mapping[str, Mapping[str, str]] = {
    "stays": STAY
    | {
        "discharged_at": "2026-01-09 12:00",
        "site": "North site",
        "specialty": "lung medicine",
        "age_band": "70-79",
        "sex": "female",
    },
    "wards": {"stay_id": "ST-0001", "ward": "Hazel ward", "entered_at": "2026-01-05 09:00"},
    "readings": {
        "stay_id": "ST-0001",
        "taken_at": "2026-01-05 10:00",
        "spo2_percent": "91",
        "respiratory_rate": "18",
        "ews_scale": "2",
        "spo2_score": "0",
        "source": "spot",
    },
    "devices": {
        "stay_id": "ST-0001",
        "started_at": "2026-01-05 10:05",
        "device": "air_entrainment_mask",
        "flow_l_min": "4",
        "fio2_fraction": "0.28",
        "ended_at": "2026-01-06 10:05",
    },
    "targets": {
        "stay_id": "ST-0001",
        "prescribed_at": "2026-01-05 08:30",
        "lower_percent": "88",
        "upper_percent": "92",
        "stopped_at": "2026-01-08 08:30",
    },
    "gases": {
        "stay_id": "ST-0001",
        "taken_at": "2026-01-05 11:00",
        "sample_type": "arterial",
        "ph": "7.34",
        "pco2_kpa": "7.1",
        "po2_kpa": "8.2",
        "bicarbonate_mmol_l": "29.5",
        "fio2_fraction": "0.28",
    },
    "flags": {
        "stay_id": "ST-0001",
        "flagged_at": "2026-01-05 08:10",
        "flag": "copd",
        "until_at": "2026-01-09 11:00",
    },
}


@dataclass(frozen=True)
class Outcome:
    """What the command line gave back."""

    code: int
    out: str
    err: str


def row(table: str, **changes: str) -> dict[str, str]:
    """The ordinary row of a table with some cells changed."""
    return dict(ORDINARY[table]) | changes


def readings(count: int, **changes: str) -> list[dict[str, str]]:
    """That many readings of the ordinary stay, a minute apart from 10:00 on 5 January 2026."""
    return [row("readings", taken_at=f"2026-01-05 {10 + n // 60}:{n % 60:02}", **changes) for n in range(count)]


def csv_text(rows: Rows, columns: Iterable[str] | None = None) -> str:
    """The rows as an export writes them: header, commas, quotation marks where needed, line feeds."""
    names = list(columns if columns is not None else rows[0])
    stream = io.StringIO()
    writer = csv.DictWriter(stream, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()


def write_extract(folder: Path, **tables: Rows | str | bytes) -> Path:
    """Writes an extract of CSV files: the tables given, and one ordinary row of each required table not given.

    A table given as text or bytes is written as it is.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name in TABLES:
        given = tables.get(name)
        if given is None and TABLES[name].required:
            given = [ORDINARY[name]]
        if isinstance(given, bytes):
            (folder / f"{name}.csv").write_bytes(given)
        elif isinstance(given, str):
            (folder / f"{name}.csv").write_bytes(given.encode())
        elif given is not None:
            (folder / f"{name}.csv").write_text(csv_text(given, ORDINARY[name]), encoding="utf-8")
    return folder


def load(capsys: pytest.CaptureFixture[str], extract: Path, store: Path, *options: str) -> Outcome:
    """Runs `bandaudit load` in this process."""
    capsys.readouterr()
    code = main(["load", str(extract), "--store", str(store), *options])
    said = capsys.readouterr()
    return Outcome(code, said.out, said.err)


def loaded(capsys: pytest.CaptureFixture[str], extract: Path, store: Path, *options: str) -> Outcome:
    """Runs `bandaudit load` and asserts that it went through and that every row is accounted for."""
    outcome = load(capsys, extract, store, *options)
    assert outcome.code == 0, outcome.err
    unbalanced = query(
        store,
        "select file_name from load_ledger where rows_read <> "
        "rows_stored + rows_already_stored + rows_repeated + rows_kept_aside",
    )
    assert not unbalanced
    assert_no_cell_of(extract, outcome)
    return outcome


def refused(capsys: pytest.CaptureFixture[str], extract: Path, store: Path, *options: str, says: Sequence[str]) -> str:
    """Runs `bandaudit load`, asserts that it stopped with a plain message and changed no store, and returns the text.

    says: words that the message must hold (what, where, why, what to do).
    """
    before = store.read_bytes() if store.is_file() else None
    outcome = load(capsys, extract, store, *options)
    assert outcome.code == 2, outcome
    assert outcome.err.startswith("bandaudit: ")
    assert "Traceback" not in outcome.err
    for words in says:
        assert words in outcome.err, f"{words!r} is not in: {outcome.err}"
    assert (store.read_bytes() if store.is_file() else None) == before
    assert_no_cell_of(extract, outcome)
    return outcome.err


def assert_no_cell_of(extract: Path, outcome: Outcome) -> None:
    """Asserts that no cell of any CSV file of the extract (five characters or more) was repeated on the screen."""
    said = outcome.out + outcome.err
    for path in filter(Path.is_file, extract.glob("*.csv")):
        lines = path.read_bytes().decode("utf-8", errors="replace").splitlines()
        cells = {cell for line in lines[1:] for cell in next(csv.reader([line.replace("\x00", "")]), [])}
        told = sorted(cell for cell in cells if len(cell.strip()) >= 5 and cell.strip() in said and cell not in _WORDS)
        assert not told, f"{path.name}: {told} in {said}"


# Words of the tool itself, which messages list: names of columns and codes.
_WORDS = {code for table in TABLES.values() for column in table.columns for code in (column.name, *column.codes)}


def query(store: Path, sql: str) -> list[tuple[object, ...]]:
    """Rows of a query over the store."""
    with duckdb.connect(str(store), read_only=True) as connection:
        return connection.execute(sql).fetchall()


def stored(store: Path, table: str) -> list[dict[str, object]]:
    """The rows of a table of the extract as they are in the store, `stay_id` instead of the number, in order."""
    return stored_tables(store, table)[table]


def stored_tables(store: Path, *tables: str) -> dict[str, list[dict[str, object]]]:
    """The same for several tables, or for all."""
    found = {}
    with duckdb.connect(str(store), read_only=True) as connection:
        for table in tables or TABLES:
            names = TABLES[table].column_names
            joined = (
                "stays" if table == "stays" else f"{table} join (select stay_no, stay_id from stays) using (stay_no)"
            )
            rows = connection.execute(f"select {', '.join(names)} from {joined} order by all").fetchall()
            found[table] = [dict(zip(names, values, strict=True)) for values in rows]
    return found


def kept_aside(store: Path) -> list[tuple[object, ...]]:
    """File, row number, column and rule of every row kept aside, in order."""
    return query(
        store,
        "select file_name, row_number, column_name, rule from rejected_rows order by load_no, file_name, row_number",
    )


def counts(store: Path, file_name: str) -> tuple[object, ...]:
    """rows read, stored, already stored, repeated and kept aside of a file, at the last load that holds it."""
    [found] = query(
        store,
        "select rows_read, rows_stored, rows_already_stored, rows_repeated, rows_kept_aside from load_ledger "
        f"where file_name = '{file_name}' order by load_no desc limit 1",
    )
    return found


def dump(store: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table of the store, ledger and facts included."""
    with duckdb.connect(str(store), read_only=True) as connection:
        names = [name for (name,) in connection.execute("select table_name from duckdb_tables()").fetchall()]
        return {name: connection.execute(f'select * from "{name}" order by all').fetchall() for name in names}
