"""Whatever the files hold, the end is a clear message or a row that is accounted for, never a traceback."""

import gzip
import re
from collections import Counter
from collections.abc import Callable
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.errors import ExtractError
from pipeline.intake.check import typed
from pipeline.intake.omop.folder import omop_sources
from pipeline.vocabulary import TABLES
from tests.intake.omop.rows import DEVICE, FIO2, FLOW, PCO2, PH, RATE, SAO2, SPO2, STAY, VALUE, value
from tests.intake.omop.tables import ZONE, collected, write_rows

OFTEN = settings(deadline=None, max_examples=12, suppress_health_check=[HealthCheck.too_slow])


def refusal(folder: Path) -> str:
    """The message with which the folder is refused, when its sources are made or read."""
    with pytest.raises(ExtractError) as refused:
        collected(folder)
    return str(refused.value)


def ordinary(folder: Path) -> Path:
    return write_rows(
        folder,
        visit_occurrence=[STAY],
        visit_detail=[{"visit_occurrence_id": 1, "visit_detail_start_datetime": "2026-01-05 09:00", "care_site_id": 5}],
        measurement=[VALUE, value(RATE, 18), value(PCO2, 45, 8876), value(PH, 7.3), value(FIO2, 28, 8554)],
        device_exposure=[DEVICE],
        observation=[
            {
                "visit_occurrence_id": 1,
                "observation_concept_id": 255573,
                "observation_datetime": "2026-01-05 09:00",
            }
        ],
        person=[{"person_id": 10, "gender_concept_id": 8532, "year_of_birth": 1950}],
        care_site=[{"care_site_id": 5, "care_site_name": "Hazel"}],
        concept=[
            {"concept_id": 1, "concept_name": "Percent", "vocabulary_id": "UCUM", "concept_code": "%"},
        ],
    )


# --- files that cannot be used ----------------------------------------------------------------------------------


@pytest.mark.parametrize("table", ["visit_occurrence", "measurement"])
def test_a_needed_table_that_is_missing_is_named(table: str, tmp_path: Path) -> None:
    (ordinary(tmp_path) / f"{table}.csv").unlink()
    assert f"no file for the OMOP table {table}" in refusal(tmp_path)


@pytest.mark.parametrize(
    ("table", "column", "named"),
    [
        ("visit_occurrence", "visit_concept_id", "the column visit_concept_id"),
        ("visit_occurrence", "visit_start_datetime", "visit_start_datetime (or visit_start_date)"),
        ("measurement", "value_as_number", "the column value_as_number"),
        ("measurement", "visit_occurrence_id", "the column visit_occurrence_id"),
        ("device_exposure", "device_concept_id", "the column device_concept_id"),
        ("observation", "observation_datetime", "observation_datetime (or observation_date)"),
        ("care_site", "care_site_name", "the column care_site_name"),
        ("concept", "concept_code", "the column concept_code"),
    ],
)
def test_a_column_that_is_missing_is_named_with_its_file(table: str, column: str, named: str, tmp_path: Path) -> None:
    path = ordinary(tmp_path) / f"{table}.csv"
    path.write_text(path.read_text().replace(column, "another_name"))
    message = refusal(tmp_path)
    assert f"The file {table}.csv lacks" in message
    assert named in message


def test_a_column_that_comes_twice_is_named_and_one_that_is_not_read_may(tmp_path: Path) -> None:
    path = ordinary(tmp_path) / "measurement.csv"
    path.write_text(_with_columns(path, "note", "note"))
    assert collected(tmp_path)["readings"].height == 1
    path.write_text(_with_columns(path, "VALUE_AS_NUMBER"))
    assert "measurement.csv has the same column name more than once: value_as_number" in refusal(tmp_path)


def _with_columns(path: Path, *names: str) -> str:
    header, *lines = path.read_text().splitlines()
    return "\n".join([",".join([header, *names]), *(line + ",x" * len(names) for line in lines)]) + "\n"


def _cut_gzip(path: Path) -> None:
    path.with_suffix(".csv.gz").write_bytes(gzip.compress(path.read_bytes() * 3)[:-20])
    path.unlink()


