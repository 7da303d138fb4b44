"""The quick ways of a load give what its thorough ways give, and leave nothing running behind them.

What is right in itself is tested elsewhere (times against `zoneinfo` in `test_times.py`); here one way is held against
the other, on cells that take now the one, now the other.
"""

import sys
import threading
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import ExtractError
from pipeline.intake import load as load_module
from pipeline.intake.check import typed
from pipeline.intake.contracts import expectations
from pipeline.intake.read import find_files, header, pieces
from pipeline.intake.times import local_to_utc, placed_one_by_one, written_in_parts
from pipeline.vocabulary import READINGS
from tests.intake.extracts import kept_aside, loaded, query, readings, row, write_extract
from tests.intake.test_times import ZONES, days_of_change

PLAIN = st.datetimes(datetime(1950, 1, 1), datetime(2520, 1, 1)).map(lambda at: at.replace(microsecond=0))
SHAPES = ("%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%SZ", "%Y-%m-%d %H:%M+01")


@st.composite
def written_times(draw: st.DrawFn) -> str:
    """A time in one of several shapes, perhaps with up to two of its characters changed for others."""
    text = list(draw(PLAIN).strftime(draw(st.sampled_from(SHAPES))))
    for place in draw(st.lists(st.integers(0, len(text) - 1), max_size=2)):
        text[place] = draw(st.sampled_from("0123456789:- TZ+.,a\u00e9\u0662"))
    return "".join(text)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.none() | written_times() | PLAIN.map(str) | PLAIN.map(lambda at: at.strftime(SHAPES[0])), max_size=12),
    st.sampled_from(ZONES),
)
def test_written_times_are_read_as_if_each_were_taken_apart(texts: list[str | None], zone: str) -> None:
    cells = pl.Series(texts, dtype=pl.String)
    slow = written_in_parts(cells)
    placed = placed_one_by_one(slow["naive"], zone)
    is_time = slow["naive"].is_not_null()
    local = slow["is_local"] & is_time

    quick = local_to_utc(cells, zone)

    # As numbers: an offset can carry a time of the year 9999 beyond what Python can hold.
    assert quick["utc"].dt.epoch("us").to_list() == [
        (there if is_local else naive)
        for there, naive, is_local in zip(
            placed["utc"].dt.epoch("us"), slow["naive"].dt.epoch("us"), local, strict=True
        )
    ]
    assert quick["gone"].to_list() == (placed["gone"] & local).to_list()
    assert quick["twice"].to_list() == (placed["twice"] & local).to_list()


@pytest.mark.parametrize("zone", ZONES)
def test_every_few_minutes_around_changes_of_the_clocks_are_placed_as_one_by_one(zone: str) -> None:
    days = [datetime.combine(day, datetime.min.time()) for day in days_of_change(zone)]
    steps = range(-3 * 86_400, 4 * 86_400, 421)
    local = pl.Series([day + timedelta(seconds=step) for day in days[::5] for step in steps], dtype=pl.Datetime("us"))
    assert local_to_utc(local, zone).equals(placed_one_by_one(local, zone))


CELLS = {
    "stay_id": ("S1", " S2 ", ""),
    "taken_at": ("2026-01-05 10:00", "2026-03-29 01:30", "2026-10-25 01:30", "2026-02-30 10:00", "soon", ""),
    "spo2_percent": ("91", "9l", "101", ""),
    "source": ("spot", "Spot", ""),
}


@settings(max_examples=100, deadline=None)
@given(st.lists(st.fixed_dictionaries({name: st.sampled_from(cells) for name, cells in CELLS.items()}), min_size=1))
def test_a_piece_is_typed_as_its_rows_are_one_by_one(rows: list[dict[str, str]]) -> None:
    piece = pl.DataFrame(rows).with_row_index("row_number", offset=2)
    alone = [typed(piece[place], READINGS, "Europe/London") for place in range(piece.height)]
    assert typed(piece, READINGS, "Europe/London").equals(pl.concat(alone))


