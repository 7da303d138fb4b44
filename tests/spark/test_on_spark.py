"""The same rows from Spark as from this machine alone: every table, cell by cell, and the report made of them.

Needs pyspark, sqlglot and a Java runtime; without them these tests are skipped and say so. One run of the three
commands, with Spark on this machine and nothing but the loopback address, serves most of them: two stores are spread,
measured together and gathered, beside one store into which the same two extracts were loaded one after the other.
"""

import importlib.util
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import duckdb
import polars as pl
import pytest

from pipeline.catalogue import read_measures
from pipeline.cli import main
from pipeline.errors import AuditError, MeasureFileError, StoreError
from pipeline.measure import measure_store
from pipeline.policy import read_policy
from pipeline.store import open_store, sql_stems
from reports.month import write_month_report
from tests.spark.stores import load_into, write_two_extracts

if TYPE_CHECKING:
    from pyspark.sql import SparkSession

_HAS_SPARK = all(importlib.util.find_spec(name) for name in ("pyspark", "sqlglot"))
pytestmark = [
    pytest.mark.spark,
    pytest.mark.skipif(not _HAS_SPARK, reason='Spark is not installed: pip install "bandaudit[spark]"'),
    pytest.mark.skipif(shutil.which("java") is None, reason="no Java runtime is installed"),
]

# Quick to start, since the work is small; nothing of it changes what is computed.
QUICK = {
    "spark.sql.shuffle.partitions": "2",
    "spark.sql.adaptive.enabled": "false",
    "spark.driver.extraJavaOptions": "-XX:TieredStopAtLevel=1 -XX:+UseSerialGC -XX:ReservedCodeCacheSize=256m",
}
POLICY = read_policy()
LOAD_TABLES = ("load_ledger", "load_notes", "load_verdicts", "rejected_rows")
WHOLE_MONTH = "2026-03"


class Run(NamedTuple):
    """here: the store measured on this machine. stores: those that were spread. left: what Spark left where it ran."""

    here: Path
    stores: tuple[Path, Path]
    spread: tuple[Path, Path]
    measured: Path
    gathered: Path
    left: list[Path]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    folder = tmp_path_factory.mktemp("spark")
    first, second = write_two_extracts(folder)
    stores = load_into(folder / "first.duckdb", first), load_into(folder / "second.duckdb", second)
    here = load_into(folder / "both.duckdb", first, second)
    with open_store(here) as connection:
        assert measure_store(connection, POLICY) is True
    spread, measured, gathered = (folder / "a", folder / "b"), folder / "measured", folder / "gathered.duckdb"
    for store, out in zip(stores, spread, strict=True):
        assert main(["spread", "--store", str(store), "--out", str(out)]) == 0
    folders = [str(each) for each in spread]
    started_in, scratch = folder / "started-in", folder / "scratch"
    started_in.mkdir()
    scratch.mkdir()
    settings = [part for name, value in QUICK.items() for part in ("--set", f"{name}={value}")]
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(started_in)
        patch.setattr(tempfile, "tempdir", str(scratch))
        given = ["--out", str(measured), "--master", "local[2]", "--bucket-readings", "1500", *settings]
        assert main(["spark", *folders, *given]) == 0
    assert main(["gather", *folders, "--measured", str(measured), "--store", str(gathered)]) == 0
    return Run(here, stores, spread, measured, gathered, [*started_in.rglob("*"), *scratch.rglob("*")])


def rows(store: Path, table: str) -> list[tuple[Any, ...]]:
    with open_store(store) as connection:
        return connection.execute(f"select * from {table} order by all").fetchall()


# --- the same -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("table", [table for table in sql_stems("tables") if table not in LOAD_TABLES])
def test_every_table_is_the_same_cell_by_cell(run: Run, table: str) -> None:
    here = rows(run.here, table)
    assert here
    assert rows(run.gathered, table) == here


@pytest.mark.parametrize("table", LOAD_TABLES)
def test_what_is_known_of_the_loads_is_that_of_the_stores_one_after_the_other(run: Run, table: str) -> None:
    first, second = (rows(store, table) for store in run.stores)
    expected = first + [(load_no + 1, *others) for load_no, *others in second]
    assert sorted(rows(run.gathered, table), key=str) == sorted(expected, key=str)


def test_what_makes_the_comparison_hard_is_in_it(run: Run) -> None:
    """Every measure has rows; a patient is known from another site and extract; equal readings follow each other."""
    with open_store(run.here) as connection:

        def one(query: str) -> Any:
            return connection.execute(query).fetchall()[0][0]

        assert one("select count(distinct measure_id) from measure_rows") == len(read_measures())
        assert one("select count(distinct coalesce(site, '-')) from stays") == 3
        assert one("select count(*) from retainers where retainer_ever = 'history'") == 1
        assert one("select max(readings) from spans") > 50
        assert one("select count(distinct month) from spans join conditions using (condition_no)") == 2


