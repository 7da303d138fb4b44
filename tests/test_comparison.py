"""Differences between months, wards, sites and stores: by hand, by formulas of handbooks, by others' libraries."""

from dataclasses import replace
from math import isnan

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.before_after import Difference, newcombe, of_proportions
from pipeline.catalogue import read_measures
from pipeline.comparison import (
    BAND_FIGURES,
    Side,
    SideRows,
    band_differences,
    by_site,
    measure_difference,
    read_rows,
)
from pipeline.measure_file import Measure
from tests.compared import JUNE, MAY, Person, several, store_by_hand

MEASURES = {measure.id: measure for measure in read_measures()}
TIME = MEASURES["share_within"]
EVENTS = MEASURES["target_within_hour"]
RATE = next(measure for measure in MEASURES.values() if measure.kind == "rate")
MEDIAN = next(measure for measure in MEASURES.values() if measure.kind == "median")
QUICK = settings(max_examples=15, deadline=None, derandomize=True)


def side_rows(store: str, sums: list[tuple[str, float, float]], measure: Measure = TIME) -> SideRows:
    """A side that has only rows of one measure: patient, numerator (or value), denominator (or censored)."""
    keys = {
        "measure_id": [measure.id] * len(sums),
        "store": [store] * len(sums),
        "patient_key": [row[0] for row in sums],
    }
    first, second = [row[1] for row in sums], [row[2] for row in sums]
    names = ("value", "censored") if measure.kind == "median" else ("numerator", "denominator")
    frame = pl.DataFrame(keys | {names[0]: first, names[1]: second})
    return SideRows(pl.DataFrame(), *((frame.clear(), frame) if measure.kind == "median" else (frame, frame.clear())))


def ends(found: Difference) -> tuple[float, float, float]:
    return found.change, found.low, found.high


# --- by hand ----------------------------------------------------------------------------------------------------


def test_two_wards_are_pooled_each_for_itself_and_subtracted() -> None:
    """Alder: (100 + 500) of 2000 s below; Birch: 100 of 1000 s. 0.1 - 0.3 = -0.2. May and Cedar are not looked at."""
    con = store_by_hand(
        [
            Person("a", below=100, within=900),
            Person("b", below=500, within=500),
            Person("c", ward="Birch", below=100, within=900),
            Person("d", ward="Cedar", below=999, within=1),
            Person("a", month=MAY, below=999, within=1),
        ]
    )
    first, second = (read_rows(Side("s", con, JUNE, ward)) for ward in ("Alder", "Birch"))
    found = band_differences(first, second, None)
    assert (found["below"].before, found["below"].after, found["below"].change) == pytest.approx((0.3, 0.1, -0.2))
    assert measure_difference(MEASURES["share_below"], first, second).change == pytest.approx(-0.2)


def test_coverage_has_its_own_wholes() -> None:
    """Unobserved of observed and unobserved; no target of these and no target; readings each 24 h under a target."""
    con = store_by_hand(
        [
            Person("a", within=900, unobserved=100, no_target=1000),
            Person("b", ward="Birch", within=500, unobserved=500, no_target=0),
        ]
    )
    first, second = (read_rows(Side("s", con, JUNE, ward)) for ward in ("Alder", "Birch"))
    found = band_differences(first, second, None)
    assert (found["unobserved"].before, found["unobserved"].after) == (0.1, 0.5)
    assert (found["no_target"].before, found["no_target"].after) == (0.5, 0.0)
    assert found["readings_a_day"].before == pytest.approx(2 * 86400 / 1000)
    assert set(found) == set(BAND_FIGURES)


def test_a_group_is_compared_with_the_same_group() -> None:
    con = store_by_hand(
        [
            *several(3, Person("r", group="retainer", below=500, within=500)),
            *several(3, Person("o", below=0)),
            *several(3, Person("x", ward="Birch", group="retainer", below=250, within=750)),
            *several(3, Person("y", ward="Birch", below=1000, within=0)),
        ]
    )
    first, second = (read_rows(Side("s", con, JUNE, ward)) for ward in ("Alder", "Birch"))
    assert ends(band_differences(first, second, "retainer")["below"]) == (-0.25, -0.25, -0.25)
    assert ends(band_differences(first, second, "other")["below"]) == (1.0, 1.0, 1.0)