def test_repeats_and_strangers_among_many_ordinary_rows_are_found(
    tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    rows = readings(120)
    late = row("readings", taken_at="2026-01-09 12:00")
    rows += [rows[7], rows[7], rows[50] | {"spo2_percent": "88"}, late, late, rows[3] | {"stay_id": "ST-0009"}]
    extract = write_extract(tmp_path / "extract", readings=rows)
    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert sorted(kept_aside(tmp_path / "s.duckdb")) == [
        ("readings.csv", 52, "taken_at", "conflicting_repeat"),
        ("readings.csv", 124, "taken_at", "conflicting_repeat"),
        ("readings.csv", 125, "taken_at", "outside_the_stay"),
        ("readings.csv", 126, "taken_at", "outside_the_stay"),
        ("readings.csv", 127, "stay_id", "unknown_stay"),
    ]
    counted = "select rows_read, rows_stored, rows_repeated, rows_kept_aside from load_ledger where table_name = ?"
    assert query(tmp_path / "s.duckdb", counted.replace("?", "'readings'")) == [(126, 119, 2, 5)]


# --- threads ----------------------------------------------------------------------------------------------------


@pytest.fixture
def nothing_left_running() -> Iterator[None]:
    before, patience = set(threading.enumerate()), sys.getswitchinterval()
    yield
    assert set(threading.enumerate()) <= before
    assert sys.getswitchinterval() == patience


@pytest.mark.usefixtures("nothing_left_running")
def test_a_file_that_is_damaged_behind_its_first_piece_is_refused(tmp_path: Path) -> None:
    line = "ST-0001,2026-01-05 10:00,91\n"
    whole = "stay_id,taken_at,spo2_percent\n" + line * 700_000
    folder = write_extract(tmp_path / "extract", readings=whole + '"never closed,' + line)
    file = next(file for file in find_files(folder)[0] if file.table == "readings")
    read = pieces(file, header(file), [])
    assert next(read).height < 700_000
    with pytest.raises(ExtractError, match="quotation mark"):
        list(read)


@pytest.mark.usefixtures("nothing_left_running")
def test_a_reader_that_is_left_early_stops(tmp_path: Path) -> None:
    file = next(f for f in find_files(write_extract(tmp_path / "e", readings=readings(5)))[0] if f.table == "readings")
    read = pieces(file, header(file), [])
    assert next(read)["row_number"].to_list() == [2, 3, 4, 5, 6]
    read.close()  # type: ignore[attr-defined]


@pytest.mark.usefixtures("nothing_left_running")
def test_what_goes_wrong_while_getting_ready_to_judge_comes_out_where_it_is_called_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "great_expectations", None)  # an import of it now raises ImportError
    with expectations.batches_made(meanwhile=True) as batches_for, pytest.raises(ImportError):
        batches_for()


@pytest.mark.usefixtures("nothing_left_running")
def test_getting_ready_meanwhile_ends_with_a_load_that_stops(monkeypatch: pytest.MonkeyPatch) -> None:
    begun, may_end = threading.Event(), threading.Event()

    def slow() -> str:
        begun.set()
        may_end.wait(10)
        return "ready"

    def stops() -> None:
        with expectations.batches_made(meanwhile=True):
            assert begun.wait(10)
            may_end.set()
            raise ExtractError("stopped")

    monkeypatch.setattr(expectations, "make_batches", slow)
    with pytest.raises(ExtractError, match="stopped"):
        stops()


@pytest.mark.usefixtures("nothing_left_running")
def test_a_large_extract_is_judged_as_a_small_one_is(
    tmp_path: Path, capsys: pytest.CaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    extract = write_extract(tmp_path / "extract", readings=readings(40))
    verdicts = []
    for name, bytes_of_a_large_one in (("small", 2**30), ("large", 0)):
        monkeypatch.setattr(load_module, "_BYTES_OF_A_LARGE_EXTRACT", bytes_of_a_large_one)
        loaded(capsys, extract, tmp_path / f"{name}.duckdb")
        verdicts.append(query(tmp_path / f"{name}.duckdb", "from load_verdicts order by all"))
    assert verdicts[0] == verdicts[1]
    assert len(verdicts[0]) > 5
