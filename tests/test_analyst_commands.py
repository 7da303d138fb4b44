"""The analyst's commands as they are typed: what they print, their exit codes, and that no traceback is ever seen."""

from pathlib import Path

import pytest

from pipeline.cli import main
from tests.store_files import LAST_MONTH, fingerprint_of, write_measured_store
from tests.test_catalogue import GOOD, write

Capsys = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_measured_store(tmp_path_factory.mktemp("store") / "s.duckdb")


def run(capsys: Capsys, *arguments: object) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main([str(argument) for argument in arguments])
    return code, *capsys.readouterr()


def test_from_a_draft_to_its_figures(
    tmp_path: Path, store: Path, capsys: Capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    before = fingerprint_of(store)
    code, told, _ = run(capsys, "new-measure", "cannula_time", "--out", tmp_path / "mine")
    assert code == 0
    file = Path("mine") / "cannula_time.sql"
    assert told.splitlines()[:3] == [
        f"The measure is at {file}",
        f"Its cases are at {file.with_suffix('.toml')}",
        f"Next: change both; then bandaudit try {file} --store FILE",
    ]
    code, told, warned = run(capsys, "try", file, "--store", store, "--month", LAST_MONTH)
    assert (code, warned) == (0, "")
    assert told.startswith("cannula_time: DRAFT: time on oxygen through a nasal cannula (share)\n")
    assert "January 2026" in told
    assert "Words of the draft are still in" in told
    assert fingerprint_of(store) == before
    assert [path.name for path in store.parent.iterdir()] == [store.name]


def test_a_store_that_is_not_measured_so_is_tried_on_a_copy_and_that_is_said(
    tmp_path: Path, store: Path, capsys: Capsys
) -> None:
    before = fingerprint_of(store)
    write(tmp_path, "time_read")
    (tmp_path / "ours.toml").write_text("[parameters]\nsmall_count_below = 5\n", encoding="utf-8")
    arguments = ("try", tmp_path / "time_read.sql", "--store", store, "--policy", tmp_path / "ours.toml")
    code, told, warned = run(capsys, *arguments)
    assert code == 0
    assert told.startswith("time_read: Time with a reading (share)")
    assert "a copy was, and is gone again" in warned
    assert f"bandaudit report --store {store}" in warned
    assert fingerprint_of(store) == before
    assert [path.name for path in store.parent.iterdir()] == [store.name]


def test_another_policy_is_shown_and_written(tmp_path: Path, store: Path, capsys: Capsys) -> None:
    (tmp_path / "ours.toml").write_text("[parameters]\nreading_carry_hours = 4\n", encoding="utf-8")
    code, told, _ = run(capsys, "try-policy", tmp_path / "ours.toml", "--store", store, "--out", tmp_path / "pages")
    assert code == 0
    assert "reading_carry_hours: 6 -> 4 (hours)" in told
    [page] = (tmp_path / "pages").iterdir()
    assert told.endswith(f"The page is at {page}\n")
    assert [path.name for path in store.parent.iterdir()] == [store.name]


FAULTY = GOOD.replace("from timeline\n", "from timelines\n")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("try", "none.sql", "--store", "STORE"), "There is no file none.sql"),
        (("try", "good.sql", "--store", "none.duckdb"), "There is no store at none.duckdb"),
        (("try", "good.sql", "--store", "STORE", "--month", "2001-01"), "is not in the store. Expected YYYY-MM"),
        (("try", "good.sql", "--store", "STORE", "--policy", "none.toml"), "The policy file none.toml cannot be read"),
        (("try", "faulty.sql", "--store", "STORE"), "faulty.sql, line 25: Catalog Error: Table with name timelines"),
        (
            ("try", "breaks.sql", "--store", "STORE"),
            "breaks.sql, line 24: Conversion Error while it ran: a value could",
        ),
        (("try-policy", "none.toml", "--store", "STORE"), "The policy file none.toml cannot be read"),
        (("try-policy", "wrong.toml", "--store", "STORE"), "1 entry that cannot be used"),
        (("try-policy", "ours.toml", "--store", "STORE", "--month", "2001-01"), "is not in the store"),
        (("new-measure", "Share-Within", "--out", "mine"), "small letters, digits and _ only"),
        (("new-measure", "good", "--out", "."), "cannot be written: it is there already"),
    ],
    ids=lambda value: " ".join(value[:2]) if isinstance(value, tuple) else "",
)
def test_what_has_to_be_put_right_is_said_without_a_traceback(
    tmp_path: Path,
    store: Path,
    capsys: Capsys,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
    told: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    write(tmp_path, "good")
    write(tmp_path, "faulty", FAULTY)
    write(tmp_path, "breaks", GOOD.replace("sum(seconds) as", "sum(cast(stay_id as integer)) as"))
    (tmp_path / "wrong.toml").write_text("[parameters]\nno_such = 1\n", encoding="utf-8")
    (tmp_path / "ours.toml").write_text("[parameters]\nepisode_min_minutes = 30\n", encoding="utf-8")
    code, printed, message = run(capsys, *(store if word == "STORE" else word for word in arguments))
    assert code == 2
    assert printed == ""
    assert message.startswith("bandaudit: ")
    assert told in message
    assert "Traceback" not in message
    assert "S0" not in message.replace(str(store), "")
