"""The SELECT of a measure file: where its faults are, to the column, and every wrong name at once."""

from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from pipeline.catalogue import check_file
from pipeline.errors import MeasureFileError
from pipeline.measure_select import engine_fault, place_of, unknown_names
from tests.stores import empty_store
from tests.test_catalogue import GOOD, write


@pytest.fixture(scope="module")
def store() -> Iterator[duckdb.DuckDBPyConnection]:
    with empty_store() as connection:
        yield connection


def error_of(store: duckdb.DuckDBPyConnection, query: str) -> duckdb.Error:
    with pytest.raises(duckdb.Error) as raised:
        store.execute(query)
    return raised.value


LONG = ", ".join(f"seconds as seconds_number_{number}" for number in range(40))


@pytest.mark.parametrize(
    ("sql", "wrong"),
    [
        ("select wrad from timeline", "wrad"),
        ("-- a remark\nselect\n    stay_id,\n    wrad\nfrom timeline", "wrad"),
        ("select ward, month from timelin", "timelin"),
        ("select ward from timeline where ward = wrad and ward = 'wrad'", "wrad"),
        (f"select {LONG}, wrad from timeline", "wrad"),
        (f"select wrad, {LONG} from timeline", "wrad"),
        (f"select {LONG}, wrad, {LONG} from timeline", "wrad"),
        ("select sum(seconds from timeline", "from"),
        ("select\n\tseconds,\n\twrad\nfrom timeline", "wrad"),
        ("select a,\t\twrad\tas x from timeline", "a"),
        ("select 'Grüße' as a, wrad from timeline", "wrad"),
    ],
)
def test_the_place_of_an_error_is_where_the_wrong_word_stands(
    store: duckdb.DuckDBPyConnection, sql: str, wrong: str
) -> None:
    """Also with a word before the SQL, as it is asked what the SQL returns."""
    for asked in (sql, f"describe {sql}"):
        line, column = place_of(error_of(store, asked), sql)
        assert sql.split("\n")[line - 1][column - 1 :].startswith(wrong)


def test_an_error_without_a_place_is_put_on_the_first_line() -> None:
    fault = engine_fault(duckdb.Error("Some Error: no place"), Path("a.sql"), 18, "select 1")
    assert (fault.line, fault.what) == (18, "Some Error: no place")


def test_every_unknown_name_is_found_with_its_line_and_the_nearest_and_names_of_the_query_are_known(
    store: duckdb.DuckDBPyConnection,
) -> None:
    sql = """with steps as (
    select
        stay_id,
        spo2_percnt as saturation,
        secnds
    from timelne
),
more (place) as (
    select ward from wards
)
select
    steps.saturation,
    STEPS.stay_id,
    s.placee,
    Ward
from steps
join more s on s.place = 'nowhere_at_all'"""
    assert sorted(unknown_names(sql, store)) == [
        (4, "spo2_percnt", "unknown column `spo2_percnt`; did you mean `spo2_percent`?"),
        (5, "secnds", "unknown column `secnds`; did you mean `seconds`?"),
        (6, "timelne", "unknown table `timelne`; did you mean `timeline`?"),
        (14, "placee", "unknown column `placee`; did you mean `place`?"),
    ]


def test_faults_of_header_and_select_come_in_one_message(store: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    text = GOOD.replace("spo2_percent is", "spo2_percnt is").replace("sum(seconds)", "sum(secnds)")
    write(tmp_path, "mine", text.replace("from timeline", "from timeline\nasof join wardz"), kind='kind = "shares"')
    write(tmp_path, "other", text, title='titel = "Time"')
    with pytest.raises(MeasureFileError) as raised:
        check_file(tmp_path / "other.sql", store)
    message = str(raised.value)
    assert message.startswith(f"3 faults in 1 measure file of {tmp_path}:\n")
    assert "  other.sql, line 2: unknown key `titel`; did you mean `title`?\n" in message
    assert '  other.sql, line 23: Binder Error: Referenced column "spo2_percnt" not found' in message
    assert "(at column 19)\n" in message
    assert "  other.sql, line 24: unknown column `secnds`; did you mean `seconds`?\n" in message
    assert message.endswith(f"bandaudit try {tmp_path / 'other.sql'}")

    with pytest.raises(MeasureFileError) as raised:
        check_file(tmp_path / "mine.sql", store)
    message = str(raised.value)
    assert "line 4: `kind` is not one of share, rate, median; did you mean `share`?\n" in message
    assert "line 26: not portable: asof join" in message
    assert message.count("line ") >= 3


def test_columns_are_checked_by_the_kind_even_when_another_word_of_the_header_is_wrong(
    store: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    text = GOOD.replace("    ward,\n    month,\n    sum(case", "    ward,\n    sum(case", 1)
    write(tmp_path, "mine", text, better='better = "hihger"')
    with pytest.raises(MeasureFileError) as raised:
        check_file(tmp_path / "mine.sql", store)
    assert "did you mean `higher`?" in str(raised.value)
    assert "missing column `month`" in str(raised.value)


def test_a_good_file_gives_its_measure(store: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    write(tmp_path, "mine")
    assert check_file(tmp_path / "mine.sql", store).id == "mine"


def test_a_stay_that_is_no_text_is_named(store: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Joined to the stays of the store, a number would stop at the first of their keys."""
    write(tmp_path, "mine", GOOD.replace("    stay_id,\n    ward", "    1 as stay_id,\n    ward", 1))
    with pytest.raises(MeasureFileError, match="column `stay_id` must be text"):
        check_file(tmp_path / "mine.sql", store)
