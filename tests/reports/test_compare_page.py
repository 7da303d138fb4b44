"""The page of a comparison: its figures by hand, its words, its names escaped, the same bytes from the same inputs."""

import re
from pathlib import Path

import duckdb
import pytest

from pipeline.policy import read_policy
from reports.compare import write_comparison
from reports.compare_asked import MONTH, SITE, STORE, WARD, Asked
from tests.compared import JUNE, MAY, TARGET, Person, refused, several, store_by_hand, without_charts
from tests.reports.fabricated import HOSTILE
from tests.reports.reading import Page, read

POLICY = read_policy()
TITLES = {"below": 1, "within": 2, "above": 3, "unobserved": 4, "no target": 5}
# Ten patients each: Alder 10 % below, Birch 30 %; each patient alike, so that the intervals have no width.
TWO_WARDS = [
    *several(10, Person("a", below=100, within=900, unobserved=250)),
    *several(10, Person("b", ward="Birch", below=300, within=700, unobserved=1000)),
    *several(9, Person("r", group="retainer", within=500, above=500)),
    *several(9, Person("s", ward="Birch", group="retainer", within=500, above=500)),
]


def page_of(
    people: list[Person], asked: Asked, folder: Path, month: str | None = JUNE, name: str = "north"
) -> tuple[str, Page]:
    with store_by_hand(people) as con:
        text = write_comparison({name: con}, asked, month, folder, POLICY).read_text(encoding="utf-8")
    return text, read(text)


def row(page: Page, group: str, name: str) -> list[str]:
    """The cells of one side, or of the difference, of one group on the first screen."""
    rows = plain(page.tables[0])
    place = rows.index([group])
    return next(cells for cells in rows[place + 1 :] if cells[0].startswith(name))


def measure(page: Page, title: str) -> list[str]:
    return next(cells for cells in plain(page.table_with("In words")) if cells[0].startswith(title))


def plain(rows: list[list[str]]) -> list[list[str]]:
    """Cells with single ordinary spaces."""
    return [[" ".join(cell.split()) for cell in cells] for cells in rows]


