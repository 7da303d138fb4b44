"""The month's page as a whole: what stands in it, that it is safe, and that it is the same each time."""

import re
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import pytest

from pipeline.catalogue import read_measures
from pipeline.errors import AuditError
from pipeline.policy import read_policy
from reports import charts
from reports.month import write_month_report
from tests.reports.conftest import Written
from tests.reports.fabricated import AS_OF, FEW_MEASURES, HOSTILE, LAST_MONTH, Scenario, fabricated_store
from tests.reports.reading import read


def test_the_first_section_answers_for_both_groups(page: str) -> None:
    first = read(page[: page.index('id="after-first"')])
    assert "May 2026 Was the oxygen level kept inside the prescribed band?" in first.text
    bands = first.table_with("Below the band")
    # The shares of the scenario: 0.091 and 0.142, and what they leave after 0.03 on air and 0.004 unknown.
    assert bands[1][0] == "CO2 retainers 96 patients CO2 retainers: 9.1\xa0% below, 73\xa0% within, 14\xa0% above " + (
        "the band on oxygen, of the observed time"
    )
    assert bands[1][1].startswith("Below 9.1\xa0%")
    assert bands[1][2].startswith("Within 73\xa0%")
    assert bands[1][3].startswith("Above, on oxygen 14\xa0%")
    assert bands[1][4].endswith("3.4\xa0%")
    assert bands[2][0].startswith("Everybody else 341 patients")
    assert "29 episodes" in first.text


def test_shares_of_unobserved_and_no_target_time_are_worked_out_by_hand(page: str) -> None:
    bands = read(page).table_with("Below the band")
    # Of all time 0.71 is observed, 0.20 unobserved (0.05 on oxygen, 0.14 on air), 0.09 without a target:
    # 0.20 / 0.91 = 22 %, 0.05 / 0.91 = 5.5 %, 0.14 / 0.91 = 15 %, 0.09 / 1.00 = 9.0 %.
    assert bands[1][5].endswith("22\xa0% on oxygen 5.5\xa0% on air 15\xa0%")
    assert bands[1][6].endswith("9.0\xa0%")


