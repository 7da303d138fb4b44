"""Every page and export says what it was made from, and the same inputs give the same bytes, whenever they are run."""

import csv
import hashlib
import re
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pyarrow.parquet
import pytest

from pipeline.catalogue import fingerprint, read_measures
from pipeline.cli import main
from pipeline.intake import ledger
from pipeline.policy import read_policy
from pipeline.provenance import provenance
from pipeline.store import open_store, tool_version
from synthetic_data.cohort import simulate
from synthetic_data.extract import write_extract

POLICY = read_policy()
Ran = Callable[[str, datetime], Path]


class _Clock(datetime):
    """Stands still at the instant it was given."""

    stands_at: datetime

    @classmethod
    def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
        return cls.stands_at


@pytest.fixture(scope="module")
def extract(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("extract")
    write_extract(simulate(stays=150), folder)
    return folder


@pytest.fixture(scope="module")
def run(extract: Path, tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """Loads the extract at a given time of day and writes the page of a month, of a stay, and every export."""

    def ran(name: str, at: datetime) -> Path:
        folder = tmp_path_factory.mktemp(name)
        # Beside the run, so that no path is the same.
        shutil.copytree(extract, folder / "extract")
        store = ["--store", str(folder / f"{name}.duckdb")]
        with pytest.MonkeyPatch.context() as patch:
            clock = type("Clock", (_Clock,), {"stands_at": at})
            patch.setattr(ledger, "datetime", clock)
            assert main(["load", str(folder / "extract"), *store]) == 0
        for command in (["report"], ["case", "--stay", "S00012"], ["export"]):
            assert main([*command, *store, "--out", str(folder / "out")]) == 0
        return folder / "out"

    return ran


@pytest.fixture(scope="module")
def first(run: Ran) -> Path:
    return run("first", datetime(2026, 7, 3, 9, 15, tzinfo=UTC))


@pytest.fixture(scope="module")
def second(run: Ran) -> Path:
    return run("second", datetime(2027, 1, 20, 23, 59, tzinfo=UTC))


def pages(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.html"))


def test_the_same_inputs_give_the_same_bytes_at_another_time_and_place(first: Path, second: Path) -> None:
    files = sorted(path.relative_to(first) for path in first.rglob("*") if path.is_file())
    assert files == sorted(path.relative_to(second) for path in second.rglob("*") if path.is_file())
    assert {path.suffix for path in files} == {".html", ".csv", ".parquet", ".xlsx"}
    assert [path for path in files if (first / path).read_bytes() != (second / path).read_bytes()] == []
    # What would have differed was in both stores.
    loaded = set()
    for folder in (first, second):
        [store] = folder.parent.glob("*.duckdb")
        with open_store(store) as connection:
            loaded |= set(connection.execute("select distinct loaded_at from load_ledger").fetchall())
    assert len(loaded) == 2


def test_a_page_says_tool_policy_measures_inputs_as_of_and_zone(first: Path) -> None:
    [store] = first.parent.glob("*.duckdb")
    with open_store(store) as connection:
        made_from = provenance(connection)
    assert len(pages(first)) == 2
    for page in pages(first):
        text = re.sub(r"<[^>]*>|\s+", " ", page.read_text(encoding="utf-8"))
        for wanted in (
            f"bandaudit {tool_version()}",
            POLICY.fingerprint,
            fingerprint(read_measures()),
            made_from.inputs_fingerprint,
            made_from.zone,
        ):
            assert wanted in text, (page.name, wanted)
        for _, name, sha256 in made_from.inputs:
            assert name in text, page.name
            assert sha256[:12] in text, page.name


def test_fingerprints_of_inputs_are_the_sha_256_of_the_files(first: Path, extract: Path) -> None:
    with (first / "provenance.csv").open(encoding="utf-8", newline="") as lines:
        rows = {(row["what"], row["name"]): row["value"] for row in csv.DictReader(lines)}
    expected = {
        (f"sha256_of_{path.name.split('.')[0]}", path.name): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in extract.iterdir()
        if path.name.split(".")[0] in {"stays", "readings", "devices", "targets", "gases", "flags", "wards"}
    }
    found = {key: value for key, value in rows.items() if key[0].startswith("sha256_of_")}
    assert {key: value for key, value in found.items() if key in expected} == expected
    assert rows["tool", ""] == f"bandaudit {tool_version()}"
    assert rows["policy_fingerprint", ""] == POLICY.fingerprint
    assert rows["zone", ""] == "Europe/London"
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", rows["as_of", ""])


def test_every_parquet_file_carries_what_it_was_made_from(first: Path) -> None:
    files = sorted(first.glob("*.parquet"))
    assert len(files) > 40
    for file in files:
        metadata = pyarrow.parquet.read_metadata(file).metadata
        assert metadata[b"tool"].decode() == f"bandaudit {tool_version()}", file.name
        assert metadata[b"policy_fingerprint"].decode() == POLICY.fingerprint
        assert {b"measures_fingerprint", b"inputs_fingerprint", b"as_of", b"zone"} <= set(metadata)


def test_another_input_another_fingerprint_and_another_name_the_same(first: Path) -> None:
    [store] = first.parent.glob("*.duckdb")
    with open_store(store) as connection:
        before = provenance(connection).inputs_fingerprint
        connection.begin()
        connection.execute("update load_ledger set file_name = 'renamed.csv'")
        assert provenance(connection).inputs_fingerprint == before
        connection.execute("update load_ledger set file_sha256 = 'f' || file_sha256 where table_name = 'targets'")
        assert provenance(connection).inputs_fingerprint != before
        connection.rollback()
        assert provenance(connection).inputs_fingerprint == before
