"""The data-quality part of the page: verdicts on loads in words, the banner, time not seen and what it could do."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import duckdb
import polars as pl
import pytest
from playwright.sync_api import Browser

from pipeline.catalogue import read_measures
from pipeline.intake.contracts.judge import contracts
from pipeline.measure import measure_store
from pipeline.policy import read_policy
from pipeline.rollup import suppress_small_counts
from reports import charts, load_verdicts, store_tables, wording
from reports.bounds import Bounds, bounds
from reports.month import write_month_report
from tests.charts import chart, device, reading, target, together
from tests.reports.browser import in_a_browser, measured
from tests.reports.fabricated import FEW_MEASURES, HOSTILE, LAST_MONTH, TINY_WARD, Scenario, fabricated_store
from tests.reports.reading import Page, read
from tests.reports.test_month_page import contrast
from tests.stores import store_with

DASH = wording.EN_DASH
POLICY = read_policy()
Verdict = tuple[int, str, str, str, float | None, str, str]


def verdict(contract: str, subject: str, said: str, load: int = 1, observed: float | None = 1.0) -> Verdict:
    """One row of load_verdicts: its load, contract, subject and verdict, what was observed, sentence and advice."""
    to_do = "Ask somebody." if said in ("not met", "could not run") else ""
    return load, contract, subject, said, observed, f"Sentence on {subject}.", to_do


def written(folder: Path, verdicts: list[Verdict], scenario: Scenario | None = None) -> str:
    """The page of an invented store with these verdicts; without a scenario of its own, with few measures."""
    scenario = scenario or Scenario(measures=FEW_MEASURES)
    with duckdb.connect(str(fabricated_store(folder / "store.duckdb", scenario))) as con:
        for load, contract, subject, said, observed, sentence, to_do in verdicts:
            con.execute(
                "insert into load_verdicts values (?, ?, ?, ?, ?, null, null, 'rows', ?, ?)",
                [load, contract, subject, said, observed, sentence, to_do],
            )
        return write_month_report(con, folder / "out", None, POLICY).read_text(encoding="utf-8")


def rows_of(page: Page) -> dict[str, list[str]]:
    """The table of contracts by title: verdict, found, what to do, load."""
    return {row[0]: row[1:] for row in page.table_with("Contract")[1:]}


def banner_of(text: str) -> str:
    found = re.search(r'<p class="banner".*?</p>', text, re.DOTALL)
    return read(found[0]).text if found else ""


# --- the load as a whole ----------------------------------------------------------------------------------------

EVERY_KIND = [
    verdict("rows_accepted", "stays", "met", observed=2500),
    verdict("rows_accepted", "readings", "met", observed=180_000),
    verdict("freshness", "readings", "met", observed=3.0),
    verdict("kept_aside_by_table", "gases", "not met", observed=0.2),
    verdict("kept_aside_by_table", "stays", "met", observed=0.0),
    verdict("patients_a_day", "the load", "not applicable", observed=300.0),
    verdict("ward_readings", HOSTILE, "not met", observed=0.0),
    verdict("spo2_digits", "95 %", "could not run", observed=None),
]


@pytest.fixture(scope="module")
def page_text(tmp_path_factory: pytest.TempPathFactory) -> str:
    return written(tmp_path_factory.mktemp("verdicts"), EVERY_KIND, Scenario())


@pytest.fixture(scope="module")
def found(page_text: str) -> Page:
    return read(page_text)


def test_every_kind_of_verdict_is_told_in_words(found: Page) -> None:
    rows = rows_of(found)
    assert rows["The readings reach the end of the extract"] == ["Met", "Sentence on readings.", DASH, "1"]
    assert rows["Few rows are kept aside"] == ["Not met for 1, met for 1", "Sentence on gases.", "Ask somebody.", "1"]
    assert rows["No saturation is written down unduly often"][0] == "Could not run"
    assert rows["About as many patients are in hospital as in earlier loads"][:2] == [
        "Not applicable",
        "Nothing to judge: there is no earlier load to compare with, or less than a week in this one.",
    ]


def test_several_met_verdicts_are_told_by_their_least_and_most(found: Page) -> None:
    assert rows_of(found)["Every table has rows that can be used"][:2] == [
        "Met",
        "2 judged: from 2,500 rows to 180,000 rows (accepted: at least 1 row).",
    ]


def test_contracts_stand_in_their_order_with_limit_and_source(found: Page) -> None:
    titles = [contract.title for contract in contracts()]
    shown = list(rows_of(found))
    assert shown == [title for title in titles if title in shown]
    limits = found.table_with("Accepted")
    fresh = next(row for row in limits if row[0] == "The readings reach the end of the extract")
    assert fresh[2] == "0 to 24 hours"
    assert "NEWS2" in fresh[3]


def test_verdicts_are_told_by_words_and_weight_never_by_colour(page_text: str) -> None:
    section = page_text.split('<table class="verdicts">')[1].split("</table>")[0]
    assert re.findall(r"<strong>(.*?)</strong>", section) == ["Not met for 1, met for 1", "Could not run", "Not met"]
    assert not re.search(r"style=|class=\"(?!n\")", section)


def test_a_ward_with_a_hostile_name_stays_text(found: Page) -> None:
    assert rows_of(found)["Every ward has readings"][1] == f"Sentence on {HOSTILE}."
    assert len(found.named("script")) == 1


def test_many_failures_are_cut_short_and_all_verdicts_are_folded_below(tmp_path: Path) -> None:
    days = [verdict("day_readings", f"2026-05-{day:02}", "not met", observed=0) for day in range(1, 10)]
    days += [verdict("day_readings", f"2026-04-{day:02}", "met") for day in range(1, 31)]
    days += [verdict("day_readings", f"2026-03-{day:02}", "met") for day in range(1, 31)]
    page = read(written(tmp_path, days))
    said, found, *_ = rows_of(page)["Every day has readings"]
    assert said == "Not met for 9, met for 60"
    assert found.count("Sentence on 2026-05-") == 5
    assert found.endswith("And 4 more.")
    every = page.table_with("Sentence")
    assert len(every) - 1 == 40
    assert [row[0] for row in every[1:11]] == ["Not met"] * 9 + ["Met"]
    assert "29 more are in the exported table load_verdicts" in page.text


def test_a_contract_of_another_version_is_shown_under_its_own_name(tmp_path: Path) -> None:
    rows = rows_of(read(written(tmp_path, [verdict("phase_of_the_moon", "the load", "met")])))
    assert rows["Phase of the moon"][:2] == ["Met", "Sentence on the load."]


def test_a_store_without_verdicts_says_so_and_has_no_banner(tmp_path: Path) -> None:
    text = written(tmp_path, [])
    assert "No load in this store was judged as a whole." in read(text).text
    assert banner_of(text) == ""


def test_a_later_load_that_could_judge_nothing_does_not_hide_what_an_earlier_one_was_found_to_be(
    tmp_path: Path,
) -> None:
    verdicts = [
        verdict("ward_readings", "Alder", "not met", load=1),
        verdict("freshness", "readings", "not met", load=1),
        verdict("ward_readings", "Alder", "not applicable", load=2),
        verdict("freshness", "readings", "met", load=2),
    ]
    text = written(tmp_path, verdicts)
    rows = rows_of(read(text))
    assert rows["Every ward has readings"][0] == "Not met"
    assert rows["Every ward has readings"][3] == "1"
    assert rows["The readings reach the end of the extract"][0] == "Met"
    assert banner_of(text) == "The last loads have 1 point outside their limits: see Data quality ."


# --- the banner -------------------------------------------------------------------------------------------------


def points(*verdicts: Verdict) -> list[load_verdicts.Point]:
    columns = ("load_no", "contract", "subject", "verdict", "observed", "sentence", "what_to_do")
    return load_verdicts.points(pl.DataFrame(list(verdicts), schema=list(columns), orient="row"))


@pytest.mark.parametrize(
    ("said", "line"),
    [
        (["met", "not applicable"], ""),
        (["not met", "met"], "The last load has 1 point outside its limits"),
        (["not met", "not met"], "The last load has 2 points outside its limits"),
        (["could not run", "met"], "The last load has 1 point that could not be checked"),
        (
            ["not met", "could not run"],
            "The last load has 1 point outside its limits and 1 point that could not be checked",
        ),
    ],
)
def test_the_banner_counts_what_is_not_met_apart_from_what_could_not_be_checked(said: list[str], line: str) -> None:
    names = ("freshness", "gases_without_pco2")
    assert load_verdicts.banner(points(*(verdict(n, "x", s) for n, s in zip(names, said, strict=True)))) == line


def test_the_banner_stands_before_everything_else_and_leads_to_the_section(page_text: str) -> None:
    assert banner_of(page_text) == (
        "The last load has 2 points outside its limits and 1 point that could not be checked: see Data quality ."
    )
    assert page_text.index('class="banner"') < page_text.index("<main>")
    assert '<a href="#quality">' in page_text[: page_text.index("<main>")]


@in_a_browser
def test_with_the_banner_the_first_screen_still_fits_a_small_laptop(page_text: str, browser: Browser) -> None:
    expression = (
        "[page.querySelector('.first').getBoundingClientRect().bottom, "
        "page.querySelector('.banner').getBoundingClientRect().height, page.documentElement.scrollWidth]"
    )
    bottom, height, width = measured(browser, page_text, 1366, 768, expression)
    assert 300 < bottom <= 768
    assert 10 < height <= 30  # one line
    assert width <= 1366


@in_a_browser
def test_with_verdicts_and_grids_a_phone_does_not_scroll_sideways(page_text: str, browser: Browser) -> None:
    assert measured(browser, page_text, 390, 800, "page.documentElement.scrollWidth") <= 390


# --- time not seen, by ward and month ---------------------------------------------------------------------------


def test_the_grids_hold_the_shares_worked_out_by_hand(found: Page) -> None:
    unobserved, no_target = (table for table in found.tables if table[0][0].strip() == "By ward")
    assert len(unobserved[0]) == 1 + 12
    assert unobserved[0][-1].strip() == "May 26"
    # Of all time of the invented store 0.20 is unobserved, 0.71 observed and 0.09 without a target.
    alder = {
        name: next(row for row in table if row[0].strip() == "Alder")
        for name, table in (("unobserved", unobserved), ("no target", no_target))
    }
    assert alder["unobserved"][-1].strip() == "22\xa0%"  # 0.20 / 0.91
    assert alder["no target"][-1].strip() == "9.0\xa0%"
    assert alder["unobserved"][4].strip() == f"{DASH} no patients"  # September 2025
    assert unobserved[-1][0].strip() == "All wards"
    assert "22 % in every ward in May 2026" in found.text


def test_a_small_ward_is_hidden_in_the_grids_as_elsewhere(tmp_path: Path) -> None:
    # One ward in fifty patients: 1 retainer and 4 others lie in it.
    page = read(written(tmp_path, [], Scenario(retainers=50, others=200, measures=FEW_MEASURES)))
    grids = [table for table in page.tables if table[0][0].strip() == "By ward"]
    assert len(grids) == 2
    for table in grids:
        hidden = {row[0].strip() for row in table[1:] if row[-1].strip() == f"{DASH} too few patients"}
        # One more: the total less the others would give the small one away.
        assert hidden > {TINY_WARD}
        assert "All wards" not in hidden


def test_the_grids_stand_in_alphabetical_order_as_charts_and_as_tables(found: Page) -> None:
    for table in (table for table in found.tables if table[0][0].strip() == "By ward"):
        names = [row[0].strip() for row in table[1:-1]]
        assert names == sorted(names, key=str.casefold)
    drawn = [attributes["aria-label"] for attributes in found.named("svg")]
    assert sum("by ward and month" in str(label) for label in drawn) == 2


def test_text_on_the_darkest_cell_of_a_grid_can_be_read() -> None:
    svg = str(charts.grid(["Alder"], ["2026-05"], [[80.0]], "label"))
    assert f'fill="{charts.SHADES["above"]}"' in svg
    assert contrast(charts.INK, charts.SHADES["above"]) >= 4.5  # WCAG 2.1, success criterion 1.4.3


def test_a_cell_of_a_grid_tells_nothing_from_little_and_from_none() -> None:
    svg = str(charts.grid(["A", "B", "C"], ["2026-05"], [[0.0], [0.2], [None]], "label"))
    assert re.findall(r">(&lt;1|0)<", svg) == ["0", "&lt;1"]


# --- what the unseen could do -----------------------------------------------------------------------------------


RATE = "0.0 episodes per 100 patient-days"


@pytest.fixture(scope="module")
def worked_out() -> Iterator[dict[str, Bounds]]:
    """Ten patients of the same chart, twenty hours each; minutes:

    0-300 within on oxygen, 300-360 within on air, 360-480 not observed on air, 480-600 not observed and no device,
    600-900 above the band and no device, 900-1200 no target and no device.
    """
    one = (
        target(0, until=900),
        reading(0, 90),
        reading(600, 95),
        device(0, "nasal_cannula", flow=2, until=300),
        device(300, "room_air", until=480),
    )
    stays = together(chart(1200, *one, stay_id=f"s{n}", patient_key=f"p{n}") for n in range(10))
    with store_with(stays) as con:
        measure_store(con, POLICY)
        rows = bounds(
            read_measures(),
            suppress_small_counts(store_tables.measures(con), POLICY),
            suppress_small_counts(store_tables.summaries(con), POLICY),
            store_tables.unknown(con, "2026-01"),
            store_tables.episodes(con, *store_tables.month_bounds("2026-01", "2026-02", "UTC"), "UTC"),
            "2026-01",
        )
        yield {measure.id: row for measure, row in zip(read_measures(), rows, strict=True)}


@pytest.mark.parametrize(
    ("measure", "result", "lowest", "highest", "unseen"),
    [
        # 900 minutes under a target, 660 of them observed, 360 within.
        ("share_within", "55 %", "40 %", "67 %", "27 % of the time under a target was not observed."),
        ("share_below", "0 %", "0 %", "27 %", "27 % of the time under a target was not observed."),
        # 120 not observed and no device, 300 above and no device: 420 of 900.
        ("share_above_on_oxygen", "0 %", "0 %", "47 %", "For 47 % of the time under a target nobody can tell"),
        # 300 on oxygen, all under a target; 300 more without one, if that was oxygen.
        ("oxygen_without_target", "0 %", "0 %", "50 %", "For 5 days 0 h it is not known whether oxygen ran."),
        # 120 of the 420 without a device under a target are not observed: 120 of 300 + 120.
        ("unobserved_on_oxygen", "0 %", "0 %", "29 %", "For 2 days 22 h under a target it is not known"),
        ("hours_to_target", "0.0 hours", DASH, DASH, "For 0 of 10 it had not come when the stay ended"),
        # 720 of 1200 minutes.
        ("high_fio2_episode_rate", RATE, RATE, DASH, "The inspired fraction was unknown for 60 % of the time"),
        ("avoidable_episodes", DASH, DASH, DASH, "Nobody eligible."),
    ],
)
def test_bounds_are_those_worked_out_by_hand(
    worked_out: dict[str, Bounds], measure: str, result: str, lowest: str, highest: str, unseen: str
) -> None:
    row = worked_out[measure]
    shown = [text.replace("\xa0", " ") for text in (row.result, row.lowest, row.highest)]
    assert shown == [result, lowest, highest]
    assert row.unseen.replace("\xa0", " ").startswith(unseen)


def test_every_measure_of_the_catalogue_says_what_it_could_not_see(worked_out: dict[str, Bounds]) -> None:
    assert len(worked_out) == len(read_measures())
    assert not [row for row in worked_out.values() if len(row.unseen.split()) < 2]


@pytest.mark.parametrize(
    ("kind", "of", "told"),
    [
        ("share", "time", "It rests on what was charted"),
        ("share", "readings", "It counts readings, not time"),
        ("rate", "time", "It rests on what was charted"),
        ("median", "time", "For 3 of 9 it had not come when the stay ended"),
    ],
)
def test_a_new_measure_is_listed_without_ends_in_the_words_of_its_kind(kind: str, of: str, told: str) -> None:
    measure = replace(next(each for each in read_measures() if each.id == "share_within"), kind=kind, of=of)
    row = {"month": "2026-01", "ward": None, "group": None, "measure_id": "new", "suppressed": False, "result": 0.5}
    row |= {"events": 9}
    frame = pl.DataFrame([row], schema_overrides={"ward": pl.String, "group": pl.String})
    unknown = {"not_yet_come": {"new": 3}}
    [found] = bounds([replace(measure, id="new")], frame, frame, unknown, pl.DataFrame(), "2026-01")
    assert found.result == "50\xa0%"
    assert found.unseen.startswith(told)
    assert (found.lowest, found.highest) == (DASH, DASH)


def test_episodes_that_cannot_be_judged_widen_the_share_of_those_that_can() -> None:
    ids = ("avoidable_episodes", "acidosis_after_episode")
    parts = {"avoidable_episodes": (4.0, 10.0), "acidosis_after_episode": (2.0, 5.0)}
    rows = [
        {"month": "2026-01", "ward": None, "group": None, "suppressed": False, "measure_id": name}
        | {"numerator": parts[name][0], "denominator": parts[name][1], "result": parts[name][0] / parts[name][1]}
        for name in ids
    ]
    frame = pl.DataFrame(rows, schema_overrides={"ward": pl.String, "group": pl.String})
    episodes = pl.DataFrame(
        {
            "saturation_during": ["above"] * 4 + ["within"] * 3 + ["none"] * 3,
            "acidosis_after": [True] * 2 + [False] * 3 + [None] * 5,
        }
    )
    measures = [each for each in read_measures() if each.id in ids]
    found = {
        measure.id: row
        for measure, row in zip(measures, bounds(measures, frame, frame, {}, episodes, "2026-01"), strict=True)
    }
    # 4 of 10 avoidable, 3 cannot be told; 2 of 5 acidotic, 5 more cannot be told.
    assert (found[ids[0]].lowest, found[ids[0]].highest) == ("40\xa0%", "70\xa0%")
    assert found[ids[0]].unseen == "3 of 10 episodes had no reading under a target."
    assert (found[ids[1]].lowest, found[ids[1]].highest) == ("20\xa0%", "70\xa0%")


def test_small_numbers_have_no_bounds() -> None:
    stays = together(chart(600, target(0), reading(0, 90), stay_id=f"s{n}", patient_key=f"p{n}") for n in range(3))
    with store_with(stays) as con:
        measure_store(con, POLICY)
        measured_rows = suppress_small_counts(store_tables.measures(con), POLICY)
        summary = suppress_small_counts(store_tables.summaries(con), POLICY)
        rows = bounds(
            read_measures(), measured_rows, summary, store_tables.unknown(con, "2026-01"), pl.DataFrame(), "2026-01"
        )
    assert {row.result for row in rows} == {DASH}
    assert {row.unseen for row in rows} <= {"Not shown: small numbers.", "Nobody eligible."}


def test_the_bounds_stand_on_the_page(found: Page) -> None:
    table = found.table_with("Lowest possible")
    assert [row[0] for row in table[1:]] == [measure.title for measure in read_measures()]


def test_the_month_of_the_page_is_the_one_of_the_bounds(found: Page) -> None:
    assert f"Hospital-wide, {wording.month_in_words(LAST_MONTH)}. Had everything been seen" in found.text
