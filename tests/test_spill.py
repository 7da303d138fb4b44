"""Rows that do not fit into memory: where they go, who may see them, and that they are gone afterwards."""

import os
import signal
import stat
import subprocess
import sys
import textwrap
from pathlib import Path

import duckdb
import pytest

from pipeline import memory
from pipeline.memory import Shares
from pipeline.store import open_store, read_store

ROOT = Path(__file__).parents[1]
LITTLE = Shares(database_bytes=40_000_000)


@pytest.fixture(autouse=True)
def _little_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory, "_shares", LITTLE)


posix = pytest.mark.skipif(os.name != "posix", reason="needs file permissions and signals")


def spill(connection: duckdb.DuckDBPyConnection) -> None:
    connection.execute("create temp table large as select range as n, hash(range)::varchar as t from range(1500000)")


def beside(store: Path) -> list[str]:
    return sorted(path.name for path in store.parent.iterdir())


@posix
@pytest.mark.parametrize("umask", [0o022, 0o000])
def test_it_goes_into_a_folder_of_its_owners_beside_the_store_and_is_gone_afterwards(
    tmp_path: Path, umask: int
) -> None:
    store, before = tmp_path / "s.duckdb", os.umask(umask)
    try:
        with open_store(store, create=True) as connection:
            spill(connection)
            assert beside(store) == ["s.duckdb", "s.duckdb.tmp"]
            folder = tmp_path / "s.duckdb.tmp"
            assert sum(file.stat().st_size for file in folder.iterdir()) > 1_000_000
            assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    finally:
        os.umask(before)
    assert beside(store) == ["s.duckdb"]


@pytest.mark.parametrize("raised", [KeyboardInterrupt, RuntimeError])
def test_it_is_gone_after_a_failure_and_after_ctrl_c(tmp_path: Path, raised: type[BaseException]) -> None:
    store = tmp_path / "s.duckdb"
    with open_store(store, create=True):
        pass

    def fail(connection: duckdb.DuckDBPyConnection) -> None:
        spill(connection)
        raise raised

    with pytest.raises(raised), open_store(store) as connection:
        fail(connection)
    assert beside(store) == ["s.duckdb"]


KILLED = """
    import os, signal, sys
    from pathlib import Path
    from pipeline import memory
    from pipeline.store import open_store, read_store
    from tests.test_spill import LITTLE, spill
    memory._shares = LITTLE
    opened = open_store if sys.argv[2] == "writer" else read_store
    with opened(Path(sys.argv[1])) as connection:
        spill(connection)
        os.kill(os.getpid(), signal.SIGKILL)
"""


@posix
@pytest.mark.parametrize("who", ["writer", "reader"])
def test_what_a_killed_program_left_is_taken_away_by_the_next_that_writes(tmp_path: Path, who: str) -> None:
    store = tmp_path / "s.duckdb"
    with open_store(store, create=True):
        pass
    code = textwrap.dedent(KILLED)
    done = subprocess.run([sys.executable, "-c", code, str(store), who], cwd=ROOT, check=False)
    assert done.returncode == -signal.SIGKILL
    assert len([name for name in beside(store) if ".tmp" in name]) == 1
    with open_store(store):
        pass
    assert beside(store) == ["s.duckdb"]


def test_nothing_else_that_has_such_a_name_is_touched(tmp_path: Path) -> None:
    store, folder = tmp_path / "s.duckdb", tmp_path / "s.duckdb.tmp"
    folder.mkdir()
    (folder / "notes.txt").write_text("kept")
    (folder / "duckdb_temp_storage_DEFAULT-0.tmp").write_text("left by a killed program")
    with open_store(store, create=True) as connection:
        spill(connection)
    assert [path.name for path in folder.iterdir()] == ["notes.txt"]


def test_several_programs_that_read_have_a_folder_each(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    with open_store(store, create=True):
        pass
    with read_store(store) as connection:
        assert beside(store) == ["s.duckdb"]
        [(folder,)] = connection.execute("select current_setting('temp_directory')").fetchall()
        assert Path(folder) == tmp_path / f"s.duckdb.tmp-{os.getpid()}"
    assert beside(store) == ["s.duckdb"]
