"""What is spread for Spark is what the store holds: every row and column, by site and month, for its owner only."""

from pathlib import Path

import duckdb
import pytest

from pipeline.cli import main
from pipeline.spark.spread import FACTS, LOAD_TABLES, spread_store
from pipeline.store import open_store
from pipeline.vocabulary import TABLES
from tests.store_files import write_measured_store
from tests.stores import MONTHS, empty_store

SITES = ("North", "Nørre / St. Mark's = 100 %", None)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = write_measured_store(tmp_path_factory.mktemp("spread") / "s.duckdb", 40)
    with open_store(path) as connection:
        for number, site in enumerate(SITES):
            connection.execute("update stays set site = ? where stay_no % 3 = ?", [site, number])
    return path


@pytest.fixture(scope="module")
def folder(store: Path) -> Path:
    out = store.parent / "spread"
    assert main(["spread", "--store", str(store), "--out", str(out)]) == 0
    return out


@pytest.mark.parametrize("table", [*TABLES, *LOAD_TABLES, FACTS])
def test_every_row_and_column_of_the_store_is_in_the_files_themselves(store: Path, folder: Path, table: str) -> None:
    """Names of folders are not needed to read them, so no name of a site is changed by how a folder is written."""
    with open_store(store) as connection:
        names = ", ".join(connection.table(table).columns)
        here = connection.execute(f"select {names} from {table} order by all").fetchall()
    files = f"{folder}/{table}/**/*.parquet"
    query = f"select {names} from read_parquet('{files}', hive_partitioning = false) order by all"
    assert duckdb.sql(query).fetchall() == here
    assert here or table in LOAD_TABLES


def test_the_rows_of_a_stay_lie_together_by_its_site_and_the_month_of_its_admission(folder: Path) -> None:
    for table in TABLES:
        places = {file.parent.relative_to(folder / table) for file in (folder / table).rglob("*.parquet")}
        assert all(len(place.parts) == 2 for place in places)
        assert all(place.parts[0].startswith("site=") and place.parts[1].startswith("month=") for place in places)
        assert {place.parts[1] for place in places} >= {f"month={month}" for month in MONTHS} or table != "stays"
    where = duckdb.sql(f"""
        select count(distinct (site, month))
        from read_parquet('{folder}/readings/**/*.parquet', hive_partitioning = true, hive_types_autocast = false)
        group by stay_no
    """).fetchall()
    assert {count for (count,) in where} == {1}


def test_files_are_for_their_owner_only(folder: Path) -> None:
    written = [folder, *folder.rglob("*")]
    assert len(written) > 50
    assert not [path for path in written if path.stat().st_mode & 0o077]


def test_a_folder_that_holds_something_is_refused(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "old.txt").touch()
    assert main(["spread", "--store", str(store), "--out", str(tmp_path)]) == 2
    assert "is not empty. Give a new one with --out" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["old.txt"]


def test_a_folder_that_cannot_be_written_is_told(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").touch()
    assert main(["spread", "--store", str(store), "--out", str(tmp_path / "file" / "out")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_a_store_without_stays_can_be_spread_and_one_without_loads_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with empty_store() as connection:
        assert set(spread_store(connection, tmp_path / "out").values()) == {0}
    with open_store(tmp_path / "new.duckdb", create=True):
        pass
    assert main(["spread", "--store", str(tmp_path / "new.duckdb"), "--out", str(tmp_path / "other")]) == 2
    assert "Nothing was loaded into this store yet" in capsys.readouterr().err
