"""The limit on memory: what may be written, what it is shared out to, and that the store keeps to its share."""

from contextlib import ExitStack
from dataclasses import astuple
from itertools import pairwise
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.errors import AuditError
from pipeline.memory import Shares, bytes_of, limited, shares
from pipeline.store import open_store, read_store, share_memory
from tests.intake.extracts import loaded, write_extract

Capsys = pytest.CaptureFixture[str]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("4GB", 4_000_000_000),
        ("800MB", 800_000_000),
        ("1.5 GB", 1_500_000_000),
        ("2gib", 2_147_483_648),
        ("1024MiB", 1_073_741_824),
    ],
)
def test_amounts_are_decimal_and_binary_as_the_unit_says(text: str, expected: int) -> None:
    """Units: IEC 80000-13 (MiB, GiB) and SI prefixes (MB, GB)."""
    assert bytes_of(text) == expected


@pytest.mark.parametrize("text", ["", "4", "4 apples", "GB", "-4GB", "4GB or so", "4TB5", "10KB"])
def test_what_is_no_amount_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(AuditError, match="--memory-limit 4GB"):
        bytes_of(text)


@pytest.mark.parametrize("text", ["0MB", "799MB", "512MiB", "0.5GB"])
def test_less_than_the_libraries_need_is_refused_with_the_least_that_goes(text: str) -> None:
    with pytest.raises(AuditError, match=r"below 800MB.*Give 800MB or more"):
        bytes_of(text)


@pytest.mark.parametrize("command", ["load", "report", "present", "case", "export"])
def test_every_command_with_a_store_takes_it(tmp_path: Path, capsys: Capsys, command: str) -> None:
    more = {"load": [str(tmp_path)], "case": ["--stay", "S", "--out", "o"]}.get(command, ["--out", "o"])
    assert main([command, *more, "--store", str(tmp_path / "s.duckdb"), "--memory-limit", "1MB"]) == 2
    assert "--memory-limit is below 800MB" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_without_a_limit_nothing_is_less_than_usual() -> None:
    with limited(None):
        assert shares() == Shares()


def test_the_more_memory_the_more_of_everything_up_to_the_usual() -> None:
    sizes = []
    for limit in ("800MB", "1GB", "2GB", "16GB"):
        with limited(bytes_of(limit)):
            sizes.append(astuple(shares()))
    assert all(a <= b for less, more in pairwise(sizes) for a, b in zip(less, more, strict=True))
    assert sizes[-1][1:] == astuple(Shares())[1:]
    assert min(sizes[0]) > 0


def test_the_limit_ends_with_the_command_also_when_it_fails() -> None:
    with pytest.raises(ZeroDivisionError), limited(10**9):
        raise ZeroDivisionError
    assert shares() == Shares()


def test_the_database_is_held_to_its_share(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    for opened in (lambda: open_store(store, create=True), lambda: read_store(store)):
        with limited(10**9), opened() as connection:
            [(found,)] = connection.execute("select current_setting('memory_limit')").fetchall()
        # Not quite half of what the libraries leave, in the units of DuckDB.
        assert found == "244.6 MiB"


def test_stores_that_are_open_at_once_divide_the_share_of_one(tmp_path: Path) -> None:
    with limited(10**9), ExitStack() as stack:
        opened = [stack.enter_context(open_store(tmp_path / f"{n}.duckdb", create=True)) for n in range(2)]
        share_memory(opened)
        settings = [one.execute("select current_setting('memory_limit')").fetchall() for one in opened]
    assert settings == [[("122.3 MiB",)]] * 2


def test_a_load_and_an_export_within_a_limit_give_what_they_give_without(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    for name, options in (("free", []), ("limited", ["--memory-limit", "800MB"])):
        store, out = tmp_path / f"{name}.duckdb", tmp_path / name
        loaded(capsys, extract, store, *options)
        assert main(["export", "--store", str(store), "--out", str(out), "--format", "csv", *options]) == 0
    free, within = ({p.name: p.read_bytes() for p in (tmp_path / name).iterdir()} for name in ("free", "limited"))
    assert free == within
    assert len(free) > 20
