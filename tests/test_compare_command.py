"""`bandaudit report --compare` from end to end: what a person types, reads and finds."""

import shutil
from pathlib import Path

import duckdb
import pytest

from pipeline.cli import main
from pipeline.measure import measure_store
from pipeline.policy import read_policy
from pipeline.store import open_store
from tests.compared import store_file
from tests.stores import made_up_stays

Capsys = pytest.CaptureFixture[str]
MONTH = "2025-11"
OWN = "[parameters]\nreading_carry_hours = 4\nhigh_fio2_above = 0.4\n"


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two stores of two hospitals, measured by the tool's own policy."""
    folder = tmp_path_factory.mktemp("hospitals")
    for seed, name in enumerate(("north", "south"), start=1):
        measure(store_file(made_up_stays(16, seed), folder / f"{name}.duckdb"))
    return folder


@pytest.fixture
def folder(measured: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for store in measured.glob("*.duckdb"):
        shutil.copy(store, tmp_path)
    (tmp_path / "own.toml").write_text(OWN, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def measure(store: Path, own_policy: Path | None = None) -> None:
    with open_store(store) as con:
        assert measure_store(con, read_policy(own_policy))


def run(capsys: Capsys, *arguments: str) -> tuple[int, str]:
    """The exit code and what was printed."""
    capsys.readouterr()
    code = main(["report", *arguments, "--out", "pages"])
    printed = capsys.readouterr()
    return code, printed.out + printed.err


def policies(folder: Path) -> dict[str, str]:
    found = {}
    for store in folder.glob("*.duckdb"):
        with duckdb.connect(str(store), read_only=True) as con:
            [(found[store.stem],)] = con.execute(
                "select value from store_facts where name = 'measured_policy'"
            ).fetchall()
    return found


@pytest.mark.parametrize(
    ("arguments", "file"),
    [
        (("--compare", "2025-11", "2025-12"), "oxygen-comparison-2025-11-and-2025-12.html"),
        (("--month", MONTH, "--compare", "Alder", "Birch"), "oxygen-comparison-2025-11-Alder-and-Birch.html"),
        (("--month", MONTH, "--compare", "south.duckdb"), "oxygen-comparison-2025-11-north-and-south.html"),
    ],
)
def test_the_page_is_written_where_it_is_said_and_twice_the_same(
    folder: Path, capsys: Capsys, arguments: tuple[str, ...], file: str
) -> None:
    page = Path("pages") / file
    for _ in range(2):
        before = page.read_bytes() if page.exists() else None
        code, printed = run(capsys, "--store", "north.duckdb", *arguments)
        assert code == 0
        assert str(page) in printed
        assert "not for presentation" in printed
    assert page.read_bytes() == before
    assert b"fewer than 8 patients" in page.read_bytes()


def test_stores_measured_by_different_thresholds_are_refused_until_they_share_them(
    folder: Path, capsys: Capsys
) -> None:
    both = ("--store", "north.duckdb", "--compare", "south.duckdb", "--month", MONTH)
    measure(folder / "south.duckdb", folder / "own.toml")
    before = policies(folder)
    assert before["north"] != before["south"]
    code, printed = run(capsys, *both)
    assert code == 2
    assert "south: reading_carry_hours 4 instead of 6 hours, high_fio2_above 0.4 instead of 0.28 fraction" in printed
    assert "bandaudit report --store south.duckdb --out FOLDER" in printed
    code, printed = run(capsys, *both, "--policy", "own.toml")
    assert code == 2
    assert "north: reading_carry_hours 6 instead of 4 hours" in printed
    assert "bandaudit report --store north.duckdb --policy own.toml --out FOLDER" in printed
    assert policies(folder) == before
    measure(folder / "north.duckdb", folder / "own.toml")
    assert run(capsys, *both, "--policy", "own.toml")[0] == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--compare", "north.duckdb"), "the same store"),
        (("--compare", "copy.duckdb"), "hold the same stays"),
        (("--compare", "nowhere.duckdb"), "no store at nowhere.duckdb"),
        (("--compare", "own.toml"), "cannot be opened as a store"),
        (("--compare", "south.duckdb", "--month", "2024-01"), "2024-01 given with --month is not in the store north"),
        (("--compare", "Alder", "Brich", "--month", MONTH), "Nearest to Brich: Birch"),
        (("--compare", "2025-11", "2025-12", "--changes", "own.toml"), "--changes does not go with --compare"),
    ],
)
def test_a_mistake_ends_with_exit_code_2_and_writes_nothing(
    folder: Path, capsys: Capsys, arguments: tuple[str, ...], says: str
) -> None:
    shutil.copy("north.duckdb", "copy.duckdb")
    code, printed = run(capsys, "--store", "north.duckdb", *arguments)
    assert code == 2
    assert printed.startswith("bandaudit: ")
    assert says in printed
    assert not Path("pages").exists()


def test_a_store_without_a_load_says_that_first(folder: Path, capsys: Capsys) -> None:
    with duckdb.connect("north.duckdb") as con:
        con.execute("delete from store_facts where name = 'zone'")
    code, printed = run(capsys, "--store", "north.duckdb", "--compare", "Alder", "Birch")
    assert code == 2
    assert "Nothing was loaded into this store yet" in printed