def _no_parquet(path: Path) -> None:
    path.rename(path.with_suffix(".parquet"))


def _open_quote(path: Path) -> None:
    path.write_text(path.read_text() + '1,"and so on\n')


def _rewritten(encoding: str) -> Callable[[Path], None]:
    def rewrite(path: Path) -> None:
        path.write_bytes((path.read_text() + "1,é\n").encode(encoding))

    return rewrite


def _semicolons(path: Path) -> None:
    path.write_text(path.read_text().replace(",", ";"))


@pytest.mark.parametrize("table", ["visit_occurrence", "measurement", "device_exposure", "person"])
@pytest.mark.parametrize(
    "damage",
    [_cut_gzip, _no_parquet, _open_quote, _rewritten("latin-1"), _rewritten("utf-16"), _semicolons],
    ids=["cut gzip", "no Parquet", "open quote", "Latin-1", "UTF-16", "semicolons"],
)
def test_a_damaged_file_is_refused_by_name(damage: Callable[[Path], None], table: str, tmp_path: Path) -> None:
    damage(ordinary(tmp_path) / f"{table}.csv")
    assert f"The file {table}.{'' if damage is not _no_parquet else 'parquet'}" in refusal(tmp_path)


def test_an_empty_file_is_refused_and_one_of_a_header_only_has_no_rows(tmp_path: Path) -> None:
    path = ordinary(tmp_path) / "measurement.csv"
    path.write_text(path.read_text().splitlines()[0] + "\n")
    rows = collected(tmp_path)
    assert rows["readings"].is_empty()
    assert rows["stays"].height == 1
    path.write_text("")
    assert "The file measurement.csv lacks columns" in refusal(tmp_path)


def test_a_damaged_concept_table_is_refused_by_name(tmp_path: Path) -> None:
    path = ordinary(tmp_path) / "concept.csv"
    path.write_bytes(b"\xff\xfe\x00c,o\n")
    assert "The file concept.csv" in refusal(tmp_path)
    path.unlink()
    (tmp_path / "concept.parquet").write_bytes(b"PAR1 but no more")
    assert "The file concept.parquet" in refusal(tmp_path)


def test_a_parquet_column_of_lists_is_refused_by_name(tmp_path: Path) -> None:
    (ordinary(tmp_path) / "measurement.csv").unlink()
    frame = pl.DataFrame([VALUE]).with_columns(value_as_number=pl.lit([91]))
    frame.write_parquet(tmp_path / "measurement.parquet")
    assert "measurement.parquet holds lists, groups or bytes in: value_as_number" in refusal(tmp_path)


def test_dates_beyond_the_calendar_in_parquet_are_no_times(tmp_path: Path) -> None:
    (ordinary(tmp_path) / "measurement.csv").unlink()
    frame = pl.DataFrame([VALUE, VALUE, VALUE]).with_columns(
        measurement_datetime=pl.Series([date(2026, 1, 5), None, None]).cast(pl.Int32).replace({None: 2**31 - 1})
    )
    frame.with_columns(pl.col("measurement_datetime").cast(pl.Date)).write_parquet(tmp_path / "measurement.parquet")
    rows = collected(tmp_path)["readings"]
    judged = typed(rows.drop("rule", "fault_column"), TABLES["readings"], ZONE)
    assert judged["rule"].to_list() == ["not_a_time"] * 3


def test_no_stay_among_the_visits_is_said(tmp_path: Path) -> None:
    write_rows(ordinary(tmp_path), visit_occurrence=[{**STAY, "visit_concept_id": 0}] * 3)
    message = refusal(tmp_path)
    assert "None of the 3 rows of the OMOP table visit_occurrence is a stay in hospital" in message
    assert "9201" in message


# --- bytes changed at random ------------------------------------------------------------------------------------


