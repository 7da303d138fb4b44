"""One invented cohort through `bandaudit load` in every form it can come in: the store and the timeline are the same.

The canonical extract is the yardstick; a hospital's own files under a mapping, HL7 FHIR R4 bulk data and OMOP tables
must not differ from it in anything that they can say.
"""

import shutil
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.batch import timeline_of_batch
from pipeline.cli import main
from pipeline.measure import fill_timeline
from pipeline.policy import read_policy
from pipeline.store import open_store
from pipeline.vocabulary import TABLES
from synthetic_data.cohort import Cohort, simulate
from synthetic_data.extract import write_extract as write_canonical
from tests.intake.disguised import MAPPING, WORDS, write_disguised
from tests.intake.extracts import Outcome, counts, dump, load, query, refused, stored_tables
from tests.intake.fhir.cohort_as_fhir import write_cohort
from tests.intake.omop.tables import omop_tables, write_folder
from tests.intake.omop.test_round_trip import with_integer_keys

Capsys = pytest.CaptureFixture[str]
NOTHING_CHANGED = "These rows were loaded before: nothing has changed."
WAYS = ("mapped", "fhir", "omop")


@pytest.fixture(scope="module")
def cohort() -> Cohort:
    return simulate(stays=50)


@pytest.fixture(scope="module")
def folders(cohort: Cohort, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The cohort in every form, each whole: what a standard cannot say lies beside it in the canonical form."""
    place = tmp_path_factory.mktemp("forms")
    write_canonical(cohort, place / "canonical", dirty=False)
    write_disguised(cohort.tables, place / "mapped")
    (place / "mapping.toml").write_text(MAPPING, encoding="utf-8")
    for way in ("fhir", "omop"):
        write_as(way, cohort.tables, place / way)
    return {way: place / way for way in ("canonical", *WAYS)}


def write_as(way: str, tables: dict[str, pl.DataFrame], folder: Path) -> Path:
    """Writes the tables in the form of a standard, with targets and flags beside."""
    if way == "fhir":
        return write_cohort(tables, folder)
    write_folder(folder, omop_tables(tables))
    for table in ("targets", "flags"):
        beside = with_integer_keys(tables[table])
        beside.write_csv(folder / f"{table}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")
    return folder


def without_targets(folder: Path, copy: Path) -> Path:
    return Path(shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("targets.csv")))


def options(folder: Path) -> list[str]:
    return ["--mapping", str(folder.parent / "mapping.toml")] if folder.name == "mapped" else []


def went_in(capsys: Capsys, folder: Path, store: Path, *more: str) -> Outcome:
    """Loads and asserts that it went through, and that every row read is accounted for and every one kept aside is
    told with its reason."""
    outcome = load(capsys, folder, store, *options(folder), *more)
    assert outcome.code == 0, outcome.err
    assert_balanced(store)
    return outcome


def assert_balanced(store: Path) -> None:
    unbalanced = query(
        store,
        "select file_name from load_ledger where rows_read <> "
        "rows_stored + rows_already_stored + rows_repeated + rows_kept_aside",
    )
    assert not unbalanced
    latest = "(select max(load_no) from load_ledger)"
    [(aside, told)] = query(
        store,
        f"select (select sum(rows_kept_aside) from load_ledger where load_no = {latest}), (select count(*) from "
        f"rejected_rows where load_no = {latest} and reason <> '' and row_number is not null)",
    )
    assert aside == told


Stores = tuple[dict[str, Path], dict[str, str]]


@pytest.fixture(scope="module")
def stores(folders: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Stores:
    """The stores by form, and what the screen said; made once."""
    place, said = tmp_path_factory.mktemp("stores"), dict[str, str]()
    for way, folder in folders.items():
        with redirect_stdout(StringIO()) as out:
            assert main(["load", str(folder), "--store", str(place / way), *options(folder)]) == 0
        said[way] = out.getvalue()
        assert_balanced(place / way)
    return {way: place / way for way in folders}, said


def timeline(store: Path) -> list[tuple[Any, ...]]:
    """Every row of the timeline, in order of stay and time; keys of OMOP, which are numbers, as the cohort has them."""
    with open_store(store) as connection:
        fill_timeline(connection, read_policy(None), timeline_of_batch)
        rows = connection.execute("select * exclude (patient_key) from timeline").fetchall()
    plain = [row if row[0].startswith("S") else (f"S{int(row[0]):05d}", *row[1:]) for row in rows]
    return sorted(plain, key=lambda row: (row[0], row[4]))


def test_the_timeline_is_the_same_whichever_way_the_cohort_came(stores: Stores) -> None:
    paths, _ = stores
    wanted = timeline(paths["canonical"])
    assert len(wanted) > 1000
    for way in WAYS:
        assert timeline(paths[way]) == wanted, way


def test_a_mapped_folder_gives_the_same_store(stores: Stores) -> None:
    paths, _ = stores
    assert stored_tables(paths["mapped"]) == stored_tables(paths["canonical"])


@pytest.mark.parametrize("way", ["fhir", "omop"])
def test_a_standard_gives_the_same_rows_of_all_that_it_can_say(stores: Stores, way: str) -> None:
    paths, _ = stores
    found, wanted = stored_tables(paths[way]), stored_tables(paths["canonical"])
    unsaid = {"specialty", "age_band", "ews_scale", "spo2_score", "source"} | ({"stay_id"} if way == "omop" else set())
    for table in TABLES:
        kept = [name for name in TABLES[table].column_names if name not in {*unsaid, "patient_key"}]
        rows = [sorted(str([row[name] for name in kept]) for row in side[table]) for side in (found, wanted)]
        assert rows[0] == rows[1], table
        assert rows[0]


@pytest.mark.parametrize("way", WAYS)
def test_the_same_folder_twice_changes_nothing_and_neither_does_replace(
    folders: dict[str, Path], stores: Stores, capsys: Capsys, way: str
) -> None:
    store = stores[0][way]
    before = dump(store)
    # The timeline is no part of a load.
    assert before["load_ledger"]
    for more in ([], ["--replace"]):
        assert NOTHING_CHANGED in went_in(capsys, folders[way], store, *more).out
        assert dump(store) == before


@pytest.mark.parametrize("way", ["fhir", "omop"])
def test_a_corrected_reading_takes_the_place_of_the_stored_one_with_replace_only(
    cohort: Cohort, stores: Stores, tmp_path: Path, capsys: Capsys, way: str
) -> None:
    """The first reading of the cohort by time becomes 77 %."""
    readings = cohort.tables["readings"]
    first = readings.sort("taken_at", "stay_id").row(0, named=True)
    is_first = (pl.col("stay_id") == first["stay_id"]) & (pl.col("taken_at") == first["taken_at"])
    seventy_seven = pl.lit(77).cast(readings.schema["spo2_percent"])
    corrected = readings.with_columns(spo2_percent=pl.when(is_first).then(seventy_seven).otherwise("spo2_percent"))
    folder = write_as(way, cohort.tables | {"readings": corrected}, tmp_path / way)
    store = Path(shutil.copy(stores[0][way], tmp_path / "s"))
    lowest = "select count(*) from readings where spo2_percent = 77"
    [(before,)] = query(store, lowest)
    assert "load the extract again with --replace" in went_in(capsys, folder, store).out
    assert query(store, lowest) == [(before,)]
    assert "1 stays were replaced whole." in went_in(capsys, folder, store, "--replace").out
    assert query(store, lowest) == [(before + 1,)]


# --- a mapping --------------------------------------------------------------------------------------------------


def mapped_copy(cohort: Cohort, tmp_path: Path) -> Path:
    folder = write_disguised(cohort.tables, tmp_path / "mapped")
    (tmp_path / "mapping.toml").write_text(MAPPING, encoding="utf-8")
    return folder


def test_unknown_codes_are_told_once_each_with_their_rows_on_the_screen_and_in_the_store(
    cohort: Cohort, tmp_path: Path, capsys: Capsys
) -> None:
    folder = mapped_copy(cohort, tmp_path)
    devices = (folder / "o2_devices.txt").read_text(encoding="latin-1").splitlines()
    word = WORDS["device"]["nasal_cannula"]
    known = [place for place, line in enumerate(devices) if f";{word};" in line]
    for place, new in zip(known, ["Hood"] * 3 + ["Box"] * 2, strict=False):
        devices[place] = devices[place].replace(word, new)
    (folder / "o2_devices.txt").write_text("\n".join(devices) + "\n", encoding="latin-1")

    outcome = went_in(capsys, folder, tmp_path / "s")
    sentence = '[devices.codes.device] does not know, in 5 rows: "Hood" (3), "Box" (2)'
    assert outcome.out.count(sentence) == 1
    assert outcome.out.count("Hood") == outcome.out.count("Box") == 1
    assert (1, sentence) in query(tmp_path / "s", "select load_no, sentence from load_notes")
    wanted = sorted(("unknown_code", "device", place + 1) for place in known[:5])
    found = query(tmp_path / "s", "select rule, column_name, row_number from rejected_rows order by row_number")
    assert found == wanted
    assert counts(tmp_path / "s", "o2_devices.txt")[4] == 5

    # Once the words are in the mapping, only these rows are new.
    known_now = MAPPING.replace(
        "[devices.codes.device]", '[devices.codes.device]\nhood = "other"\nbox = "simple_mask"', 1
    )
    (tmp_path / "mapping.toml").write_text(known_now, encoding="utf-8")
    again = went_in(capsys, folder, tmp_path / "s")
    assert "does not know" not in again.out
    assert counts(tmp_path / "s", "o2_devices.txt")[1] == 5
    assert query(tmp_path / "s", "select count(*) from rejected_rows") == [(0,)]


@pytest.mark.parametrize(
    ("declared", "instead", "says"),
    [
        ('pco2_kpa = "mmHg"', 'pco2_kpa = "kPa"', ["pco2_kpa is declared in kPa", "would fit mmHg instead"]),
        ('spo2_percent = "fraction"', 'spo2_percent = "percent"', ["declared in percent", "would fit fraction"]),
        ('fio2_fraction = "percent"', 'fio2_fraction = "fraction"', ["declared in fraction", "would fit percent"]),
    ],
)
def test_contradicted_units_stop_the_load_with_the_declaration_that_would_fit(
    cohort: Cohort, tmp_path: Path, capsys: Capsys, declared: str, instead: str, says: list[str]
) -> None:
    folder = mapped_copy(cohort, tmp_path)
    (tmp_path / "mapping.toml").write_text(MAPPING.replace(declared, instead), encoding="utf-8")
    refused(capsys, folder, tmp_path / "s", *options(folder), says=[*says, "under units in a mapping"])
    assert not (tmp_path / "s").exists()


# --- what a standard cannot say ---------------------------------------------------------------------------------


@pytest.mark.parametrize("way", ["fhir", "omop"])
def test_without_a_file_of_targets_the_message_says_what_to_put_beside(
    folders: dict[str, Path], tmp_path: Path, capsys: Capsys, way: str
) -> None:
    folder = without_targets(folders[way], tmp_path / way)
    says = ["no place for prescribed targets", "targets.csv", "stay_id, prescribed_at, lower_percent, upper_percent"]
    refused(capsys, folder, tmp_path / "s", says=[*says, "Encounter", "visit_occurrence_id", "mapping"])
    assert not (tmp_path / "s").exists()


@pytest.mark.parametrize("way", ["fhir", "omop"])
def test_targets_may_stand_in_the_hospitals_own_columns_under_a_mapping(
    cohort: Cohort, folders: dict[str, Path], tmp_path: Path, capsys: Capsys, way: str
) -> None:
    folder = without_targets(folders[way], tmp_path / way)
    tables = cohort.tables if way == "fhir" else {k: with_integer_keys(v) for k, v in cohort.tables.items()}
    write_disguised({"targets": tables["targets"]}, folder)
    section = MAPPING[MAPPING.index("[targets]") :].partition("\n\n[gases]")[0]
    top = MAPPING.partition("\n\n")[0]
    (tmp_path / "own.toml").write_text(f"{top}\n\n{section}", encoding="utf-8")
    outcome = load(capsys, folder, tmp_path / "s", "--mapping", str(tmp_path / "own.toml"))
    assert outcome.code == 0, outcome.err
    assert_balanced(tmp_path / "s")
    assert "Files that were not read" not in outcome.out
    number = cohort.tables["targets"].height
    assert counts(tmp_path / "s", "prescribed.txt") == (number, number, 0, 0, 0)
    assert query(tmp_path / "s", "select count(*) from targets") == [(number,)]


def test_nothing_is_told_where_every_row_and_file_is_used(stores: Stores) -> None:
    for way, said in stores[1].items():
        for words in ("ot used", "not use", "were not read", "holds no type", "left out"):
            assert words not in said, way