def test_the_report_is_the_same_to_the_byte(run: Run, tmp_path: Path) -> None:
    pages = []
    verdicts = rows(run.gathered, "load_verdicts")
    for store in (run.here, run.gathered):
        copy = tmp_path / f"{store.stem}.duckdb"
        shutil.copy(store, copy)
        with open_store(copy) as connection:
            # A load is judged beside what the store held before it: that is told of the stores as they were.
            connection.execute("delete from load_verdicts")
            connection.executemany(f"insert into load_verdicts values ({', '.join('?' * len(verdicts[0]))})", verdicts)
            assert measure_store(connection, POLICY) is False
            page = write_month_report(connection, tmp_path / store.stem, WHOLE_MONTH, POLICY)
        pages.append(page.read_bytes())
    assert pages[0] == pages[1]


def test_the_store_made_of_it_is_measured_again_under_another_policy(run: Run, tmp_path: Path) -> None:
    copies = []
    for store in (run.here, run.gathered):
        copies.append(tmp_path / f"{store.stem}.duckdb")
        shutil.copy(store, copies[-1])
        with open_store(copies[-1]) as connection:
            assert measure_store(connection, replace(POLICY, reading_carry_hours=2)) is True
    assert rows(copies[0], "stay_band_time") == rows(copies[1], "stay_band_time") != rows(run.here, "stay_band_time")


# --- where it is written ----------------------------------------------------------------------------------------------


def test_tables_are_cut_by_site_and_month(run: Run) -> None:
    def cuts(table: str) -> set[str]:
        files = (run.measured / table).rglob("*.parquet")
        return {str(file.parent.relative_to(run.measured / table)) for file in files}

    nowhere = "site=__HIVE_DEFAULT_PARTITION__"
    for table in ("spans", "conditions", "stay_band_time", "measure_rows"):
        assert {cut.split("/")[1] for cut in cuts(table)} == {"month=2026-03", "month=2026-04"}
        assert {"site=North/month=2026-03", f"{nowhere}/month=2026-03"} < cuts(table)
        assert len(cuts(table)) > 4
    assert cuts("month_summary") == {"month=2026-03", "month=2026-04"}
    assert cuts("policy_values") == {"."}


def test_what_is_written_is_for_its_owner_only_and_nothing_is_left_elsewhere(run: Run) -> None:
    written = [path for folder in (*run.spread, run.measured) for path in (folder, *folder.rglob("*"))]
    assert len(written) > 100
    assert not [path for path in [*written, run.gathered] if path.stat().st_mode & 0o077]
    assert run.left == []


# --- Spark by itself --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def spark(run: Run) -> Iterator["SparkSession"]:
    from pipeline.spark.session import spark_session

    with spark_session("local[2]", QUICK) as session:
        yield session


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks at open sockets as Linux lists them")
def test_spark_listens_on_the_loopback_address_only(spark: "SparkSession") -> None:
    process = spark.sparkContext._gateway.proc.pid
    own = {os.readlink(file) for file in Path(f"/proc/{process}/fd").iterdir() if file.is_symlink()}
    listening = "0A"
    found = []
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/{process}/net/{table}").read_text(encoding="ascii").splitlines()[1:]:
            _, local, _, state, *others = line.split()
            if state == listening and f"socket:[{others[5]}]" in own:
                found.append(local.split(":")[0])
    # 127.0.0.1, alone or behind ::ffff:, as the kernel writes it.
    assert found
    assert {address[-8:] for address in found} == {"0100007F"}


