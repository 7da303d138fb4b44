"""A measure tried on a store: the report's own figures, what looks wrong, and nothing written or given away."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest

from pipeline.catalogue import read_measures
from pipeline.errors import MeasureFileError
from pipeline.measure_file import Measure
from pipeline.policy import read_policy
from pipeline.rollup import suppress_small_counts
from pipeline.store import read_store
from pipeline.trial import Trial, read_measure_to_try, try_measure
from tests.store_files import fingerprint_of, write_measured_store
from tests.test_catalogue import GOOD, write

POLICY = read_policy()
TOOLS_OWN = {measure.id: measure for measure in read_measures()}
OF_A_STAY = (
    "select stay_id, ward, month, {} as numerator, {} as denominator from timeline group by stay_id, ward, month"
)


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_measured_store(tmp_path_factory.mktemp("store") / "s.duckdb")


@pytest.fixture(scope="module")
def store(file: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with read_store(file) as connection:
        yield connection


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Measure:
    folder = tmp_path_factory.mktemp("good")
    write(folder, "time_read", GOOD)
    return read_measure_to_try(folder / "time_read.sql")


def tried(store: duckdb.DuckDBPyConnection, measure: Measure, sql: str, **header: object) -> Trial:
    return try_measure(store, replace(measure, sql=sql, **header), POLICY)  # type: ignore[arg-type]


# --- the figures ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "measure_id", ["share_within", "avoidable_episodes", "high_fio2_episode_rate", "hours_to_target", "excess_litres"]
)
def test_the_figures_are_those_of_the_store_for_a_measure_that_it_was_measured_with(
    store: duckdb.DuckDBPyConnection, measure_id: str
) -> None:
    trial = try_measure(store, TOOLS_OWN[measure_id], POLICY)
    # Another session of the store, in which nothing hides its tables.
    kept = store.cursor().sql(f"select * from s.main.measure_summary where measure_id = '{measure_id}'").pl()
    assert kept.height > 10
    # A median has no numerator and no denominator: they are null in the store.
    without = [name for name in kept.columns if name not in trial.summary.columns]
    assert all(kept[name].is_null().all() for name in without)
    hidden = suppress_small_counts(kept, POLICY).drop(without)
    assert hidden.equals(trial.summary.select(hidden.columns))
    assert trial.warnings == ()


def test_the_pooled_share_is_worked_out_from_the_rows_by_plain_arithmetic(
    store: duckdb.DuckDBPyConnection, good: Measure
) -> None:
    trial = try_measure(store, good, POLICY)
    sums: dict[str, list[float]] = {}
    stays, patients, wards = set(), set(), 0
    rows = store.execute(good.sql).fetchall()
    keys = dict(store.execute("select stay_id, patient_key from stays").fetchall())
    for stay, ward, month, numerator, denominator in rows:
        total = sums.setdefault(month, [0, 0])
        total[0] += numerator
        total[1] += denominator
        stays.add(stay)
        patients.add(keys[stay])
        wards += ward is None
    shown = {row["month"]: row for row in trial.summary.to_dicts() if row["ward"] is row["group"] is None}
    assert len(shown) > 3
    for month, row in shown.items():
        if row["suppressed"]:
            assert row["result"] is None
        else:
            assert row["result"] == pytest.approx(sums[month][0] / sums[month][1])
    assert (trial.rows, trial.stays, trial.patients) == (str(len(rows)), str(len(stays)), str(len(patients)))
    assert trial.nulls["ward"] == str(wards)
    assert wards >= 8
    assert trial.zero_denominators == "0"
    assert 0 < trial.seconds < 60


def test_nothing_is_written_into_the_store(file: Path, store: duckdb.DuckDBPyConnection, good: Measure) -> None:
    before = fingerprint_of(file)
    try_measure(store, good, POLICY)
    assert fingerprint_of(file) == before
    assert [path.name for path in file.parent.iterdir()] == [file.name]


def test_small_counts_are_in_words(store: duckdb.DuckDBPyConnection, good: Measure) -> None:
    few = "select stay_id, ward, month, sum(seconds) as numerator, sum(seconds) as denominator from timeline "
    few += "where stay_id in (select min(stay_id) from timeline) group by stay_id, ward, month"
    trial = tried(store, good, few)
    assert (trial.rows, trial.stays, trial.patients) == ("1 to 7",) * 3
    assert trial.summary["suppressed"].all()
    assert trial.summary["result"].is_null().all()


# --- what looks wrong -------------------------------------------------------------------------------------------

NUMBERS = ("0", "-1", "3.5", "1e300", "cast('nan' as double)", "cast('inf' as double)", "cast(null as double)", "1e14")
PAIRS = [(number, "1") for number in NUMBERS] + [("1", number) for number in NUMBERS]
PAIRS += [("-1", "-1"), ("1e14", "1e14"), ("cast('nan' as double)", "0"), ("cast(null as double)",) * 2]


@pytest.mark.parametrize("header", [{"of": "time"}, {"of": "events"}, {"kind": "rate"}], ids=str)
def test_no_number_whatever_makes_it_fail(
    store: duckdb.DuckDBPyConnection, good: Measure, header: dict[str, str]
) -> None:
    for pair in PAIRS:
        # Every other stay has ordinary numbers.
        cells = [f"case when ascii(right(stay_id, 1)) % 2 = 0 then 1 else {cell} end" for cell in pair]
        trial = tried(store, good, OF_A_STAY.format(*cells), **header)
        assert trial.summary.height > 3
        if any(word in "".join(pair) for word in ("nan", "inf", "1e300")):
            assert any("not finite" in warning for warning in trial.warnings)
        if "-1" in pair:
            assert any("negative" in warning for warning in trial.warnings)


@pytest.mark.parametrize("value", NUMBERS)
def test_no_value_of_an_event_makes_it_fail(store: duckdb.DuckDBPyConnection, good: Measure, value: str) -> None:
    sql = f"select stay_id, ward, month, {value} as value, false as censored from timeline"
    assert tried(store, good, sql, kind="median").rows != "0"


@pytest.mark.parametrize(
    ("sql", "header", "told"),
    [
        (OF_A_STAY.format("2", "1"), {}, "numerator above their denominator"),
        (OF_A_STAY.format("0", "1"), {}, "The numerator is 0 in each of"),
        (OF_A_STAY.format("1", "sum(seconds)"), {"kind": "rate"}, "is the denominator in days?"),
        ("select stay_id, ward, month, 1 as numerator, 1 as denominator from timeline", {}, "repeat a stay, ward and"),
        (
            OF_A_STAY.format("1", "1").replace("month,", "'2026-1' as month,", 1),
            {},
            "of no stay with time in that month",
        ),
        (OF_A_STAY.format("1", "1").replace("group", "where 1 = 2 group"), {}, "returned no row at all"),
        (OF_A_STAY.format("count(fio2)", "2 * count(*)"), {}, 'the header wants: needs = ["devices"]'),
        (
            OF_A_STAY.format("1", "1").replace("timeline", "gas_findings"),
            {"needs": ("devices",)},
            "It rests on gases, which may be missing from an extract: without them the figure misleads. Unless it does "
            'not, the header wants: needs = ["devices", "gases"]',
        ),
        (
            OF_A_STAY.format("sum(case when device = 'resevoir_mask' then 1 else 0 end)", "1"),
            {"needs": ("devices",)},
            "'resevoir_mask' is a word of no column of words; did you mean 'reservoir_mask'?",
        ),
        (OF_A_STAY.format("list_sum([1])", "1"), {}, "A second engine, SQLite, does not take the SELECT"),
        (OF_A_STAY.format("greatest(0, 1)", "1"), {}, "(no such function: greatest)"),
        (OF_A_STAY.format("1", "1"), {"caution": "DRAFT: none"}, "Words of the draft are still in: caution."),
    ],
)
def test_what_looks_wrong_is_said(
    store: duckdb.DuckDBPyConnection, good: Measure, sql: str, header: dict[str, object], told: str
) -> None:
    assert [warning for warning in tried(store, good, sql, **header).warnings if told in warning]
    assert not [warning for warning in tried(store, good, good.sql).warnings if told in warning]


def test_words_in_comments_and_numbers_in_quotes_are_no_strange_words(
    store: duckdb.DuckDBPyConnection, good: Measure
) -> None:
    sql = "-- it's 'nothing'\n" + OF_A_STAY.format("sum(case when month = '2026-01' then 1 else 0 end)", "sum(1)")
    assert tried(store, good, sql).warnings == ()


def test_every_measure_of_the_tool_is_without_a_word_against_it(store: duckdb.DuckDBPyConnection) -> None:
    """But for a figure that is 0, and denominators that no stay of these made-up ones has."""
    trials = {name: try_measure(store, measure, POLICY) for name, measure in TOOLS_OWN.items()}
    said = {warning for trial in trials.values() for warning in trial.warnings}
    assert not [each for each in said if "The numerator is 0" not in each and "returned no row" not in each]


# --- faults -----------------------------------------------------------------------------------------------------

BREAKING = (
    ("cast(stay_id as integer) > 0", "Conversion Error while it ran: a value could not be turned into the type asked"),
    ("cast(cast(substr(stay_id, 2) as integer) * 9999 + 9999 as tinyint) > 0", "a value could not be turned into the"),
    ("cast(ward as date) > date '2020-01-01'", "Conversion Error while it ran"),
    ("error(patient_key)", "a function did not accept a value"),
    ("seconds * seconds * seconds * seconds % 7 > 0", "a number is too large for its type"),
)


@pytest.mark.parametrize(("expression", "told"), BREAKING)
def test_a_select_that_fails_on_a_value_says_where_and_never_the_value(
    store: duckdb.DuckDBPyConnection, tmp_path: Path, expression: str, told: str
) -> None:
    text = GOOD.replace("from timeline\n", "from timeline\n    join stays using (stay_id, patient_key)\n", 1)
    text = text.replace("sum(seconds) as denominator", f"sum(case when {expression} then 1 end) as denominator")
    write(tmp_path, "breaks", text)
    measure = read_measure_to_try(tmp_path / "breaks.sql")
    with pytest.raises(MeasureFileError) as raised:
        try_measure(store, measure, POLICY)
    message = str(raised.value)
    assert told in message
    place = re.search(r"breaks\.sql, line (\d+): .*? \((?:at column (\d+)|somewhere in the SELECT)\)\n", message)
    assert place
    if place[2]:
        line = text.splitlines()[int(place[1]) - 1]
        assert line[int(place[2]) - 1 :].startswith(expression.split(" >")[0][:4])
    held = {
        str(value)
        for row in store.execute("select stay_id, patient_key, ward from timeline").fetchall()
        for value in row
    }
    assert not [value for value in held if value in message.replace(str(tmp_path), "")]


def test_a_measure_reads_tables_and_no_files(tmp_path: Path) -> None:
    other = tmp_path / "other.csv"
    other.write_text("secret\nvalue of a cell\n", encoding="utf-8")
    write(tmp_path, "reads", GOOD.replace("from timeline", f"from read_csv('{other}')", 1))
    with pytest.raises(MeasureFileError, match="file system operations are disabled") as raised:
        read_measure_to_try(tmp_path / "reads.sql")
    assert "value of a cell" not in str(raised.value)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    for path in (tmp_path / "none.sql", tmp_path):
        with pytest.raises(MeasureFileError, match=r"There is no file .* named <measure>\.sql"):
            read_measure_to_try(path)