def test_the_site_of_the_stay_stands_for_the_ward() -> None:
    """North: 100 of 2000 s below over two wards; a stay without a site counts for the whole and for no site."""
    con = store_by_hand(
        [
            Person("a", site="North", below=100, within=900),
            Person("b", site="North", ward="Birch"),
            Person("c", site="South", below=500, within=500),
            Person("d", below=1000, within=0),
        ]
    )
    with by_site(con, JUNE, read_measures()) as sites:
        shown = 'select ward, patients, share_below from month_summary where "group" is null order by ward nulls last'
        assert sites.execute(shown).fetchall() == [("North", 2, 0.05), ("South", 1, 0.5), (None, 4, 0.4)]
        first, second = (read_rows(Side("s", sites, JUNE, site)) for site in ("North", "South"))
        assert band_differences(first, second, None)["below"].change == pytest.approx(0.45)
        of_measure = "select result from measure_summary where measure_id = 'share_below' and ward = 'North'"
        assert sites.execute(of_measure).fetchall() == [(0.05,), (0.05,)]


def test_somebody_with_the_same_key_in_another_store_is_somebody_else() -> None:
    """Were they one person drawn with both sides, the difference of two equal sides would have no spread."""
    rows = [(f"P{n}", float(n), 20.0) for n in range(20)]
    found = measure_difference(TIME, side_rows("north", rows), side_rows("south", rows))
    assert found.change == 0
    assert found.low < -0.05
    assert found.high > 0.05
    same = measure_difference(TIME, side_rows("north", rows), side_rows("north", rows))
    assert ends(same) == (0, 0, 0)


def test_without_anybody_on_one_side_nothing_is_known() -> None:
    for measure in (TIME, EVENTS, RATE, MEDIAN):
        rows = side_rows("s", [("P1", 1.0, measure.kind == "median")], measure)
        nobody = replace(rows, sums=rows.sums.clear(), values=rows.values.clear())
        assert isnan(measure_difference(measure, rows, nobody).change)


# --- against handbooks and libraries ----------------------------------------------------------------------------


def events(store: str, met: int, of: int) -> SideRows:
    return side_rows(store, [(f"{store}{n}", float(n < met), 1.0) for n in range(of)], EVENTS)


def test_a_share_of_events_has_newcombes_published_interval() -> None:
    """Newcombe, Stat Med 1998;17:873-90: 56/70 less 48/80 is 0.20, 0.0524 to 0.3339 (from memory).

    One event a patient, so that the numbers count in full but for n / (n - 1) of each variance.
    """
    found = measure_difference(EVENTS, events("a", 48, 80), events("b", 56, 70))
    assert ends(found) == pytest.approx((0.20, 0.0524, 0.3339), abs=2e-3)
    smaller = newcombe(48 * 79 / 80, 79, 56 * 69 / 70, 69)
    assert ends(found) == pytest.approx((smaller.change, smaller.low, smaller.high))


def made_up(seed: int, number: int, level: float) -> list[tuple[str, float, float]]:
    rng = np.random.default_rng(seed)
    whole = rng.integers(200, 9000, number).astype(float)
    return [
        (f"P{n:03d}", float(w * p), w)
        for n, (w, p) in enumerate(zip(whole, rng.beta(4 * level, 4 * (1 - level), number), strict=True))
    ]


def arrays(rows: list[tuple[str, float, float]]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([row[1] for row in rows]), np.array([row[2] for row in rows])


def test_two_stores_have_the_interval_of_two_independent_samples() -> None:
    """scipy.stats.bootstrap of two samples, each drawn for itself."""
    first, second = made_up(1, 80, 0.3), made_up(2, 60, 0.5)
    found = measure_difference(TIME, side_rows("north", first), side_rows("south", second))
    (part, whole), (part_2, whole_2) = arrays(first), arrays(second)

    def apart(one: np.ndarray, other: np.ndarray, axis: int = -1) -> np.ndarray:
        shares = part[one].sum(axis=axis) / whole[one].sum(axis=axis)
        return part_2[other].sum(axis=axis) / whole_2[other].sum(axis=axis) - shares

    theirs = stats.bootstrap(
        (np.arange(80), np.arange(60)), apart, vectorized=True, method="percentile", n_resamples=4000, rng=5
    ).confidence_interval
    assert found.high - found.low == pytest.approx(theirs.high - theirs.low, rel=0.1)
    assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high), abs=0.012)