@OFTEN
@given(data=st.data())
def test_bytes_changed_at_random_end_in_a_message_or_in_rows(data: st.DataObject) -> None:
    with TemporaryDirectory() as folder:
        paths = sorted(ordinary(Path(folder)).iterdir())
        path = data.draw(st.sampled_from(paths), label="file")
        text = bytearray(path.read_bytes())
        for _ in range(data.draw(st.integers(1, 4), label="changes")):
            place = data.draw(st.integers(0, len(text) - 1))
            new = data.draw(
                st.one_of(st.binary(max_size=6), st.sampled_from([b'"', b",", b"\n", b"\r", b"\x00", b"'"]))
            )
            text[place : place + data.draw(st.integers(0, 6))] = new
            if not text:
                break
        path.write_bytes(bytes(text))
        for table, frame in rows_unless_refused(Path(folder), "csv").items():
            assert typed(frame.drop("rule", "fault_column"), TABLES[table], ZONE).height == frame.height


def rows_unless_refused(folder: Path, form: str) -> dict[str, pl.DataFrame]:
    """The rows of the folder; none where it is refused by the name of a file or of the table of visits."""
    try:
        return collected(folder)
    except ExtractError as error:
        message = str(error)
    assert f".{form}" in message or "visit_occurrence" in message
    return {}


@OFTEN
@given(place=st.integers(0, 10_000), new=st.binary(min_size=1, max_size=8))
def test_bytes_changed_in_parquet_end_in_a_message_or_in_rows(place: int, new: bytes) -> None:
    with TemporaryDirectory() as name:
        folder = ordinary(Path(name))
        (folder / "measurement.csv").unlink()
        path = folder / "measurement.parquet"
        pl.DataFrame([VALUE] * 3).write_parquet(path)
        content = bytearray(path.read_bytes())
        place %= len(content)
        content[place : place + len(new)] = new
        path.write_bytes(bytes(content))
        assert len(rows_unless_refused(folder, "parquet")) in (0, 6)


# --- cells at random --------------------------------------------------------------------------------------------

CELLS = st.one_of(
    st.none(),
    st.integers(-(10**20), 10**20),
    st.floats(),
    st.sampled_from(["", " ", "0", "1e308", "1e999", "nan", "-inf", "9" * 30, "=1+1", "2026-13-45", "25:61", "NULL"]),
    st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=12),
)
COLUMNS: dict[str, dict[str, Any]] = {
    "visit_occurrence": STAY,
    "measurement": {**VALUE, "measurement_source_concept_id": None},
    "device_exposure": DEVICE,
    "person": {"person_id": 10, "gender_concept_id": 8532, "year_of_birth": 1950},
}


@OFTEN
@given(data=st.data())
def test_cells_of_any_kind_are_read_and_every_row_is_accounted_for(data: st.DataObject) -> None:
    tables = {}
    for table, usual in COLUMNS.items():
        changes = st.dictionaries(st.sampled_from(sorted(usual)), CELLS, max_size=4)
        rows = data.draw(st.lists(changes, min_size=1, max_size=4), label=table)
        tables[table] = [usual, *({**usual, **row} for row in rows)]
    with TemporaryDirectory() as name:
        folder = Path(name)
        for table, rows in tables.items():
            text = [{column: None if cell is None else str(cell) for column, cell in row.items()} for row in rows]
            frame = pl.DataFrame(text, schema=dict.fromkeys(rows[0], pl.String))
            frame.write_csv(folder / f"{table}.csv", quote_style="always")
        told: list[str] = []
        found = collected(folder, told)
    assert found["stays"].height + unused(told, "visit_occurrence") == len(tables["visit_occurrence"])
    assert found["devices"].height + unused(told, "device_exposure") == len(tables["device_exposure"])
    for table, frame in found.items():
        assert typed(frame.drop("rule", "fault_column"), TABLES[table], ZONE).height == frame.height


def unused(told: list[str], table: str) -> int:
    """How many rows of a table were not used, as the user is told; the sentence must add up in itself."""
    for sentence in told:
        shape = rf"{table}: ([\d,]+) rows read, ([\d,]+) used\. Not used: (.*)\."
        if match := re.fullmatch(shape, sentence):
            read, used = (int(match[place].replace(",", "")) for place in (1, 2))
            parts = [int(part.replace(",", "")) for part in re.findall(r"\(([\d,]+)\)", match[3])]
            assert read - used == sum(parts)
            assert used >= 0
            assert min(parts) > 0
            return sum(parts)
    return 0


