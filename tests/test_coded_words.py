"""The words that columns are said to hold are those that the tool writes into them, and no others."""

from collections.abc import Iterator

import duckdb
import pytest

from pipeline.coded_words import ALL_WORDS, CODED_COLUMNS
from pipeline.store import read_store
from pipeline.vocabulary import TABLES
from tests.documented import columns_of_the_store
from tests.store_files import write_measured_store

STORED = columns_of_the_store()


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    with read_store(write_measured_store(tmp_path_factory.mktemp("store") / "s.duckdb")) as connection:
        yield connection


def places() -> list[tuple[str, str, frozenset[str]]]:
    """Each table and column that holds one of a few words, with the words."""
    found = []
    for column in CODED_COLUMNS:
        tables = column.tables or [table for table, columns in STORED.items() if column.name in columns]
        assert tables
        found += [(table, column.name, frozenset(column.words)) for table in tables]
    return found


@pytest.mark.parametrize(("table", "column", "words"), places(), ids=[".".join(each[:2]) for each in places()])
def test_a_column_holds_only_words_that_are_listed(
    store: duckdb.DuckDBPyConnection, table: str, column: str, words: frozenset[str]
) -> None:
    held = store.execute(f"select distinct {column} from {table} where {column} is not null").fetchall()
    assert {word for (word,) in held} <= words


def test_most_words_are_held_by_these_stays(store: duckdb.DuckDBPyConnection) -> None:
    held = {
        (column, word)
        for table, column, _ in places()
        for (word,) in store.execute(f"select distinct {column} from {table} where {column} is not null").fetchall()
    }
    assert len(held) > 35


def test_every_code_of_a_device_or_flag_is_a_word_of_its_column() -> None:
    words = {column.name: set(column.words) for column in CODED_COLUMNS}
    assert words["device"] == set(TABLES["devices"].column("device").codes)
    assert words["flag"] == set(TABLES["flags"].column("flag").codes)
    assert words["sample_type"] == set(TABLES["gases"].column("sample_type").codes)
    assert set().union(*words.values()) <= ALL_WORDS
