"""What `bandaudit try` says: the figures as the report shows them, small numbers hidden, the months asked for."""

import re
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from pipeline.catalogue import read_measures
from pipeline.errors import AuditError
from pipeline.policy import read_policy
from pipeline.rollup import suppress_small_counts
from pipeline.store import read_store
from pipeline.trial import Trial, try_measure
from reports import store_tables, wording
from reports.measures import result_shown
from reports.tried_measure import GROUPS, MONTHS_SHOWN, in_columns, in_words
from tests.store_files import LAST_MONTH, write_measured_store

POLICY = read_policy()
MEASURES = {measure.id: measure for measure in read_measures()}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    with read_store(write_measured_store(tmp_path_factory.mktemp("store") / "s.duckdb")) as connection:
        yield connection


def trial_of(store: duckdb.DuckDBPyConnection, name: str) -> Trial:
    return try_measure(store, MEASURES[name], POLICY)


def figures_in(text: str) -> dict[tuple[str, str], str]:
    """The rest of each line of the table by month and group."""
    found, month = {}, ""
    for line in text.split("\n\n")[1].splitlines()[1:]:
        groups = "|".join(wording.GROUP_IN_WORDS.values())
        [(first, group, rest)] = re.findall(rf"^(\S+ \d{{4}}|) *({groups}) +(.*)$", line)
        month = first or month
        found[month, group] = " ".join(rest.split())
    return found


@pytest.mark.parametrize("name", ["share_within", "hours_to_target", "high_fio2_episode_rate"])
def test_the_figures_are_worded_as_in_the_section_of_the_report(store: duckdb.DuckDBPyConnection, name: str) -> None:
    figures = figures_in(in_words(store, trial_of(store, name), None))
    kept = suppress_small_counts(store_tables.measures(store), POLICY)
    kept = kept.filter(kept["measure_id"] == name)
    assert len(figures) == MONTHS_SHOWN * len(GROUPS)
    assert next(iter(figures)) == (wording.month_in_words(LAST_MONTH), "all patients")
    for back in range(MONTHS_SHOWN):
        month = wording.month_before(LAST_MONTH, back)
        for group in GROUPS:
            result = result_shown(MEASURES[name], kept, month, None, group)
            expected = result.why or " ".join(part for part in (result.figure, result.interval, result.basis) if part)
            shown = figures[wording.month_in_words(month), wording.GROUP_IN_WORDS[group]]
            assert shown == " ".join(expected.split())


def test_small_numbers_are_not_shown(store: duckdb.DuckDBPyConnection) -> None:
    """In November 2025 seven patients were not retainers; the page hides with them what would give them away."""
    text = in_words(store, trial_of(store, "share_within"), "2025-11")
    figures = figures_in(text)
    assert figures["November 2025", "everybody else"] == "not shown: small numbers"
    assert "not shown: small numbers" in (
        figures["November 2025", group] for group in ("all patients", "CO2 retainers")
    )
    counts = [int(count) for count in re.findall(r"(\d+) patients?\b", text)]
    assert counts
    assert min(counts) >= POLICY.small_count_below


def test_the_month_asked_for_is_the_last_one_and_one_that_is_not_there_is_refused(
    store: duckdb.DuckDBPyConnection,
) -> None:
    figures = figures_in(in_words(store, trial_of(store, "share_within"), "2025-12"))
    assert next(iter(figures)) == ("December 2025", "all patients")
    with pytest.raises(AuditError, match="The month given with --month is not in the store"):
        in_words(store, trial_of(store, "share_within"), "2031-01")


def test_counts_nulls_time_and_warnings_are_told(store: duckdb.DuckDBPyConnection) -> None:
    trial = trial_of(store, "share_within")
    text = in_words(store, trial, None)
    plain = " ".join(text.split())
    assert f"Returned: {trial.rows} rows, of {trial.stays} stays and {trial.patients} patients. Null: ward" in plain
    assert re.search(r"Denominator 0 \(nobody eligible\): 0 rows\. It ran for \d+\.\d\d s\.", plain)
    assert text.endswith("Nothing looks wrong.")
    assert wording.NO_BREAK not in text


def test_a_table_that_was_never_loaded_is_told(store: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    file = write_measured_store(tmp_path / "other.duckdb")
    with duckdb.connect(str(file)) as connection:
        connection.execute("delete from load_ledger where table_name in ('devices', 'gases')")
        text = in_words(connection, trial_of(store, "acidosis_after_episode"), None)
    assert "No devices and gases were loaded into this store: the report would show no figure." in " ".join(
        text.split()
    )


def test_columns_are_as_wide_as_their_widest_cell() -> None:
    assert in_columns([("a", "b", ""), ("long", "c", "d")]) == "a     b\nlong  c  d"