# --- an account by another way ----------------------------------------------------------------------------------

KINDS = (SPO2, SAO2, RATE, FIO2, FLOW, PH, PCO2, 3004249)
INSTANTS = ("2026-01-05 10:00:00", "2026-01-05T10:00", "2026-01-05 11:00:00")
MEASUREMENTS = st.lists(
    st.builds(
        lambda concept, number, at, visit: value(
            concept, number, 8554 if concept in (SPO2, SAO2, FIO2) else None, measurement_datetime=at,
            visit_occurrence_id=visit,
        ),
        st.sampled_from(KINDS),
        st.integers(20, 99),
        st.sampled_from(INSTANTS),
        st.sampled_from([1, 1, 2, 9]),
    ),
    max_size=12,
)  # fmt: skip


@OFTEN
@given(rows=MEASUREMENTS)
@example(rows=[])
def test_rows_are_gathered_as_a_plain_count_of_them_says(rows: list[dict[str, Any]]) -> None:
    """Visit 2 is an outpatient's; visit 9 nobody knows. Counted here in plain Python, row by row."""
    with TemporaryDirectory() as name:
        folder = write_rows(
            Path(name), visit_occurrence=[STAY, {**STAY, "visit_occurrence_id": 2, "visit_concept_id": 9202}]
        )
        frame = pl.DataFrame([VALUE, *rows], schema=dict.fromkeys(VALUE, pl.Object)).select(
            pl.all().map_elements(lambda cell: None if cell is None else str(cell), return_dtype=pl.String)
        )
        frame.write_csv(folder / "measurement.csv")
        told: list[str] = []
        found = collected(folder, told)
    mine = [VALUE, *(row for row in rows if row["visit_occurrence_id"] != 2)]
    at = Counter(
        (row["measurement_concept_id"], row["visit_occurrence_id"], row["measurement_datetime"][11:13]) for row in mine
    )
    readings = {key[1:] for key in at if key[0] == SPO2}
    gases = {key[1:] for key in at if key[0] in (PH, PCO2)}
    assert found["readings"].height == sum(count for key, count in at.items() if key[0] == SPO2)
    assert found["gases"].height == len(gases)
    used = sum(
        count
        for (concept, *where), count in at.items()
        if concept in (SPO2, PH, PCO2)
        or (concept == RATE and tuple(where) in readings)
        or (concept == FIO2 and tuple(where) in gases)
    )
    assert unused(told, "measurement") == len(rows) + 1 - used


def test_no_cell_is_repeated_in_what_the_user_is_told(tmp_path: Path) -> None:
    secret = "Jane Roe 9434765919"
    write_rows(
        ordinary(tmp_path),
        measurement=[VALUE, value(3004249, secret, measurement_source_value=secret, visit_occurrence_id=secret)],
    )
    told: list[str] = []
    collected(tmp_path, told)
    path = tmp_path / "measurement.csv"
    path.write_text(path.read_text() + f'"{secret}')
    told.append(refusal(tmp_path))
    assert len(told) >= 2
    assert not [sentence for sentence in told if "Roe" in sentence or "9434765919" in sentence]


def test_ragged_rows_and_sources_without_rows_do_not_stop_the_others(tmp_path: Path) -> None:
    path = ordinary(tmp_path) / "device_exposure.csv"
    path.write_text(path.read_text() + "1,2,3,4,5,6,7,8,9,10,11,12\n")
    ragged: list[Any] = []
    heights = {source.table: sum(piece.height for piece in source.pieces(ragged)) for source in omop_sources(tmp_path)}
    assert heights == {"stays": 1, "wards": 1, "readings": 1, "gases": 1, "devices": 1, "flags": 1}
    assert [row.row_number for row in ragged] == [3]