def test_patients_of_both_months_are_drawn_with_both() -> None:
    """The linearised variance of the difference of two ratios over the same patients.

    Source: Cochran, Sampling Techniques (1977), chapter 6 (ratio estimator), each patient's share in both ratios.
    """
    first = made_up(3, 120, 0.4)
    rng = np.random.default_rng(4)
    second = [(key, min(whole, max(0.0, part + whole * rng.normal(0.02, 0.05))), whole) for key, part, whole in first]
    found = measure_difference(TIME, side_rows("s", first), side_rows("s", second))
    (part, whole), (part_2, whole_2) = arrays(first), arrays(second)
    of_each = (part_2 - part_2.sum() / whole_2.sum() * whole_2) / whole_2.sum()
    of_each -= (part - part.sum() / whole.sum() * whole) / whole.sum()
    error = np.sqrt(120 / 119 * (of_each**2).sum())
    assert found.high - found.low == pytest.approx(2 * 1.96 * error, rel=0.12)
    as_strangers = measure_difference(TIME, side_rows("s", first), side_rows("t", second))
    assert as_strangers.high - as_strangers.low > 3 * (found.high - found.low)


def test_events_of_patients_on_both_sides_keep_at_least_the_stated_confidence() -> None:
    """Patients of both months, alike in both, taken for two: the interval may be too wide, and is not too narrow."""
    rng = np.random.default_rng(9)
    covered = 0
    for _ in range(400):
        own = rng.beta(2, 2, 60)
        met = rng.binomial(1, own[:, None].repeat(2, axis=1)).astype(float)
        found = of_proportions(met, np.ones((60, 2)))
        covered += found.low <= 0 <= found.high
    assert covered / 400 >= 0.95


# --- whatever the rows ------------------------------------------------------------------------------------------

ROW = st.tuples(st.integers(0, 50).map(lambda n: f"P{n}"), st.integers(0, 9), st.integers(1, 9))
ROWS = st.lists(ROW, min_size=1, max_size=25, unique_by=lambda row: row[0])


def as_rows(kind: str, rows: list[tuple[str, int, int]]) -> list[tuple[str, float, float]]:
    if kind == "median":
        return [(key, float(first), second > 6) for key, first, second in rows]
    return [(key, float(min(first, second)), float(second)) for key, first, second in rows]


@pytest.mark.parametrize("measure", [TIME, EVENTS, RATE, MEDIAN], ids=lambda measure: f"{measure.kind}-{measure.of}")
@QUICK
@given(first=ROWS, second=ROWS, stores=st.sampled_from([("s", "s"), ("north", "south")]))
def test_swapping_the_sides_turns_the_sign_and_nothing_else(
    measure: Measure, first: list[tuple[str, int, int]], second: list[tuple[str, int, int]], stores: tuple[str, str]
) -> None:
    one = side_rows(stores[0], as_rows(measure.kind, first), measure)
    other = side_rows(stores[1], as_rows(measure.kind, second), measure)
    there, back = measure_difference(measure, one, other), measure_difference(measure, other, one)
    assert (back.before, back.after) == pytest.approx((there.after, there.before), nan_ok=True)
    assert ends(back) == pytest.approx((-there.change, -there.high, -there.low), nan_ok=True)


@pytest.mark.parametrize("measure", [TIME, EVENTS, RATE, MEDIAN], ids=lambda measure: f"{measure.kind}-{measure.of}")
@QUICK
@given(rows=ROWS)
def test_the_same_on_both_sides_gives_no_difference(measure: Measure, rows: list[tuple[str, int, int]]) -> None:
    side = side_rows("s", as_rows(measure.kind, rows), measure)
    copy = side_rows("t", as_rows(measure.kind, rows), measure)
    for other in (side, copy):
        found = measure_difference(measure, side, other)
        assert found.change == 0 or isnan(found.change)
        assert isnan(found.low) or found.low <= 0 <= found.high
        assert not found.clear


def test_the_same_rows_in_another_order_give_the_same_to_the_last_digit() -> None:
    rng = np.random.default_rng(2)
    people = [
        Person(f"P{n:02d}", ward=str(rng.choice(["Alder", "Birch"])), within=int(rng.integers(1, 900)), below=7)
        for n in range(40)
    ]

    def found(con: duckdb.DuckDBPyConnection) -> dict[str, Difference]:
        sides = [read_rows(Side("s", con, JUNE, ward)) for ward in ("Alder", "Birch")]
        return band_differences(sides[0], sides[1], None)

    assert repr(found(store_by_hand(people))) == repr(found(store_by_hand(people[::-1])))
