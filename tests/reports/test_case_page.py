"""The page of one stay: its figures against those worked out by hand from what was charted, its safety and its words.

The stay of `worked_out` has 24 hours from 08:00. From 09:00, when 88-92 % is prescribed, 23 hours are under a target,
of which one (16:30-17:30) is not audited. A reading speaks for six hours at the most, so 22:00-23:00 is not observed:
21 hours are. Of these 09:00-12:00 is above on oxygen (97, then 95 %), 14:00-16:00 below (86 %), and the rest, 16
hours, within. 16/21 = 76 %, 2/21 = 9.5 %, 3/21 = 14 %.
"""

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import duckdb
import pytest
from playwright.sync_api import Browser

from pipeline.cli import main
from pipeline.errors import AuditError
from pipeline.pathway.steps import STEPS
from pipeline.policy import read_policy
from pipeline.store import open_store
from reports import case_axis, case_chart, case_rows
from reports.case import file_name, write_case
from reports.case_drawing import Drawing
from reports.case_lanes import Place
from reports.case_record import read_record
from tests.reports.browser import in_a_browser, measured
from tests.reports.case_stays import (
    BARE,
    HOSTILE_KEY,
    LONG,
    PLAIN,
    at,
    bare,
    case_text,
    long_and_full,
    measured_store,
    monitored,
    worked_out,
)
from tests.reports.fabricated import HOSTILE
from tests.reports.reading import Page, read

EN_DASH, MINUS = "\N{EN DASH}", "\N{MINUS SIGN}"


@pytest.fixture(scope="module")
def store() -> Iterator[duckdb.DuckDBPyConnection]:
    with measured_store(worked_out(), worked_out(HOSTILE_KEY), bare(), long_and_full()) as con:
        yield con