def test_every_section_stands_in_order_and_headings_never_skip_a_level(page: str) -> None:
    found = read(page)
    sections = [attributes["id"] for attributes in found.named("section") if "id" in attributes]
    assert sections == [
        "trend",
        "where",
        "next",
        "trust",
        "wards",
        "stays",
        "episodes",
        "measures",
        "retention",
        "sensitivity",
        "literature",
        "quality",
        "definitions",
        "cautions",
    ]
    levels = [int(tag[1]) for tag, _ in found.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert found.named("html")[0]["lang"] == "en-GB"


SHORT_WAY = ("trend", "where", "next", "trust")


def section_of(page: str, name: str) -> str:
    """The markup of a section; none lies within another."""
    found = re.search(rf'<section id="{name}".*?</section>', page, re.DOTALL)
    assert found is not None
    return found[0]


def test_the_short_way_is_open_and_everything_else_is_folded(page: str) -> None:
    for name in [attributes["id"] for attributes in read(page).named("section") if "id" in attributes]:
        is_folded = bool(re.match(r'<section [^>]*>\s*<details class="fold', section_of(page, str(name))))
        assert is_folded == (name not in SHORT_WAY), name
    assert not [attributes for attributes in read(page).named("details") if "open" in attributes]


def test_no_key_of_a_stay_stands_outside_what_is_for_the_audit_team(page: str) -> None:
    keys = re.compile(r"\bS\d{4}\b")
    lists = [section_of(page, name) for name in ("stays", "episodes")]
    for one in lists:
        assert keys.search(one)
        assert "For the audit team only, not for presentation" in one
    assert not keys.search("".join(page.split(lists[0])).replace(lists[1], ""))


def test_every_place_has_a_title_a_picture_and_its_figures(page: str) -> None:
    where = section_of(page, "where")
    titles = re.findall(r"<h3><span>([^<]*)</span> ([^<]*)</h3>", where)
    assert [name for name, _ in titles] == ["Time of day and week", "Device", "Ward", "Target as prescribed"]
    # In the scenario 48 of 96 are on a mask, 4 h above each, and 48 on a cannula, 1 h each.
    assert titles[1][1] == "Most of the time above the band on oxygen was on simple mask: 192 h of 240 h"
    assert where.count("<svg") == 4
    found = read(where)
    assert [table[0][:2] for table in found.tables] == [[" Where", " Observed"]] * 4
    assert [" Simple mask", " 480 h"] in [row[:2] for row in found.tables[1]]
    # The ward with few CO2 retainers in the summary, and the one hidden with it, are taken together.
    assert [row[0].strip() for row in found.tables[2]][-1].endswith("and Linden")


def test_what_to_do_next_is_three_to_five_sentences_with_a_way_on(page: str) -> None:
    for name in ("next", "trust"):
        items = re.findall(r"<li><strong>.*?</li>", section_of(page, name), re.DOTALL)
        assert 3 <= len(items) <= 5
        assert all(item.count('<a href="#') == 1 for item in items)


def test_the_stays_to_review_stand_in_order_with_reasons_and_command(page: str) -> None:
    table = read(section_of(page, "stays")).tables[0]
    assert len(table) == 1 + 10
    assert [row[0].strip() for row in table[1:]] == [str(number) for number in range(1, 11)]
    first = " ".join(table[1])
    # S0015: an episode followed by acidosis, no gas in time, and a run above the band of twelve hours.
    assert "A gas afterwards showed respiratory acidosis" in first
    assert "bandaudit case --store FILE --stay" in first


def test_a_month_without_events_lists_no_stay(write_page: Written) -> None:
    stays = section_of(write_page(Scenario(observed=False, episodes=0, measures=FEW_MEASURES)), "stays")
    assert "No stay of this month meets a reason to be listed." in stays
    assert "<table" not in stays


def test_few_retainers_have_no_places(write_page: Written) -> None:
    where = section_of(write_page(Scenario(retainers=5, measures=FEW_MEASURES)), "where")
    assert "CO2 retainers: too few patients to tell." in where
    assert "<svg" not in where
    assert not re.search(r"\d h\b", where)


def test_every_measure_of_the_catalogue_has_its_section(page: str) -> None:
    text = read(page).text
    for measure in read_measures():
        for words in (measure.title, measure.question, measure.numerator, measure.caution):
            assert words in text


def test_the_trend_tables_hold_the_figures_of_the_store(page: str, tmp_path: Path) -> None:
    table = read(page).table_with("Month")
    assert len(table) == 1 + 14  # every month of the store
    with duckdb.connect(str(fabricated_store(tmp_path / "store.duckdb"))) as con:
        ((share,),) = con.execute(
            "select share_below from month_summary where month = '2025-12' and ward is null and \"group\" = 'retainer'"
        ).fetchall()
    december = next(row for row in table if row[0] == "December 2025")
    assert december[1] == f"{100 * share:.1f}\xa0%"
    september = next(row for row in table if row[0] == "September 2025")
    assert september[1:3] == ["\N{EN DASH} no patients", "\N{EN DASH}"]


def test_small_wards_are_not_shown_nor_what_would_give_them_away(page: str, tmp_path: Path) -> None:
    with duckdb.connect(str(fabricated_store(tmp_path / "store.duckdb"))) as con:
        counts = con.execute(
            "select ward, patients from month_summary where month = ? and \"group\" = 'retainer' and ward is not null",
            [LAST_MONTH],
        ).fetchall()
    small = {ward for ward, patients in counts if patients < 8}
    assert small == {"Linden"}
    retainers = [table for table in read(page).tables if table[0][0].strip() == "Ward"][1]
    hidden = {row[0].strip() for row in retainers[1:] if "not shown: fewer than 8 patients" in row[1]}
    assert small < hidden  # one more: the total less the others would give the small one away
    assert all(len(row) == 2 for row in retainers[1:] if row[0].strip() in hidden)


def test_wards_stand_in_alphabetical_order(page: str) -> None:
    wards = [row[0].strip() for row in read(page).table_with("Ward")[1:]]
    assert wards == sorted(wards, key=str.casefold)


def test_a_hostile_name_stays_text_everywhere(page: str) -> None:
    found = read(page)
    assert HOSTILE in found.text
    assert len(found.named("script")) == 1
    assert "<b>nobody</b>" in found.text
    assert not found.named("b") or "alert" not in str(found.named("b"))
    assert not [name for _, attributes in found.elements for name in attributes if name.startswith("on")]
    drawn = "".join(re.findall(r"<svg.*?</svg>", page, re.DOTALL))
    assert "&lt;script&gt;" in drawn
    assert "<script" not in drawn


def test_nothing_outside_the_file_is_named(page: str) -> None:
    found = read(page)
    for _, attributes in found.elements:
        for name in ("src", "srcset", "data", "action", "poster"):
            assert name not in attributes
        assert (attributes.get("href") or "#").startswith("#")
        assert (attributes.get("xlink:href") or "#").startswith("#")
    assert not found.named("link")
    without_namespaces = re.sub(r'xmlns(:\w+)?="[^"]*"', "", page)
    assert not re.search(r"https?://|//[a-z]+\.|@import", without_namespaces)
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", page))
    rules = next(tag["content"] for tag in found.named("meta") if tag.get("http-equiv"))
    assert "default-src 'none'" in str(rules)


def test_element_names_occur_once_and_targets_exist(page: str) -> None:
    found = read(page)
    names = [attributes["id"] for _, attributes in found.elements if "id" in attributes]
    assert len(names) == len(set(names))
    targets = {str(attributes["href"])[1:] for attributes in found.named("a")}
    targets |= set(re.findall(r"url\(#([^)]*)\)", page))
    assert targets <= set(names)


def test_every_chart_has_a_text_alternative(page: str) -> None:
    drawn = read(page).named("svg")
    assert len(drawn) > 15
    for attributes in drawn:
        assert attributes["role"] == "img"
        assert len(str(attributes["aria-label"])) > 20


def test_the_same_store_gives_the_same_bytes(tmp_path: Path) -> None:
    store = fabricated_store(tmp_path / "store.duckdb")
    written = []
    for folder in ("once", "again"):
        with duckdb.connect(str(store), read_only=True) as con:
            written.append(write_month_report(con, tmp_path / folder, None, read_policy()))
    assert written[0].name == f"oxygen-audit-{LAST_MONTH}.html"
    assert written[0].read_bytes() == written[1].read_bytes()
    assert written[0].stat().st_size < 3_000_000


def test_episodes_above_the_band_and_those_that_needed_oxygen_stand_apart(page: str) -> None:
    found = read(page)
    cases = [table for table in found.tables if table[0][0].strip() == "Stay"]
    heads = [table[0][4].strip() for table in cases]
    assert heads == ["Above the band for", "Device at peak", "Device at peak"]
    assert [len(table) - 1 for table in cases] == [15, 10, 4]
    assert "High oxygen needed to reach the band (10 episodes)" in found.text
    assert "For the audit team only, not for presentation" in found.text


def test_an_episode_shows_local_time_the_range_of_its_peak_and_both_gases(page: str, tmp_path: Path) -> None:
    with duckdb.connect(str(fabricated_store(tmp_path / "store.duckdb"))) as con:
        ((started,),) = con.execute("select started_at from high_fio2_episodes where stay_id = 'S0001'").fetchall()
    row = next(row for table in read(page).tables for row in table if row[0].strip() == "S0001")
    wall = started.replace(tzinfo=ZoneInfo("UTC")).astimezone(ZoneInfo("Europe/London"))
    assert row[1].strip() == f"{wall.day} May, {wall:%H:%M}"
    assert row[6].strip() == "95\xa0% 60\N{EN DASH}95\xa0%"
    assert "1 h 30 min before" in row[9]
    assert "after" in row[10]


def test_more_episodes_than_fit_are_counted_and_named_in_the_export(write_page: Written) -> None:
    found = read(write_page(Scenario(episodes=200, measures=FEW_MEASURES)))
    cases = [table for table in found.tables if table[0][0].strip() == "Stay"]
    assert len(cases[0]) - 1 == 60
    # Three of every six episodes of the scenario are above the band: 99 of 198, and both that are left.
    assert "41 further episodes not listed here; bandaudit export writes all of them." in found.text


def test_few_retainers_give_no_figure_of_theirs(write_page: Written) -> None:
    first = write_page(Scenario(retainers=5, measures=FEW_MEASURES)).split('id="after-first"')[0]
    text = read(first).text
    assert "CO2 retainers: too few patients to tell." in text
    assert "5 patients" not in text
    assert "9.1 %" not in text
    assert "blood gas in this stay" not in text


def test_a_hospital_without_observed_time_gets_a_calm_page(write_page: Written) -> None:
    written = write_page(Scenario(observed=False, episodes=0, measures=FEW_MEASURES))
    text = read(written).text
    assert "Nothing can be said about the band in May 2026." in text
    first = text.split("Month by month")[0]
    bands = read(written).table_with("Below the band")
    assert [row[1] for row in bands[1:]] == [
        "\N{EN DASH} too few to tell, since no saturation was recorded while a target was prescribed"
    ] * 2
    assert bands[1][3].startswith("Not observed, of the time under a target 100\xa0%")
    assert not re.search(r"\b0(\.0)? %", first)


def test_less_above_with_more_below_is_not_called_an_improvement(write_page: Written) -> None:
    text = read(write_page(Scenario(retainer_shares=(0.2, 0.05), half_width=0.005, measures=FEW_MEASURES))).text
    assert "CO2 retainers: not an improvement on April 2026." in text


def test_a_first_month_has_nothing_to_compare_with(write_page: Written) -> None:
    text = read(write_page(Scenario(months=(LAST_MONTH,), measures=FEW_MEASURES))).text
    assert "CO2 retainers: no figures for April 2026 to compare with." in text
    assert "with no earlier month to compare" in text


def test_an_unknown_month_is_refused_with_those_there_are(write_page: Written) -> None:
    with pytest.raises(AuditError, match="not in the store") as refused:
        write_page(month="2019-01")
    assert "2026-05" in str(refused.value)
    assert "2025-04" in str(refused.value)


@pytest.mark.parametrize(
    ("as_of", "month"),
    [
        # Midnight of 1 June in London is 23:00 UTC of 31 May (summer time).
        (datetime(2026, 5, 31, 23, 0), "2026-05"),
        (datetime(2026, 5, 31, 22, 59, 59), "2026-04"),
    ],
)
def test_the_last_complete_month_ends_at_local_midnight(tmp_path: Path, as_of: datetime, month: str) -> None:
    store = fabricated_store(tmp_path / "store.duckdb", Scenario(measures=FEW_MEASURES))
    with duckdb.connect(str(store)) as con:
        con.execute("update load_ledger set as_of = ?", [as_of])
        assert write_month_report(con, tmp_path, None, read_policy()).name == f"oxygen-audit-{month}.html"


def test_an_incomplete_month_says_so_and_is_never_the_default(tmp_path: Path) -> None:
    store = fabricated_store(tmp_path / "store.duckdb", Scenario(months=(LAST_MONTH,), measures=FEW_MEASURES))
    with duckdb.connect(str(store)) as con:
        con.execute("update load_ledger set as_of = ?", [AS_OF - timedelta(days=10)])
        with pytest.raises(AuditError, match="No month in the store is complete"):
            write_month_report(con, tmp_path, None, read_policy())
        written = write_month_report(con, tmp_path, LAST_MONTH, read_policy())
    assert "This month is not complete: the data end at 24 May 2026, 07:00." in written.read_text(encoding="utf-8")


def test_a_store_without_months_is_refused(tmp_path: Path) -> None:
    store = fabricated_store(tmp_path / "store.duckdb")
    with duckdb.connect(str(store)) as con:
        con.execute("delete from month_summary")
        with pytest.raises(AuditError, match="Load an extract first"):
            write_month_report(con, tmp_path, None, read_policy())


def test_kept_aside_rows_show_numbers_and_advice_but_no_values(page: str) -> None:
    found = read(page)
    kept = found.table_with("Row numbers")
    assert kept[1] == [
        "readings",
        "readings.csv.gz",
        "spo2_percent",
        "out of range",
        "31",
        "100, 101, 102, 103, 104 and 26 more",
    ]
    advice = found.table_with("What to do")
    assert advice[1][0] == "The value lies outside the accepted range"
    assert len(advice[1][1]) > 20
    assert "8 local times fell into the hour that occurs twice" in found.text


def test_thresholds_and_fingerprints_are_printed(page: str) -> None:
    found, policy = read(page), read_policy()
    for parameter in policy.parameters:
        assert parameter.meaning in found.text
        assert parameter.source in found.text
    assert policy.fingerprint in found.text
    assert "ab12ab12ab12" in found.text
    assert "ab12ab12ab12a" not in found.text


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb. Source: W3C, Web Content Accessibility Guidelines 2.1, definitions."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_formula_gives_the_published_extreme() -> None:
    assert contrast("#ffffff", "#000000") == pytest.approx(21)  # W3C, WCAG 2.1: from 1 to 21


@pytest.mark.parametrize("name", ["ink", "accent", "grey"])
def test_text_contrast_is_at_least_aa(page: str, name: str) -> None:
    found = re.search(rf"--{name}: (#[0-9a-f]{{6}})", page)
    assert found is not None
    assert contrast(found[1], "#ffffff") >= 4.5  # WCAG 2.1, success criterion 1.4.3


def test_chart_text_and_marks_have_contrast_and_shades_differ_in_grey() -> None:
    for colour in (charts.INK, charts.GREY, charts.ACCENT):
        assert contrast(colour, "#ffffff") >= 4.5
    below, within, above = (charts.SHADES[part] for part in ("below", "within", "above"))
    for one, other in ((below, within), (within, above), (below, above)):
        assert contrast(one, other) >= 1.9


def test_no_module_of_the_page_reads_a_clock() -> None:
    for module in Path(charts.__file__).parent.glob("*.py"):
        assert not re.search(r"\bnow\(|\btoday\(|\btime\.time", module.read_text(encoding="utf-8")), module.name
