"""The draft of a measure: valid, with cases it passes, in its place, and never over anything that is there."""

import re
import tomllib
from pathlib import Path

import pytest

from pipeline import new_measure
from pipeline.analyst_commands import KINDS
from pipeline.catalogue import read_measures
from pipeline.errors import MeasureFileError
from pipeline.measure_file import KINDS as KINDS_OF_MEASURES
from pipeline.measure_file import TEXT_KEYS
from pipeline.new_measure import write_draft
from pipeline.policy import read_policy
from pipeline.store import read_store
from pipeline.trial import read_measure_to_try, try_measure
from pipeline.trial_warnings import DRAFT
from tests import test_measure_cases as cases
from tests.store_files import write_measured_store

# The fixture of the cases of every measure: an empty store.
store = cases.store
DRAFTS = Path(__file__).parents[1] / "sql" / "drafts"
DRAFT_CASES = [
    pytest.param(kind, case, id=f"{kind}: {case['name']}")
    for kind in KINDS
    for case in tomllib.loads((DRAFTS / f"{kind}.toml").read_text(encoding="utf-8"))["case"]
]


def test_there_is_a_draft_of_every_kind() -> None:
    assert KINDS == KINDS_OF_MEASURES
    assert sorted(file.name for file in DRAFTS.iterdir()) == sorted(
        f"{kind}.{ending}" for kind in KINDS for ending in ("sql", "toml")
    )


@pytest.mark.parametrize("engine", ["duckdb", "sqlite"])
@pytest.mark.parametrize(("kind", "case"), DRAFT_CASES)
def test_a_draft_passes_its_own_cases_on_both_engines(
    store: object, tmp_path: Path, kind: str, case: dict[str, str], engine: str
) -> None:
    measure = read_measure_to_try(write_draft("my_own", kind, tmp_path).measure)
    cases.test_case(store, measure, case, engine)  # type: ignore[arg-type]


@pytest.mark.parametrize("engine", ["duckdb", "sqlite"])
def test_the_case_in_the_guide_holds_for_a_draft_of_its_device(store: object, tmp_path: Path, engine: str) -> None:
    guide = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    [section] = re.findall(r"^### How cases are written\n(.*?)^## ", guide, re.DOTALL | re.MULTILINE)
    [example] = re.findall(r"```toml\n(.*?)```", section, re.DOTALL)
    [case] = tomllib.loads(example)["case"]
    file = write_draft("my_own", "share", tmp_path).measure
    file.write_text(file.read_text(encoding="utf-8").replace("nasal_cannula", "reservoir_mask"), encoding="utf-8")
    cases.test_case(store, read_measure_to_try(file), case, engine)  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", KINDS)
def test_the_cases_of_a_draft_are_of_every_kind_that_is_asked_for(tmp_path: Path, kind: str) -> None:
    draft = write_draft("my_own", kind, tmp_path)
    written = tomllib.loads(draft.cases.read_text(encoding="utf-8"))["case"]
    assert {case["covers"] for case in written} == set(cases.COVERS)
    assert all(len(case["name"].split()) > 3 for case in written)


def test_a_draft_can_be_tried_at_once_and_only_its_words_are_found_wanting(tmp_path: Path) -> None:
    file = write_measured_store(tmp_path / "s.duckdb")
    with read_store(file) as connection:
        for kind in KINDS:
            measure = read_measure_to_try(write_draft(f"my_{kind}", kind, tmp_path / "mine").measure)
            trial = try_measure(connection, measure, read_policy())
            assert trial.summary["result"].is_not_null().any()
            assert measure.kind == kind
            worded = [key for key in TEXT_KEYS if DRAFT in getattr(measure, key)]
            assert len(worded) > 5
            assert trial.warnings == (
                f"Words of the draft are still in: {', '.join(worded)}. The report would show them.",
            )


def test_no_measure_of_the_tool_is_still_a_draft() -> None:
    assert not [measure.id for measure in read_measures() if any(DRAFT in getattr(measure, key) for key in TEXT_KEYS)]


def test_a_draft_has_a_place_among_the_measures_that_none_has(tmp_path: Path) -> None:
    measure = read_measure_to_try(write_draft("my_own", "share", tmp_path).measure)
    assert measure.order > max(each.order for each in read_measures())


# --- where it is written ----------------------------------------------------------------------------------------


def test_in_a_copy_of_the_repository_both_files_are_written_where_they_belong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert new_measure._repository() == Path(__file__).parents[1]
    monkeypatch.setattr(new_measure, "_repository", lambda: tmp_path)
    draft = write_draft("my_own", "rate")
    assert draft.measure == tmp_path / "sql" / "measures" / "my_own.sql"
    assert draft.cases == tmp_path / "tests" / "measures" / "my_own.toml"
    assert draft.where_it_belongs == ""
    assert draft.measure.is_file()
    assert draft.cases.is_file()


def test_installed_from_a_package_it_says_where_measures_are_added(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(new_measure, "_repository", lambda: None)
    with pytest.raises(MeasureFileError, match=r"measures are added in a copy of the repository.*--out DIR"):
        write_draft("my_own", "share")
    assert "sql/measures/" in write_draft("my_own", "share", tmp_path).where_it_belongs


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("My-Own", "small letters, digits and _ only"),
        ("1st", "small letters, digits and _ only"),
        ("../mine", "small letters, digits and _ only"),
        ("", "small letters, digits and _ only"),
        ("timeline", "a table has this name"),
        ("share_within", "A measure share_within is there already"),
        ("a" * 300, "name too long"),
    ],
)
def test_a_name_that_cannot_be_is_refused_and_nothing_written(tmp_path: Path, name: str, told: str) -> None:
    with pytest.raises(MeasureFileError, match=r"(?i)nothing was written") as raised:
        write_draft(name, "share", tmp_path / "mine")
    assert told in str(raised.value) or told.capitalize() in str(raised.value)
    assert not list(tmp_path.rglob("*.*"))


@pytest.mark.parametrize("there", ["my_own.sql", "my_own.toml"])
def test_nothing_is_overwritten_and_nothing_half_written(tmp_path: Path, there: str) -> None:
    (tmp_path / there).write_text("mine", encoding="utf-8")
    with pytest.raises(MeasureFileError, match=f"{there} cannot be written: it is there already"):
        write_draft("my_own", "share", tmp_path)
    assert [(path.name, path.read_text(encoding="utf-8")) for path in tmp_path.iterdir()] == [(there, "mine")]