@pytest.fixture(scope="module")
def texts(store: duckdb.DuckDBPyConnection, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("case")
    return {key: case_text(store, folder, key) for key in (PLAIN, HOSTILE_KEY, BARE, LONG)}


@pytest.fixture(scope="module")
def page(texts: dict[str, str]) -> Page:
    return read(texts[PLAIN])


def first_screen(text: str) -> str:
    return read(text[: text.index('id="after-first"')]).text


def rows_of(page: Page, head: str) -> list[list[str]]:
    return [[" ".join(cell.split()) for cell in row] for row in page.table_with(head)[1:]]


# --- the summary --------------------------------------------------------------------------------------------------


def test_the_summary_names_the_shares_worked_out_by_hand(texts: dict[str, str]) -> None:
    text = first_screen(texts[PLAIN])
    assert "76 % within, 9.5 % below, 14 % above on oxygen" in text
    assert f"of 21 h observed; target 88{EN_DASH}92 %" in text
    assert "not observed 1 h, no target 1 h, not audited 1 h" in text


def test_the_summary_says_since_when_there_was_which_evidence(texts: dict[str, str]) -> None:
    text = first_screen(texts[PLAIN])
    # 88-92 % was prescribed at 09:00 (weak evidence), the first retaining gas taken at 09:30.
    assert "CO2 retention on a gas in this stay" in text
    assert "since 10 Mar, 09:30 before that, from 10 Mar, 09:00: 88-92 % prescribed (weak evidence)" in text


def test_the_summary_counts_episodes_under_each_estimate(texts: dict[str, str]) -> None:
    # Cannula at 4 L/min: 36 % (28 to 44), 08:30-11:00, with a reading of 95 %; ventilation at a recorded 30 %,
    # 12:30-15:00, with one of 86 %. Low estimate: 28 % is not over 28 %, so only the second. High estimate: the valve
    # between them is 30 %, so they are one.
    text = first_screen(texts[PLAIN])
    assert "2: 1 with a reading above the band, 1 with none above it" in text
    assert "1 under the low, 1 under the high estimate of inspired oxygen (fewer, since neighbours join)" in text
    assert "high oxygen 5 h in all" in text


def test_the_summary_tells_gases_ward_and_length(texts: dict[str, str]) -> None:
    text = first_screen(texts[PLAIN])
    assert "highest pCO2 7.8 kPa, lowest pH 7.30" in text
    assert "3 gases, 2 arterial or capillary" in text
    assert f"{HOSTILE}, then Birch; 24 h from 10 March 2026, 08:00 to 11 Mar, 08:00" in text
    assert f"Stay {PLAIN}" in text
    assert "patient of" not in texts[PLAIN]


def test_the_summary_says_since_when_and_which_risks_are_flagged(tmp_path: Path) -> None:
    tables = worked_out()
    flags = [(at(6), "oxygen_alert", None), (at(10), "copd", None)]
    tables["flags"] += [
        {"stay_id": PLAIN, "flagged_at": when, "flag": flag, "until_at": until} for when, flag, until in flags
    ]
    with measured_store(tables) as con:
        text = case_text(con, tmp_path, PLAIN)
    told = first_screen(text)
    # From strongest to weakest: the gas at 09:30; the alert set before admission counts from 08:00. The weak evidence
    # at 09:00 adds nothing to it, and a flag of critical care is no risk.
    assert "since 10 Mar, 09:30 before that, from 10 Mar, 08:00: previous CO2 retention recorded" in told
    assert "88-92 % prescribed" not in told
    assert "risk flagged: oxygen alert, COPD" in told
    assert ["10 Mar, 10:00", "COPD", "until the end", "risk"] in rows_of(read(text), "Kind")


def test_one_episode_is_told_as_one(tmp_path: Path) -> None:
    tables = worked_out()
    # Ventilation at 24 % from 12:30 is not high, so the cannula of the morning is the only episode.
    tables["devices"][2]["fio2_fraction"] = 0.24
    with measured_store(tables) as con:
        text = first_screen(case_text(con, tmp_path, PLAIN))
    assert "1, with a reading above the band" in text


# --- the tables ---------------------------------------------------------------------------------------------------


def test_a_step_stands_with_its_clock_limit_minutes_and_result(page: Page) -> None:
    # First on oxygen at 08:30, target at 09:00.
    row = next(row for row in rows_of(page, "Step and its clock") if row[0].startswith("A target saturation"))
    assert row[0] == f"{STEPS['target_prescribed'].title} {STEPS['target_prescribed'].clock}"
    assert row[1].startswith("10 Mar, 08:30 ward <script>")
    assert row[2:6] == ["10 Mar, 09:00", "30 min until done", "60 min", "met"]
    assert row[6] == "none yet"


def test_a_nebuliser_without_a_charted_end_could_not_be_told_and_the_page_says_why(tmp_path: Path) -> None:
    tables = worked_out()
    # Under 88-92 %, so with evidence of retention; without an end, until the cannula of 15:10 as far as anybody knows.
    tables["devices"] += [
        {"stay_id": PLAIN, "started_at": at(15, 2), "device": "oxygen_driven_nebuliser"},
        {"stay_id": PLAIN, "started_at": at(15, 10), "device": "nasal_cannula", "flow_l_min": 1.0},
    ]
    with measured_store(tables) as con:
        found = read(case_text(con, tmp_path, PLAIN))
    row = next(row for row in rows_of(found, "Step and its clock") if row[0].startswith("An oxygen-driven nebuliser"))
    assert row[2:6] == ["not done", "8 min waited", "6 min", "could not be told"]
    assert "or no end of a nebuliser is charted" in found.text


def test_a_gas_stands_with_what_follows_from_it(page: Page) -> None:
    first, second, third = rows_of(page, "Base excess, mmol/L")
    # Henderson-Hasselbalch as in physiology textbooks: 0.03 x 7.8 x 7.5006 mmHg x 10^(7.30 - 6.1) = 27.8.
    assert first[:5] == ["10 Mar, 09:30", "Arterial", "7.30 H+ 50 nmol/L", "7.8", "27.8 derived"]
    assert first[8] == f"36 % (28{EN_DASH}44) nasal cannula, 4 L/min"
    assert first[9] == "none near"
    assert first[10] == "Acute respiratory acidosis"
    # 7.0 kPa over the printed 0.28.
    assert second[6] == "7.0 pO2/FiO2 25 kPa"
    assert third[1] == "Venous"
    assert third[6] == EN_DASH
    assert third[10] == "Venous: proves nothing"


def test_a_reading_that_does_not_fit_its_gas_is_listed(page: Page) -> None:
    # Severinghaus (1979): 7.0 kPa = 52.5 mmHg; at pH 7.34 and 53.3 mmHg pCO2 as good as
    # 52.5 x 10^(0.40 x -0.06 + 0.06 x log10(40 / 53.3)) = 48.8, which gives 84.1 %; the oximeter read 95 %.
    assert rows_of(page, "Expected from the gas") == [
        ["10 Mar, 11:40", "95 %", "84.1 %", "10.9 points", "Reads higher than the gas leads one to expect"]
    ]


def test_a_change_of_oxygen_stands_with_the_gases_around_it(page: Page) -> None:
    first = rows_of(page, "Saturation then")[0]
    assert first == [
        "10 Mar, 11:00 less oxygen",
        f"Nasal cannula, 4 L/min 36 % (28{EN_DASH}44)",
        f"Air-entrainment mask, 4 L/min 28 % (26.5{EN_DASH}30)",
        "95 %",
        "7.8 kPa, pH 7.30 1 h 30 min before",
        "7.1 kPa, pH 7.34 40 min after",
        f"pCO2 {MINUS}0.7 kPa pH +0.04",
    ]


def test_a_run_above_the_band_has_its_dose_and_litres(page: Page) -> None:
    (row,) = rows_of(page, "Percent-hours")
    # One hour 5 points above 92 and two hours 3 points above; 4 L/min all the time.
    assert row[0].startswith("10 Mar, 09:00")
    assert row[1:6] == ["3 h", "5 over 92 %", "11.0", "Nasal cannula", "720 L"]


def test_a_valve_stands_with_its_total_flow_and_the_demand(page: Page) -> None:
    (row,) = rows_of(page, "Likely peak demand")
    # 4 x (1 - 0.209) / (0.28 - 0.209) = 44.6.
    assert row[:5] == ["28 %", "4 L/min", "1 h 30 min", "As printed", "45 L/min"]
    assert row[5:] == ["30 L/min no rate charted: at rest", "yes"]


def test_episodes_stand_with_their_range_and_what_followed(page: Page) -> None:
    first, second = rows_of(page, "Target at start")
    assert first[1:5] == [
        "2 h 30 min to 10 Mar, 11:00",
        f"36 % (28{EN_DASH}44) estimated; nasal cannula",
        "none",
        "a reading above the band 95 %",
    ]
    assert first[5:] == ["no gas", "7.8 kPa, pH 7.30 1 h after", "in time"]
    assert second[2] == "30 % recorded; bilevel NIV"
    assert second[4] == "a reading below the band, none above 86 %"


def test_every_reading_and_device_record_of_the_chart_stands_under_it(page: Page) -> None:
    readings = rows_of(page, "Judged")
    assert [row[1] for row in readings] == ["97 %", "95 %", "95 %", "90 %", "86 %", "89 %", "91 %", "90 %"]
    assert readings[0][2:4] == ["none", "No target in force"]
    assert readings[4][2:4] == [f"88{EN_DASH}92 %", "Below the band"]
    devices = rows_of(page, "Fraction recorded or printed")
    assert [row[2] for row in devices] == ["Nasal cannula", "Air-entrainment mask", "Bilevel NIV", "Nasal cannula"]
    in_force = rows_of(page, "Device in force")
    assert in_force[0][:5] == ["10 Mar, 08:00", "10 Mar, 08:30", "30 min", "No device charted", "not charted"]


# --- the chart ----------------------------------------------------------------------------------------------------


def test_the_rows_of_the_chart_hold_the_times_worked_out_by_hand(store: duckdb.DuckDBPyConnection) -> None:
    record = read_record(store, PLAIN)
    rows = {row.name: row for group in case_rows.groups(record).values() for row in group}
    assert [(part.started_at, part.ended_at) for part in rows["Not observed"].parts] == [(at(22), at(23))]
    assert [(part.started_at, part.ended_at) for part in rows["Above, on oxygen"].parts] == [(at(9), at(12))]
    assert rows["Above, on oxygen"].total == "3 h, 14\xa0%"
    assert rows["Below the band"].total == "2 h, 9.5\xa0%"
    assert [(part.started_at, part.ended_at) for part in rows["Not audited: critical care"].parts] == [
        (at(16, 30), at(17, 30))
    ]
    assert [part.words for part in rows["Episode of high oxygen"].parts] == ["reading above", "reading below"]
    assert [symbol.kind for symbol in rows["Venous: no pattern"].symbols] == ["venous"]


def test_the_end_of_a_wait_passes_over_time_that_is_not_audited(store: duckdb.DuckDBPyConnection) -> None:
    record = read_record(store, PLAIN)
    # From 16:00: 30 minutes, then an hour not audited, then the other 30; and never past the end of the stay.
    assert case_rows.after_audited(record, at(16), 60) == at(18)
    assert case_rows.after_audited(record, at(16), 30) == at(16, 30)
    assert case_rows.after_audited(record, at(18), 60) == at(19)
    assert case_rows.after_audited(record, at(18), 9999) == record.ended_at


def test_of_gases_too_close_for_their_figures_the_worst_is_written_at_its_own_symbol() -> None:
    # 24 hours on 990 pixels: gases at 09:30 (7.1 kPa, pH 7.34) and 09:45 (7.8, 7.30) are 10 pixels apart, so there is
    # room for one figure each: the higher pCO2, over its symbol, and the lower pH, under it.
    tables = worked_out()
    tables["gases"] = [tables["gases"][0] | {"ph": 7.34, "pco2_kpa": 7.1}, tables["gases"][1] | {"taken_at": at(9, 45)}]
    tables["gases"][1] |= {"ph": 7.30, "pco2_kpa": 7.8}
    with measured_store(tables) as con:
        record = read_record(con, PLAIN)
    drawing = Drawing(1290)
    case_chart._gases(drawing, Place(record), read_policy(), 0, {"pco2": 52, "ph": 44})
    figures = {word.text: word for word in drawing.words if re.fullmatch(r"\d+\.\d+", word.text)}
    assert set(figures) == {"7.8", "7.30"}
    x = Place(record).x(at(9, 45))
    dots = sorted(dot.y for dot in drawing.dots if dot.x == x)
    assert [figures[name].x for name in ("7.8", "7.30")] == [x, x]
    assert figures["7.8"].y < dots[0]
    assert figures["7.30"].y > dots[1] > max(dot.y for dot in drawing.dots if dot.x == Place(record).x(at(9, 30)))


def test_the_chart_has_words_for_those_who_do_not_see_it(texts: dict[str, str]) -> None:
    svg = re.findall(r"<svg.*?</svg>", texts[PLAIN], re.DOTALL)
    assert len(svg) == 1
    assert 'role="img"' in svg[0]
    assert "8 saturation readings from 86 to 97 %" in svg[0]
    drawn = re.sub(r"<[^>]*>", "\n", svg[0])
    for words in ("Saturation, %", "Inspired oxygen, %", "pCO2, kPa", "pH", "Bilevel NIV", "arterial", "venous", "7.8"):
        assert words in drawn.split("\n")
    assert "clip-path" not in svg[0]
    assert "Breaths a minute" not in drawn
    assert ">Breaths a minute<" in re.findall(r"<svg.*?</svg>", texts[LONG], re.DOTALL)[0]


def test_a_month_of_a_reading_every_minute_is_still_a_page_to_open(tmp_path: Path) -> None:
    with measured_store(monitored()) as con:
        text = case_text(con, tmp_path, BARE)
    # 43,200 readings of 91, 92, 95 or 98 % (squares by nine leave 0, 1, 4 or 7): no more symbols than there is room
    # for, and a table that says what it leaves out.
    assert len(text) < 4_000_000
    assert "The first 1,500 are listed; 41,700 more are in the timeline" in read(text).text
    assert "43,200 saturation readings from 91 to 98 %" in text


@pytest.mark.parametrize(
    ("start", "hours", "zone", "most", "words"),
    [
        # The night of 25 October 2026 has 25 hours in London: 02:00 comes twice as long after midnight.
        (datetime(2026, 10, 24, 23), 5, "Europe/London", 8, ["25 Oct", "01:00", "02:00", "03:00"]),
        (datetime(2026, 10, 25, 0), 5, "UTC", 8, ["25 Oct", "01:00", "02:00", "03:00", "04:00"]),
        (datetime(2026, 3, 29, 0), 4, "Europe/London", 8, ["29 Mar", "02:00", "03:00", "04:00"]),
        (datetime(2026, 3, 10, 8), 60, "Europe/London", 8, ["12:00", "11 Mar", "12:00", "12 Mar", "12:00"]),
    ],
)
def test_the_time_axis_follows_the_clock_on_the_wall(
    start: datetime, hours: int, zone: str, most: int, words: list[str]
) -> None:
    assert [tick.words for tick in case_axis.ticks(start, start + timedelta(hours=hours), zone, most)] == words


def test_the_axis_of_a_long_stay_has_days_only_and_not_too_many() -> None:
    start = datetime(2026, 3, 10, 8)
    ticks = case_axis.ticks(start, start + timedelta(days=30), "Europe/London", 16)
    assert [tick.words for tick in ticks][:3] == ["11 Mar", "13 Mar", "15 Mar"]
    assert all(tick.is_midnight for tick in ticks)
    # The clocks go forward on 29 March: midnight is at 00:00 UTC before and 23:00 UTC after.
    assert {tick.at.hour for tick in ticks} == {0, 23}
    assert len(ticks) <= 16


# --- what is not there --------------------------------------------------------------------------------------------


def test_empty_tables_are_said_in_words(texts: dict[str, str]) -> None:
    found = read(texts[BARE])
    for words in (
        "No step of the pathway became due in this stay.",
        "No blood gas is charted in this stay.",
        "No change of the inspired oxygen is known in this stay.",
        "No time above the band on oxygen was found in this stay.",
        "No audited time on an air-entrainment valve.",
        "nothing could be compared",
        "none in this stay",
    ):
        assert words in found.text
    # One reading at 09:00 until the end at 14:00, within 94-98 %.
    assert "100 % within, 0 % below, 0 % above on oxygen" in found.text
    assert "Could not be told" not in found.text.replace("“Could not be told”", "")


def test_a_table_that_was_never_loaded_is_not_told_as_empty(tmp_path: Path) -> None:
    with measured_store(bare()) as con:
        text = read(case_text(con, tmp_path, BARE)).text
    assert "Could not be told: no gases were loaded." in text
    assert "could not be told: no devices were loaded" in text
    assert "No blood gas is charted" not in text
    # No zero is shown for what nobody could know.
    assert "100 % within, 0 % below, 0 % above; whether on oxygen could not be told" in text
    assert "above on oxygen of" not in text
    assert "none found: no gases and no flags were loaded" in text
    assert "none became due" not in text
    assert text.count("Could not be told: no devices were loaded.") == 5


# --- safety -------------------------------------------------------------------------------------------------------


def test_hostile_names_and_keys_stay_text_everywhere(texts: dict[str, str]) -> None:
    found = read(texts[HOSTILE_KEY])
    assert f"Stay {HOSTILE_KEY}" in found.text
    assert HOSTILE in found.text
    assert len(found.named("script")) == 1
    assert not found.named("img")
    assert not [name for _, attributes in found.elements for name in attributes if name.startswith("on")]


def test_nothing_outside_the_file_is_named(texts: dict[str, str]) -> None:
    for text in texts.values():
        found = read(text)
        for _, attributes in found.elements:
            for name in ("src", "srcset", "data", "action", "poster"):
                assert name not in attributes
            assert (attributes.get("href") or "#").startswith("#")
        assert not found.named("link")
        without_namespaces = re.sub(r'xmlns(:\w+)?="[^"]*"', "", text)
        assert not re.search(r"https?://|//[a-z]+\.|@import", without_namespaces)
        assert any("default-src 'none'" in str(meta.get("content")) for meta in found.named("meta"))


def test_every_link_has_its_target_and_no_id_comes_twice(texts: dict[str, str]) -> None:
    for text in texts.values():
        found = read(text)
        ids = [attributes["id"] for _, attributes in found.elements if attributes.get("id")]
        assert len(ids) == len(set(ids))
        assert {str(link["href"])[1:] for link in found.named("a")} <= set(ids)
        levels = [int(tag[1]) for tag, _ in found.elements if re.fullmatch(r"h[1-6]", tag)]
        assert levels.count(1) == 1
        assert all(after - before <= 1 for before, after in pairwise(levels))


def test_the_page_says_what_it_is_not(page: Page) -> None:
    for words in (
        "for the audit team only",
        "not for presentation",
        "Retrospective",
        "never advice",
        "A clinician",
        "Followed by, never caused by",
        "Inspired oxygen is an estimate",
        "blocked entrainment ports",
        "Only the target that was prescribed is judged against",
    ):
        assert words.casefold() in page.text.casefold()
    assert not re.search(r"because of oxygen|oxygen caused|wrong target|should have been (given|on)", page.text)


def test_the_same_store_gives_the_same_bytes(tmp_path: Path, texts: dict[str, str]) -> None:
    with measured_store(long_and_full(), bare(), worked_out(HOSTILE_KEY), worked_out()) as con:
        for key in (PLAIN, LONG):
            assert case_text(con, tmp_path, key) == texts[key]


@pytest.mark.parametrize(
    ("key", "name"),
    [
        ("S-042_a", "case-S-042_a.html"),
        ("a" * 64, f"case-{'a' * 64}.html"),
        ("../../etc/passwd", None),
        ("S 1", None),
        ("S\u00e91", None),
        ("a" * 65, None),
        ("", None),
        ("S1\n", None),
    ],
)
def test_the_file_name_is_safe_whatever_the_key(key: str, name: str | None) -> None:
    if name is not None:
        assert file_name(key) == name
    else:
        assert re.fullmatch(r"case-[0-9a-f]{16}\.html", file_name(key))
        assert not key or key not in file_name(key)


def test_an_unknown_stay_is_answered_without_naming_any(store: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    with pytest.raises(AuditError) as caught:
        write_case(store, tmp_path, "SECRET-77", read_policy(None))
    message = str(caught.value)
    assert "No stay in the store has the key given with --stay" in message
    # BARE1 and LONG1 have 5 characters, the hostile key 33; all kinds of characters occur.
    assert f"5 to {len(HOSTILE_KEY)} characters" in message
    assert "letters and digits and other characters" in message
    for key in ("SECRET-77", PLAIN, HOSTILE_KEY, BARE, LONG, "patient of"):
        assert key not in message
    assert list(tmp_path.iterdir()) == []


def test_a_stay_that_was_not_measured_is_told(tmp_path: Path) -> None:
    with measured_store(bare()) as con:
        con.execute("delete from spans")
        with pytest.raises(AuditError, match="Nothing of this stay can be shown"):
            write_case(con, tmp_path, BARE, read_policy(None))


def test_the_page_is_readable_by_its_owner_only(store: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    path = write_case(store, tmp_path / "new", BARE, read_policy(None))
    assert path.stat().st_mode & 0o077 == 0


# --- the command --------------------------------------------------------------------------------------------------


def test_the_command_measures_and_writes_the_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store, out = tmp_path / "store.duckdb", tmp_path / "out"
    with open_store(store, create=True), measured_store(bare()) as made:
        made.execute(f"attach '{tmp_path / 'copy.duckdb'}' as copy")
        made.execute("copy from database memory to copy")
    command = ["case", "--store", str(tmp_path / "copy.duckdb"), "--out", str(out)]
    with duckdb.connect(str(tmp_path / "copy.duckdb")) as con:
        con.execute("insert into store_facts values ('schema_version', ?)", [schema_version(store)])
    assert main([*command, "--stay", BARE]) == 0
    assert (out / f"case-{BARE}.html").exists()
    assert "one patient's times of care" in capsys.readouterr().out
    assert main([*command, "--stay", "nobody"]) == 2
    assert "nobody" not in capsys.readouterr().err


def schema_version(store: Path) -> str:
    with duckdb.connect(str(store)) as con:
        return str(con.execute("select value from store_facts where name = 'schema_version'").fetchall()[0][0])


# --- in a browser -------------------------------------------------------------------------------------------------

CHART = "page.querySelector('svg').getBoundingClientRect()"


@in_a_browser
@pytest.mark.parametrize("key", [PLAIN, BARE])
def test_the_answer_and_the_whole_chart_fit_the_first_screen(texts: dict[str, str], browser: Browser, key: str) -> None:
    bottom = measured(browser, texts[key], 1366, 768, f"{CHART}.bottom")
    assert 300 < bottom <= 768


@in_a_browser
def test_thirty_days_with_every_device_begin_on_the_first_screen_and_hardly_leave_it(
    texts: dict[str, str], browser: Browser
) -> None:
    # Three wards, twelve devices, and every pattern and step are more rows than a small screen has room for.
    top, bottom = measured(
        browser,
        texts[LONG],
        1366,
        768,
        f"[{CHART}.top, {CHART}.bottom]",
    )
    assert top < 230
    assert bottom <= 900


@in_a_browser
@pytest.mark.parametrize("key", [PLAIN, LONG, HOSTILE_KEY])
@pytest.mark.parametrize("width", [390, 820, 1366])
def test_no_page_scrolls_sideways(texts: dict[str, str], browser: Browser, key: str, width: int) -> None:
    assert measured(browser, texts[key], width, 800, "page.documentElement.scrollWidth") <= width