@pytest.fixture(autouse=True)
def charts_where_they_are_looked_at(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """They take half the time of a page: drawn for the page that all look at, and with hostile names."""
    if not {"wards", "with_charts"} & set(request.fixturenames):
        without_charts(monkeypatch)


@pytest.fixture
def with_charts() -> None:
    """Asked for by tests that look at charts."""


@pytest.fixture(scope="module")
def wards(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Page]:
    return page_of(TWO_WARDS, Asked(WARD, ("Alder", "Birch")), tmp_path_factory.mktemp("wards"))


# --- figures ----------------------------------------------------------------------------------------------------


def test_the_sides_and_their_difference_stand_under_each_other(wards: tuple[str, Page]) -> None:
    _, page = wards
    others = [row(page, "Everybody else", name) for name in ("Alder", "Birch", "Difference")]
    assert [cells[0] for cells in others] == [
        "Alder 10 patients",
        "Birch 10 patients",
        "Difference Birch \N{MINUS SIGN} Alder",
    ]
    assert others[0][1] == "Below 10 % 10 to 10 %"
    assert others[1][1] == "Below 30 % 30 to 30 %"
    assert others[2][1] == "Below +20.0 points +20.0 to +20.0 higher in Birch"
    assert others[2][2] == "Within \N{MINUS SIGN}20.0 points \N{MINUS SIGN}20.0 to \N{MINUS SIGN}20.0 lower in Birch"
    assert others[2][3] == "Above, on oxygen 0.0 points 0.0 to 0.0 the same on both sides"


def test_coverage_stands_beside_with_its_own_difference(wards: tuple[str, Page]) -> None:
    """250 of 1250 s unobserved, and 1000 of 2000 s: 20 and 50 %."""
    _, page = wards
    cells = [row(page, "Everybody else", name)[4] for name in ("Alder", "Birch", "Difference")]
    assert cells == ["Not observed 20 %", "Not observed 50 %", "Not observed +30.0 points +30.0 to +30.0"]
    assert "What could be seen differs as well." in page.text
    assert "Part of any difference may be that." in page.text


def test_what_differs_is_said_first_and_neither_called_better_nor_worse(wards: tuple[str, Page]) -> None:
    _, page = wards
    assert (
        "Everybody else: more time below the band and less time inside the band in Birch than in Alder. "
        "Below the band +20.0 points (+20.0 to +20.0); inside the band " in page.text
    )
    assert "CO2 retainers: no difference that could not be chance." in page.text
    said = page.text[: page.text.index("Before anything is concluded")]
    assert not re.search(r"\b(better|worse|significant|green|red|amber)\b", said, re.IGNORECASE)


def test_a_measure_has_the_figures_of_the_headline_and_all_have_a_row(wards: tuple[str, Page]) -> None:
    """All patients: Alder 1000 s of 19,000 below, Birch 3000 s of 19,000: 5.3 and 16 %, +10.5 points."""
    _, page = wards
    cells = measure(page, "Time below the prescribed band")
    assert cells[1].startswith("5.3 % ")
    assert cells[2].startswith("16 % ")
    assert cells[3].startswith("+10.5 points ")
    assert len([cells for cells in page.table_with("In words")[1:] if len(cells) == 5]) == 39


def test_less_of_one_with_more_of_the_other_is_no_improvement(tmp_path: Path) -> None:
    people = [
        *several(10, Person("a", below=300, within=700)),
        *several(10, Person("b", ward="Birch", within=700, above=300)),
    ]
    _, page = page_of(people, Asked(WARD, ("Alder", "Birch")), tmp_path)
    assert "Less of the one with more of the other is no improvement." in page.text


def test_swapping_the_names_turns_the_difference(tmp_path: Path) -> None:
    _, page = page_of(TWO_WARDS, Asked(WARD, ("Birch", "Alder")), tmp_path)
    difference = row(page, "Everybody else", "Difference")
    assert difference[0] == "Difference Alder \N{MINUS SIGN} Birch"
    assert difference[1] == "Below \N{MINUS SIGN}20.0 points \N{MINUS SIGN}20.0 to \N{MINUS SIGN}20.0 lower in Alder"


def test_the_number_that_differ_stands_beside_the_number_that_chance_makes(wards: tuple[str, Page]) -> None:
    _, page = wards
    assert "1 of 3 measures differs by more than chance usually makes." in page.text
    assert "If nothing at all differed, none or one of 3 would still seem to." in page.text


# --- months, sites, stores --------------------------------------------------------------------------------------


def test_two_months_are_named_in_words_and_patients_of_both_are_spoken_of(tmp_path: Path) -> None:
    people = [*several(10, Person("a", month=MAY)), *several(10, Person("a", below=500, within=500))]
    text, page = page_of(people, Asked(MONTH, (MAY, JUNE)), tmp_path, month=None)
    assert row(page, "Everybody else", "Difference")[0] == "Difference June 2026 \N{MINUS SIGN} May 2026"
    assert "The same patients in both months." in page.text
    assert (tmp_path / "oxygen-comparison-2026-05-and-2026-06.html").read_text(encoding="utf-8") == text


def test_sites_are_compared_over_their_wards(tmp_path: Path) -> None:
    people = [
        *several(9, Person("a", site="North", below=100, within=900)),
        *several(9, Person("b", site="North", ward="Birch", below=300, within=700)),
        *several(9, Person("c", site="South", ward="Cedar", below=400, within=600)),
    ]
    _, page = page_of(people, Asked(SITE, ("North", "South")), tmp_path)
    north = row(page, "Everybody else", "North")
    assert north[0] == "North 18 patients"
    assert north[1].startswith("Below 20 %")
    assert row(page, "Everybody else", "Difference")[1].startswith("Below +20.0 points")


def stores_page(folder: Path, **changed: str) -> Page:
    with (
        store_by_hand(several(10, Person("a", below=100, within=900))) as north,
        store_by_hand(several(10, Person("a", below=300, within=700))) as south,
        store_by_hand(several(10, Person("a", below=100, within=900))) as west,
    ):
        for query in changed.values():
            south.execute(query)
        stores = {"north": north, "south": south, "west": west}
        path = write_comparison(stores, Asked(STORE, ("south.duckdb", "west.duckdb")), None, folder, POLICY)
        return read(path.read_text(encoding="utf-8"))


def test_several_stores_stand_beside_the_first_and_are_not_pooled(tmp_path: Path) -> None:
    page = stores_page(tmp_path)
    assert [row(page, "Everybody else", name)[0] for name in ("north", "south", "west")] == [
        f"{name} 10 patients" for name in ("north", "south", "west")
    ]
    differences = [cells for cells in plain(page.tables[0]) if cells[0].startswith("Difference")][:2]
    assert [cells[0] for cells in differences] == [
        "Difference south \N{MINUS SIGN} north",
        "Difference west \N{MINUS SIGN} north",
    ]
    assert differences[0][1].startswith("Below +20.0 points")
    assert differences[1][1].startswith("Below 0.0 points")
    assert "south beside north" in page.text
    assert page.text.count("Every input file with its fingerprint") == 3


def test_what_sets_the_stores_apart_is_said_before_any_figure(tmp_path: Path) -> None:
    page = stores_page(
        tmp_path,
        zone="update store_facts set value = 'Europe/Dublin' where name = 'zone'",
        devices="update load_ledger set rows_stored = 0 where table_name = 'devices'",
        tool="update load_ledger set tool_version = '0.0.9'",
    )
    first = page.text[: page.text.index("Share of observed time")]
    assert "different time zones" in first
    assert "south in Europe/Dublin" in first
    assert "south: no devices were loaded" in first
    assert "Rows of south were checked at loading by bandaudit 0.0.9." in page.text
    assert row(page, "Everybody else", "Difference")[3] == "Above, on oxygen \N{EN DASH}"


def test_a_month_that_is_not_complete_is_said_to_be(tmp_path: Path) -> None:
    people = [*several(10, Person("a")), *several(10, Person("b", month="2026-07"))]
    _, page = page_of(people, Asked(MONTH, (JUNE, "2026-07")), tmp_path, month=None)
    assert "July 2026: July 2026 is not complete, the data end at 2 July 2026" in page.text


# --- what is not there ------------------------------------------------------------------------------------------


def test_a_month_or_ward_without_anybody_is_refused_with_those_that_have(tmp_path: Path) -> None:
    people = [*several(9, Person("a")), *several(9, Person("b", ward="Birch")), Person("c", month=MAY, ward="Cedar")]
    with refused("Nobody was in Cedar in June 2026. Wards with patients in that month: Alder, Birch."):
        page_of(people, Asked(WARD, ("Alder", "Cedar")), tmp_path)
    with refused("2026-01 given with --compare is not in the store north. Months in it: 2026-06, 2026-05."):
        page_of(people, Asked(MONTH, ("2026-01", MAY)), tmp_path, month=None)
    with refused("June given with --month is not in the store"):
        page_of(people, Asked(WARD, ("Alder", "Birch")), tmp_path, month="June")


def test_stores_without_a_month_in_common_are_refused(tmp_path: Path) -> None:
    with (
        store_by_hand([Person("a")]) as north,
        store_by_hand([Person("b", month=MAY)]) as south,
        refused("no month in common. north: 2026-06. south: 2026-05."),
    ):
        write_comparison({"north": north, "south": south}, Asked(STORE, ("s",)), None, tmp_path, POLICY)


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with refused("cannot be written", "another folder with --out"):
        page_of(TWO_WARDS, Asked(WARD, ("Alder", "Birch")), tmp_path / "file")


# --- the page itself --------------------------------------------------------------------------------------------


def test_hostile_names_reach_the_page_as_text_only(tmp_path: Path, with_charts: None) -> None:
    """In text, in attributes and in charts; the file has a name of its own."""
    people = [*several(9, Person("a", ward=HOSTILE)), *several(9, Person("b", ward="../Birch", below=500, within=500))]
    text, page = page_of(people, Asked(WARD, (HOSTILE, "../Birch")), tmp_path, name=HOSTILE)
    assert "<script>alert" not in text
    assert "onload='x'" not in re.sub(r'"[^"]*"|>[^<]*<', "", text)
    assert len(page.named("script")) == 1
    assert row(page, "Everybody else", HOSTILE)[0] == f"{HOSTILE} 9 patients"
    [file] = tmp_path.iterdir()
    assert re.fullmatch(r"oxygen-comparison-2026-06-[0-9a-f]{12}-and-[0-9a-f]{12}\.html", file.name)


def test_the_same_inputs_give_the_same_bytes(tmp_path: Path, wards: tuple[str, Page]) -> None:
    text, _ = page_of(TWO_WARDS[::-1], Asked(WARD, ("Alder", "Birch")), tmp_path)
    assert text == wards[0]


def test_the_page_fetches_nothing_and_its_charts_can_be_heard(wards: tuple[str, Page]) -> None:
    text, page = wards
    assert not re.search(r'(?:src|href)="(?!#)', text)
    charts = page.named("svg")
    assert len(charts) == 7
    assert all(chart["role"] == "img" and len(str(chart["aria-label"])) > 40 for chart in charts)
    ids = {names["id"] for _, names in page.elements if "id" in names}
    assert {str(link["href"]).removeprefix("#") for link in page.named("a")} <= ids


def test_the_page_says_whom_it_is_for_and_what_it_was_made_from(wards: tuple[str, Page]) -> None:
    _, page = wards
    assert "the audit team\N{RIGHT SINGLE QUOTATION MARK}s copy, not for presentation" in page.text
    assert "bandaudit present" in page.text
    for words in (POLICY.fingerprint, "Europe/London", "2026-07-02T00:00:00Z", "together"):
        assert words in page.text
    for words in ("Nothing here is adjusted", "once in twenty times", "Patients who moved", "Newcombe"):
        assert words in page.text


def test_a_share_of_events_of_all_but_few_is_told_in_words_and_compared_with_nothing(tmp_path: Path) -> None:
    """40 patients on oxygen a month, 3 without a target: nobody is to know that there were three."""
    people = [
        person
        for month in (MAY, JUNE)
        for person in (
            *several(37, Person("a", month=month, target=True)),
            *several(3, Person("n", month=month, target=False)),
        )
    ]
    _, page = page_of(people, Asked(MONTH, (MAY, JUNE)), tmp_path, month=None)
    cells = measure(page, "Patients on oxygen with a prescribed target")
    assert cells[1:] == ["\N{EN DASH} so for all but fewer than 8 patients"] * 2 + ["\N{EN DASH}", "cannot be compared"]


def test_a_share_of_events_with_enough_on_both_sides_is_compared(tmp_path: Path) -> None:
    """10 of 30 and 20 of 30, a patient each: Newcombe on 29 of 30 effective events."""
    people = [
        person
        for month, met in ((MAY, 10), (JUNE, 20))
        for person in (
            *several(met, Person(f"a{month}", month=month, target=True)),
            *several(30 - met, Person(f"n{month}", month=month, target=False)),
        )
    ]
    with store_by_hand(people) as con:
        assert con.execute("select count(*) from measure_rows where measure_id = ?", [TARGET]).fetchall() == [(60,)]
    _, page = page_of(people, Asked(MONTH, (MAY, JUNE)), tmp_path, month=None)
    cells = measure(page, "Patients on oxygen with a prescribed target")
    assert cells[1:3] == ["33 % 19 to 51 %", "67 % 49 to 81 %"]
    assert cells[3].startswith("+33.3 points +7.")
    assert cells[4] == "higher in June 2026"


def test_a_store_is_only_read(tmp_path: Path) -> None:
    with store_by_hand(TWO_WARDS) as con:
        before = _contents(con)
        write_comparison({"north": con}, Asked(WARD, ("Alder", "Birch")), JUNE, tmp_path, POLICY)
        assert _contents(con) == before


def _contents(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    names = con.execute("select table_name from information_schema.tables order by 1").fetchall()
    return [(name, con.execute(f'select count(*) from "{name}"').fetchall()) for (name,) in names]