SAME_ON_BOTH = {
    "whole numbers divided": "select 7 / 2 as a, 1 / 3 as b, sum(x) / count(*) as c from (values (1), (2)) as t (x)",
    "numbers with a point": "select 10 / 3600.0 as a, 0.1 + 0.2 as b, 86400 / 7.0 as c, 1e12 / 3 as d, 3 * 0.1 as e",
    "sums over an hour": "select sum(x) / 3600.0 as a from (values (100), (200), (null)) as t (x)",
    "rounding": "select round(2.5) as a, round(-2.5) as b, round(0.1234565, 6) as c, cast(round(7.5) as bigint) as d",
    "nulls in an order": "select x, row_number() over (order by x) as a from (values (2), (null), (1)) as t (x)",
    "nulls the other way": "select x, row_number() over (order by x desc) as a from (values (2), (null), (1)) as t (x)",
    "nulls compared": "select x is not distinct from y as a, x = y as b "
    "from (values (1, null), (null, null)) as t (x, y)",
    "the largest of some": "select greatest(1, null, 3) as a, least(2, null) as b, coalesce(null, 4) as c",
    "running sums": "select sum(x) over (partition by g order by o) as a "
    "from (values ('a', 1, 10), ('a', 1, 20), ('a', 2, 30), ('b', 1, 1)) as t (g, o, x)",
    "nothing added up": "select sum(x) as a, count(x) as b, min(x) as c from (values (cast(null as integer))) as t (x)",
    "an instant and a day": "select timestamp '2026-03-28 12:00:00' + interval '24' hour as a, "
    "timestamp '2026-03-29 00:59:59' + 2 * interval '1 second' as b, "
    "timestamp '2026-03-29 01:30:00.25' < timestamp '2026-03-29 01:30:00.5' as c",
    "parts of a text": "select substr('2026-03', 1, 4) as a, cast(substr('2026-03', 6, 2) as integer) + 1 as b",
    "words": "select 'a' || 'b' as a, upper('ø') as b, 'B' < 'a' as c, 'x' in ('x', null) as d",
    "counts of some": "select count(distinct x) as a, count(*) filter (where x > 1) as b "
    "from (values (1), (2), (2)) as t (x)",
}


@pytest.mark.parametrize("what", SAME_ON_BOTH)
def test_what_engines_often_differ_in_is_the_same_once_translated(spark: "SparkSession", what: str) -> None:
    from pipeline.spark.sql import on_spark

    there = pl.DataFrame(pl.from_arrow(spark.sql(on_spark(SAME_ON_BOTH[what])).toArrow())).rows()
    here = duckdb.sql(SAME_ON_BOTH[what]).fetchall()
    assert sorted(map(numbers, there), key=str) == sorted(map(numbers, here), key=str)


def numbers(row: tuple[Any, ...]) -> tuple[Any, ...]:
    """Whole numbers and fractions by their value: 3 and 3.0 are the same cell of a column of doubles."""
    return tuple(cell if cell is None or isinstance(cell, bool | str) or not hasattr(cell, "__float__") else float(cell)
                 for cell in row)  # fmt: skip


def test_a_measure_that_cannot_run_on_spark_is_named_before_anything_is_computed(
    spark: "SparkSession", run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.spark import run as run_on_spark

    measures = read_measures()
    only_here = replace(measures[0], sql="select stay_id, ward, month, list_sum([seconds]) as value from timeline")
    monkeypatch.setattr(run_on_spark, "read_measures", lambda: (only_here, *measures[1:]))
    with pytest.raises(MeasureFileError, match=rf"{only_here.file.name}, line \d+: cannot run on Spark"):
        run_on_spark.measure_on_spark(spark, [f"file://{run.spread[0]}"], f"file://{tmp_path}/out", POLICY)
    assert not (tmp_path / "out").exists()


def test_the_same_stays_twice_are_refused(spark: "SparkSession", run: Run) -> None:
    from pipeline.spark.inputs import read_inputs

    with pytest.raises(StoreError, match="stays are in more than one of the folders"):
        read_inputs(spark, [f"file://{run.spread[0]}", f"file://{run.spread[0]}"])


def test_a_folder_that_was_not_spread_is_refused(spark: "SparkSession", run: Run) -> None:
    from pipeline.spark.inputs import read_inputs

    with pytest.raises(StoreError, match="bandaudit spread --store FILE"):
        read_inputs(spark, [f"file://{run.measured}"])


def test_a_failure_on_spark_is_told_without_any_value(spark: "SparkSession") -> None:
    from pipeline.spark.session import errors_in_words

    with pytest.raises(AuditError, match="CAST_INVALID_INPUT") as told, errors_in_words():
        spark.sql("select cast(x as int) from values ('S00012') as t (x)").collect()
    assert "S00012" not in str(told.value)
    assert told.value.__cause__ is None


def test_a_table_without_rows_is_read_back_without_rows(spark: "SparkSession", tmp_path: Path) -> None:
    from pipeline.spark.outputs import read_table, write_table
    from pipeline.spark.sql import columns_of_tables

    nothing = ", ".join(f"cast(null as {kind}) as `{name}`" for name, kind in columns_of_tables()["retainers"].items())
    empty = spark.sql(f"select {nothing}, cast(null as string) as site where false")
    write_table(empty, f"file://{tmp_path}", "retainers")
    assert read_table(spark, f"file://{tmp_path}", "retainers").count() == 0
    with pytest.raises(AuditError, match="already holds the table retainers"):
        write_table(empty, f"file://{tmp_path}", "retainers")
