"""What the names given with --compare mean; and every mistake has its answer."""

from pathlib import Path

import duckdb
import pytest

from pipeline.errors import AuditError
from reports.compare_asked import MONTH, SITE, STORE, WARD, Asked, what_is_asked
from tests.compared import Person, store_by_hand

STORE_PATH = Path("audit.duckdb")


@pytest.fixture(scope="module")
def con() -> duckdb.DuckDBPyConnection:
    made = store_by_hand(
        [Person("PATIENT-KEY-1", site="North"), Person("p2", site="South"), Person("p3", site="Birch")]
    )
    for place, ward in enumerate(("Alder", "Birch", "Ward 3", "2026-04", "site:Alder", "\x1b[31mRed\x07")):
        made.execute("insert into wards values (?, ?, '2026-06-03 00:00')", [place + 1, ward])
    return made


def asked(con: duckdb.DuckDBPyConnection, *names: str, month: str | None = None) -> Asked:
    return what_is_asked(con, names, STORE_PATH, month)


def refusal(con: duckdb.DuckDBPyConnection, *names: str, month: str | None = None) -> str:
    with pytest.raises(AuditError) as found:
        asked(con, *names, month=month)
    assert "PATIENT-KEY" not in str(found.value)
    return str(found.value)


@pytest.mark.parametrize(
    ("names", "kind"),
    [
        (("2026-05", "2026-06"), MONTH),
        (("Alder", "Ward 3"), WARD),
        (("North", "South"), SITE),
        (("south.duckdb",), STORE),
        (("south.duckdb", "west.duckdb"), STORE),
        (("site:Alder", "Alder"), WARD),
    ],
)
def test_the_kind_is_found_from_the_names(con: duckdb.DuckDBPyConnection, names: tuple[str, ...], kind: str) -> None:
    assert asked(con, *names) == Asked(kind, names)


def test_a_name_may_say_itself_what_it_is(con: duckdb.DuckDBPyConnection) -> None:
    assert asked(con, "ward:Birch", "Alder") == Asked(WARD, ("Birch", "Alder"))
    assert asked(con, "site:Birch", "site:North") == Asked(SITE, ("Birch", "North"))
    assert asked(con, "month:2026-04", "2026-05") == Asked(MONTH, ("2026-04", "2026-05"))
    assert asked(con, "store:hospital") == Asked(STORE, ("hospital",))


def test_one_name_that_fits_only_one_kind_decides(con: duckdb.DuckDBPyConnection) -> None:
    """Birch is a ward and a site; Alder is a ward only."""
    assert asked(con, "Birch", "Alder").kind == WARD
    assert asked(con, "Birch", "North").kind == SITE


def test_a_name_of_two_kinds_has_to_say_which(con: duckdb.DuckDBPyConnection) -> None:
    made = store_by_hand([Person("a", site="Elm"), Person("b", site="Oak Hill")])
    made.execute("insert into wards values (1, 'Elm', '2026-06-03 00:00'), (2, 'Oak Hill', '2026-06-03 00:00')")
    message = refusal(made, "Elm", "Oak Hill")
    assert "can mean a ward or a site" in message
    assert '--compare ward:Elm "ward:Oak Hill"' in message


def test_an_existing_file_is_a_store_whatever_its_ending(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("hospital.db").write_bytes(b"")
    assert asked(con, "hospital.db") == Asked(STORE, ("hospital.db",))
    Path("Alder").mkdir()
    assert asked(con, "Alder", "Birch").kind == WARD


@pytest.mark.parametrize(
    ("names", "month", "says"),
    [
        (
            ("Aldr", "birch"),
            None,
            ["Nearest to Aldr: Alder", "Nearest to birch: Birch", "Wards of this store", "quotation"],
        ),
        (("Ward", "3", "Ward", "4"), None, ["does not know Ward, 3, 4", 'compare "Ward A" "Ward B"']),
        (("2026-13", "2026-05"), None, ["2026-13", "written 2026-06"]),
        (("June", "July"), None, ["written 2026-06"]),
        (("ward:Nope", "Alder"), None, ["does not know ward:Nope"]),
        (("Alder", "North"), None, ["Alder is a ward; North is a site", "Like is compared with like"]),
        (("2026-05",), None, ["two months", "--compare 2026-04 2026-05"]),
        (("2026-05",), "2026-06", ["two months", "--compare 2026-05 2026-06"]),
        (("Alder",), None, ["two wards", "--compare Alder 2026-04"]),
        (("Alder", "Birch", "Ward 3"), None, ["takes two wards, and 3", "By ward"]),
        (("Alder", "Alder"), None, ["Alder is given twice"]),
        (("a.duckdb", "store:a.duckdb"), None, ["a.duckdb is given twice"]),
        (("2026-05", "2026-06"), "2026-06", ["Leave --month out", "--store audit.duckdb --compare 2026-05 2026-06"]),
        (tuple(f"{n}.duckdb" for n in range(6)), None, ["7 stores", "up to 6"]),
    ],
)
def test_a_mistake_is_answered_with_what_where_and_what_to_type(
    con: duckdb.DuckDBPyConnection, names: tuple[str, ...], month: str | None, says: list[str]
) -> None:
    message = refusal(con, *names, month=month)
    for words in says:
        assert words in message


def test_a_message_holds_nothing_that_steers_a_terminal_and_is_not_endless(con: duckdb.DuckDBPyConnection) -> None:
    message = refusal(con, "\x1b[2J" + "x" * 500, "Alder")
    assert message.isprintable()
    assert len(message) < 800


def test_a_store_without_wards_or_sites_says_so() -> None:
    made = store_by_hand([Person("a")])
    message = refusal(made, "Alder", "Birch")
    assert "This store holds no wards. This store holds no sites." in message
