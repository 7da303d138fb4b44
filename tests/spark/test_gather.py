"""A store is made only of what belongs together, and never over another."""

import shutil
from datetime import datetime
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.cli import main
from pipeline.measure import MEASURED_TABLES, measure_store
from pipeline.policy import read_policy
from pipeline.spark.gather import gather_store
from pipeline.spark.inputs import KEY_FACT, loads_fingerprint
from pipeline.spark.numbering import numbered
from pipeline.spark.spread import spread_store
from pipeline.store import fact, open_store, set_fact, sql_stems
from tests.intake.extracts import write_extract
from tests.store_files import write_measured_store
from tests.test_measure_incrementally import counting

POLICY = read_policy()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a measured store, `s.duckdb`, spread into `in`, and its measured tables as Spark writes them."""
    folder = tmp_path_factory.mktemp("gather")
    with open_store(write_measured_store(folder / "s.duckdb", 40)) as connection:
        spread_store(connection, folder / "in")
        for table in MEASURED_TABLES:
            (folder / "out" / table).mkdir(parents=True)
            if connection.execute(f"select count(*) from {table}").fetchall() != [(0,)]:
                cut = ", partition_by (month)" if "month" in connection.table(table).columns else ""
                path = folder / "out" / table / ("" if cut else "part.parquet")
                columns = ", ".join(
                    f'"{name}"::varchar as "{name}"' if kind.startswith("ENUM") else f'"{name}"'
                    for name, kind, *_ in connection.execute(f"describe {table}").fetchall()
                )
                connection.execute(f"copy (select {columns} from {table}) to '{path}' (format parquet{cut})")
        ledger = connection.execute("select load_no, table_name, file_sha256 from load_ledger").fetchall()
        facts = dict(connection.execute("select name, value from store_facts").fetchall())
        state = (fact(connection, "measured_state") or "").split(":")
    made_with = dict(zip(("policy_fingerprint", "measures_fingerprint", "tool_version"), state[1:], strict=True))
    made_with |= {name: value for name, value in facts.items() if name.startswith("measure ")}
    write_run(folder / "out", {**made_with, "source_1": loads_fingerprint(facts, ledger)})
    return folder


def write_run(out: Path, facts: dict[str, str]) -> None:
    (out / "spark_run").mkdir(exist_ok=True)
    values = ", ".join(f"('{name}', '{value}')" for name, value in facts.items())
    query = f"select name, value from (values {values}) as t (name, value)"
    duckdb.execute(f"copy ({query}) to '{out}/spark_run/part.parquet' (format parquet)")


@pytest.fixture
def copy(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "copy"))


def test_the_store_is_the_one_that_was_spread_and_needs_no_measuring(made: Path, tmp_path: Path) -> None:
    store = tmp_path / "new.duckdb"
    call = ["gather", str(made / "in"), "--measured", str(made / "out"), "--store", str(store)]
    assert main(call) == 0
    assert not store.stat().st_mode & 0o077
    with open_store(made / "s.duckdb") as old, open_store(store) as new:
        for table in sql_stems("tables"):
            query = f"select * from {table} order by all"
            assert new.execute(query).fetchall() == old.execute(query).fetchall(), table
        assert measure_store(new, POLICY) is False


def test_readings_stand_in_the_order_of_stay_and_time(made: Path, tmp_path: Path) -> None:
    gather_store(tmp_path / "new.duckdb", [made / "in"], made / "out")
    with open_store(tmp_path / "new.duckdb") as connection:
        for table, order in (("readings", "stay_no, taken_at"), ("spans", "condition_no, started_at")):
            as_stored = connection.execute(f"select {order} from {table}").fetchall()
            assert as_stored == sorted(as_stored)


def test_what_is_loaded_into_it_later_is_all_that_is_measured_then(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gather_store(tmp_path / "new.duckdb", [made / "in"], made / "out")
    shutil.copy(made / "s.duckdb", tmp_path / "old.duckdb")
    later = write_extract(tmp_path / "later")
    counts = counting(monkeypatch)
    contents = []
    for name in ("old", "new"):
        assert main(["load", str(later), "--store", str(tmp_path / f"{name}.duckdb")]) == 0
        with open_store(tmp_path / f"{name}.duckdb") as connection:
            assert measure_store(connection, POLICY) is True
            queries = {table: f"select * from {table} order by all" for table in MEASURED_TABLES}
            contents.append({table: connection.execute(query).fetchall() for table, query in queries.items()})
    assert counts == [1, 1]
    assert contents[0] == contents[1]


def refusal(capsys: pytest.CaptureFixture[str], *call: object) -> str:
    assert main(["gather", *map(str, call)]) == 2
    return capsys.readouterr().err


def test_a_store_is_never_written_over(made: Path, copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (copy / "s.duckdb").read_bytes()
    told = refusal(capsys, copy / "in", "--measured", copy / "out", "--store", copy / "s.duckdb")
    assert "is never written over" in told
    assert (copy / "s.duckdb").read_bytes() == before


def test_a_run_that_was_broken_off_is_refused(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.rmtree(copy / "out" / "spark_run")
    told = refusal(capsys, copy / "in", "--measured", copy / "out", "--store", copy / "new.duckdb")
    assert "holds no finished run" in told
    assert not (copy / "new.duckdb").exists()


def test_a_folder_that_was_not_spread_to_its_end_is_refused(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.rmtree(copy / "in" / "store_facts")
    told = refusal(capsys, copy / "in", "--measured", copy / "out", "--store", copy / "new.duckdb")
    assert "bandaudit spread --store FILE" in told


def test_other_folders_than_those_measured_are_refused(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with open_store(copy / "s.duckdb") as connection:
        connection.execute("update load_ledger set file_sha256 = 'another' where table_name = 'gases'")
        spread_store(connection, copy / "later")
    told = refusal(capsys, copy / "later", "--measured", copy / "out", "--store", copy / "new.duckdb")
    assert "Give the folders of the command `bandaudit spark`, in its order." in told
    told = refusal(capsys, copy / "in", copy / "later", "--measured", copy / "out", "--store", copy / "new.duckdb")
    assert "1 folders were measured, and they are not the 2 given" in told


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("zone", "UTC", "count their months in different zones"),
        (KEY_FACT, "another key", "hash their keys differently"),
        ("schema_version", "1", "another version of the tool"),
    ],
)
def test_stores_that_do_not_fit_together_are_refused(
    copy: Path, capsys: pytest.CaptureFixture[str], name: str, value: str, words: str
) -> None:
    with open_store(copy / "s.duckdb") as connection:
        set_fact(connection, name, value)
        spread_store(connection, copy / "other")
    told = refusal(capsys, copy / "in", copy / "other", "--measured", copy / "out", "--store", copy / "new.duckdb")
    assert words in told


def test_the_fact_by_which_keys_are_told_apart_is_the_one_a_load_writes() -> None:
    from pipeline.intake import load

    assert load._KEY_FACT == KEY_FACT


def test_stays_of_patients_known_before_are_moved_behind_all_others_with_their_new_ones() -> None:
    """Worked by hand. The third store brings a stay of a, whose stays of the first two move again."""

    def stays(*rows: tuple[int, str, str, int]) -> pl.DataFrame:
        return pl.DataFrame(
            [(number, stay, patient, datetime(2026, 1, day)) for number, stay, patient, day in rows],
            schema={"stay_no": pl.Int32, "stay_id": pl.String, "patient_key": pl.String, "admitted_at": pl.Datetime},
            orient="row",
        )

    first = stays((1, "s1", "a", 1), (2, "s2", "b", 2), (7, "s3", "c", 3))
    second = stays((1, "t1", "d", 1), (2, "t2", "a", 9))
    third = stays((5, "u1", "a", 5), (6, "u2", "Z", 1))
    # After the second: b 2, c 7, then s1 8, t2 9 (patient a), t1 10 (d). After the third: Z, then a by admission.
    expected = {(0, 2): 2, (0, 7): 7, (1, 1): 10, (2, 6): 11, (0, 1): 12, (2, 5): 13, (1, 2): 14}
    found = {(source, old): new for source, old, new in numbered([first, second, third]).iter_rows()}
    assert found == expected
    assert {old: new for _, old, new in numbered([first]).iter_rows()} == {1: 1, 2: 2, 7: 7}
    assert numbered([first.clear(), second]).height == 2


def test_whatever_fails_leaves_no_store(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.spark import gather

    def fail(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(gather, "_set_facts", fail)
    with pytest.raises(KeyboardInterrupt):
        gather_store(tmp_path / "new.duckdb", [made / "in"], made / "out")
    assert list(tmp_path.iterdir()) == []
