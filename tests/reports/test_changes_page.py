"""Declared changes and funnels on the month's page, from measured rows with a change of known size."""

from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.cli import main
from pipeline.declared_changes import DeclaredChange, DeclaredChanges
from pipeline.errors import ChangesError
from pipeline.fill import insert
from pipeline.policy import read_policy
from reports.month import write_month_report
from synthetic_data.cohort import simulate
from synthetic_data.extract import write_extract
from tests.reports.fabricated import HOSTILE, MONTHS, TINY_WARD, WARDS, Scenario, fabricated_store
from tests.reports.reading import read

PRESET = DeclaredChange(date(2026, 1, 5), "88-92 % <b>preset</b> for known retainers")
LABELS = DeclaredChange(date(2026, 3, 1), "Flow labels on valves", HOSTILE)
DECLARED = DeclaredChanges((PRESET, LABELS), fingerprint="0123456789ab")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented store with rows patient by patient: 24 % above on oxygen before 2026-01, 12 % from then on."""
    path = fabricated_store(tmp_path_factory.mktemp("changes") / "store.duckdb", Scenario(others=200))
    rng = np.random.default_rng(4)
    rows: list[tuple[object, ...]] = []
    for month in MONTHS:
        above = 0.24 if month < "2026-01" else 0.12
        for number in range(90):
            group = "retainer" if number % 3 == 0 else "other"
            stay = (f"S{number}", f"P{month}{number}", WARDS[number % len(WARDS)], month, group)
            share = float(rng.beta(8 * above, 8 * (1 - above)))
            for measure, part in (
                ("share_above_on_oxygen", share),
                ("share_below", 0.05),
                ("share_within", 0.9 - share),
            ):
                rows.append((measure, *stay, 100_000 * part, 100_000))
            rows.append(("oxygen_stays_with_target", *stay, float(rng.random() < 0.8), 1))
    with duckdb.connect(str(path)) as con:
        columns = ["measure_id", "stay_id", "patient_key", "ward", "month", "group", "numerator", "denominator"]
        insert(con, "measure_rows", pl.DataFrame(rows, schema=columns, orient="row", infer_schema_length=None))
    return path


@pytest.fixture(scope="module")
def text(store: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    with duckdb.connect(str(store), read_only=True) as con:
        out = tmp_path_factory.mktemp("out")
        return write_month_report(con, out, None, read_policy(), DECLARED).read_text(encoding="utf-8")


def section(text: str, name: str) -> str:
    return text[text.index(f'<section id="{name}"') :].split("</section>")[0]


def test_each_change_stands_with_the_figures_before_and_after(text: str) -> None:
    table = read(section(text, "trend")).table_with("Change")
    assert table[0] == ["Change", "Patients", "Below", "Within", "Above, on oxygen"]
    assert table[1][0] == f"1. 5 January 2026, whole hospital {PRESET.what}"
    assert table[1][1] == "CO2 retainers"
    before, after = (part.strip() for part in table[1][4].split("→"))
    assert 0.20 < float(before.split("\xa0")[0]) / 100 < 0.28
    assert 0.09 < float(after.split("\xa0")[0]) / 100 < 0.15
    assert "points (\N{MINUS SIGN}" in table[1][4]
    assert "no clear change" not in table[1][4]
    assert table[1][2].startswith("5.0\xa0% → 5.0\xa0%")
    assert table[2][0] == "Everybody else"


def test_a_change_of_one_ward_stands_with_the_figures_of_that_ward(text: str) -> None:
    table = read(section(text, "trend")).table_with("Change")
    row = next(row for row in table if row[0].startswith("2."))
    assert row[:2] == [f"2. 1 March 2026, {HOSTILE} Flow labels on valves", "All patients"]


def test_too_few_months_for_an_interrupted_time_series_say_how_many_are_needed(text: str) -> None:
    # April 2025 to May 2026, September without data, January divided by the change: 8 before and 4 after.
    words = "an interrupted time series needs 12 whole months on either side; there are 8 before and 4 after."
    assert f"CO2 retainers: {words} Everybody else: {words}" in read(section(text, "trend")).text


def test_charts_carry_the_changes_and_begin_anew_after_them(text: str) -> None:
    trend = read(section(text, "trend"))
    drawn = [attributes["aria-label"] or "" for attributes in trend.named("svg")]
    assert len(drawn) == 6
    assert all("Since February 2026" in label for label in drawn)
    assert section(text, "trend").count(">change 1<") == section(text, "trend").count(">change 2<") == 6
    assert "Too few months for rules and limits: 4 of the 10 they need." in trend.text


def test_every_measure_says_what_it_was_before_and_after(text: str) -> None:
    found = read(section(text, "measures")).text
    assert found.count("Change 1 (5 January 2026):") > 30
    assert "Change 2" not in found
    assert "cannot be told" in found


def test_nothing_is_said_to_have_been_brought_about_by_the_change(text: str) -> None:
    assert "A clear difference says that something changed, not what changed it" in read(text).text


def test_what_was_done_is_escaped(text: str) -> None:
    assert "&lt;b&gt;preset&lt;/b&gt;" in text
    assert "<b>preset" not in text


def test_a_change_after_the_month_is_not_told(store: Path, tmp_path: Path) -> None:
    with duckdb.connect(str(store), read_only=True) as con:
        text = write_month_report(con, tmp_path, "2025-12", read_policy(), DECLARED).read_text(encoding="utf-8")
    assert "What was changed" not in text
    assert "Since" not in read(section(text, "trend")).text


def test_a_ward_that_is_not_there_is_refused(store: Path, tmp_path: Path) -> None:
    declared = DeclaredChanges((DeclaredChange(date(2026, 1, 5), "x", "Alder "),))
    with duckdb.connect(str(store), read_only=True) as con, pytest.raises(ChangesError, match="does not hold"):
        write_month_report(con, tmp_path, None, read_policy(), declared)


def test_the_command_refuses_a_file_of_changes_with_faults(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "changes.toml"
    file.write_text("[[change]]\n", encoding="utf-8")
    arguments = ["report", "--store", str(tmp_path / "s.duckdb"), "--out", str(tmp_path), "--changes", str(file)]
    assert main(arguments) == 2
    assert "change 1: date must be a day" in capsys.readouterr().err


def test_the_command_reads_the_file_and_gives_the_same_bytes_twice(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_extract(simulate(stays=80), tmp_path / "extract", dirty=False)
    (tmp_path / "changes.toml").write_text('[[change]]\ndate = 2026-02-01\nwhat = "Flow labels"\n', encoding="utf-8")
    store = ["--store", str(tmp_path / "store.duckdb")]
    assert main(["load", str(tmp_path / "extract"), *store]) == 0, capsys.readouterr().err
    pages = []
    for name in ("first", "second"):
        changes = ["--changes", str(tmp_path / "changes.toml")]
        assert main(["report", *store, "--out", str(tmp_path / name), *changes]) == 0, capsys.readouterr().err
        (page,) = (tmp_path / name).glob("*.html")
        pages.append(page.read_bytes())
    assert pages[0] == pages[1]
    assert "1. 1 February 2026, whole hospital Flow labels" in read(pages[0].decode("utf-8")).text


# --- funnels ----------------------------------------------------------------------------------------------------


def test_funnels_show_the_wards_in_alphabetical_order_and_hide_small_ones(text: str) -> None:
    wards = read(section(text, "wards"))
    for title in ("Time above the prescribed band on oxygen", "Patients on oxygen with a prescribed target"):
        assert title in wards.text
    tables = [
        [[cell.strip() for cell in row] for row in table] for table in wards.tables if "Ward with limits" in table[0][0]
    ]
    assert len(tables) == 2
    for table in tables:
        names = [row[0] for row in table[1:]]
        assert names == sorted(names, key=str.casefold)
        tiny = next(row for row in table if row[0] == TINY_WARD)
        assert tiny[1].startswith("\N{EN DASH} not shown")
        assert len(tiny) == 2
        shown = [row for row in table[1:] if len(row) > 2]
        assert len(shown) >= 3
        assert all("limits" in row[-1] for row in shown)


def test_a_funnel_calls_nobody_better_or_worse(text: str) -> None:
    wards = read(section(text, "wards")).text
    assert "Outside is different, not better or worse" in wards
    assert not {"best", "worst", "rank ", "outlier", "poor"} & set(wards.casefold().split())


def test_a_hidden_ward_is_in_no_chart(text: str) -> None:
    for drawn in read(section(text, "wards")).named("svg"):
        assert TINY_WARD not in str(drawn["aria-label"])
    charts = section(text, "wards").split("<svg")[1:]
    assert not [chart for chart in charts if f">{TINY_WARD}<" in chart.split("</svg>")[0]]


def test_without_rows_there_is_no_funnel(page: str) -> None:
    assert "Is a ward outside what chance allows?" not in page
