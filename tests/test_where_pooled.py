"""Places of a month pooled over patients: sums by hand, intervals beside a library, and nobody to be worked back."""

from collections.abc import Mapping, Sequence
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.measure import insert, measure_store
from pipeline.policy import read_policy
from pipeline.where_pooled import NO_WARD, OTHERS, where_pooled
from tests.stores import empty_store, made_up_stays, store_with

POLICY = read_policy()
MONTH = "2026-06"
DIMENSIONS = ("part_of_day", "day", "device", "target")
# For one patient: hours below, within and above on oxygen at each place.
Hours = tuple[float, float, float]


def store_of(patients: Sequence[Mapping[str, Mapping[str, Hours]]], wards: Sequence[str | None] = ()) -> Any:
    """A store with these CO2 retainers: for each the hours by dimension and value; one left out is one place."""
    connection = empty_store()
    where, stays = [], []
    for number, places in enumerate(patients):
        whole = np.sum(list(next(iter(places.values())).values()), axis=0)
        alone = {"part_of_day": "08-12", "day": "weekday", "device": "simple_mask", "target": "88-92"}
        for dimension in DIMENSIONS:
            for value, hours in places.get(dimension, {alone[dimension]: tuple(whole)}).items():
                row = {"stay_id": f"s{number}", "month": MONTH, "dimension": dimension, "value": value}
                where.append(row | seconds(hours))
        ward = wards[number] if number < len(wards) else "A"
        stays.append(
            {"stay_id": f"s{number}", "patient_key": f"p{number}", "month": MONTH, "ward": ward}
            | {"retainer_group": "retainer", **seconds(tuple(whole))}
            | dict.fromkeys(NOTHING, 0)
        )
    insert(connection, "where_it_happened", pl.DataFrame(where))
    insert(connection, "stay_month_time", pl.DataFrame(stays, infer_schema_length=None))
    return connection


NOTHING = (
    *("unobserved_s", "no_target_s", "excluded_s", "unobserved_on_oxygen_s", "unobserved_on_air_s"),
    *("readings", "readings_below", "readings_within", "readings_above_on_oxygen"),
)


def seconds(hours: Sequence[float]) -> dict[str, int]:
    below, within, above = (round(3600 * each) for each in hours)
    return {
        "below_s": below,
        "within_s": within,
        "above_on_oxygen_s": above,
        "above_on_air_s": 0,
        "above_device_unknown_s": 0,
    }


def pooled(connection: duckdb.DuckDBPyConnection, hidden: Sequence[str] = ()) -> dict[tuple[str, Any], dict[str, Any]]:
    rows = where_pooled(connection, MONTH, "retainer", POLICY, hidden).to_dicts()
    return {(row["dimension"], row["value"]): row for row in rows}


def test_a_place_is_pooled_over_patients_and_compared_with_everywhere_else() -> None:
    # Eight by night: 1 h below, 6 within, 3 above. The same eight by day: 0.5, 9, 0.5.
    night, day = (1.0, 6.0, 3.0), (0.5, 9.0, 0.5)
    found = pooled(store_of([{"part_of_day": {"20-24": night, "12-16": day}}] * 8))
    row = found["night", "night"]
    assert (row["patients"], row["observed_s"], row["above_on_oxygen_s"]) == (8, 8 * 36_000, 8 * 3 * 3600)
    assert row["share_above_on_oxygen"] == pytest.approx(0.3)
    assert row["share_below"] == pytest.approx(0.1)
    assert row["above_on_oxygen_from_rest"] == pytest.approx(0.3 - 0.05)
    assert row["below_from_rest"] == pytest.approx(0.1 - 0.05)
    # Every patient is the same: whoever is drawn, the shares are these.
    assert row["above_on_oxygen_from_rest_low"] == pytest.approx(0.25)
    assert row["above_on_oxygen_from_rest_high"] == pytest.approx(0.25)
    whole = found["night", None]
    assert whole["share_above_on_oxygen"] == pytest.approx(3.5 / 20)
    assert whole["above_on_oxygen_from_rest"] is None


def test_night_is_from_eight_to_eight() -> None:
    parts = ("00-04", "04-08", "08-12", "12-16", "16-20", "20-24")
    found = pooled(store_of([{"part_of_day": {part: (0, 1 + n, 0) for n, part in enumerate(parts)}}] * 8))
    assert found["night", "night"]["within_s"] == 8 * 3600 * (1 + 2 + 6)
    assert found["night", "day"]["within_s"] == 8 * 3600 * (3 + 4 + 5)


def test_what_is_said_of_night_fits_what_is_said_of_day() -> None:
    rng = np.random.default_rng(3)
    found = pooled(
        store_of(
            [
                {
                    "part_of_day": {
                        "20-24": tuple(rng.uniform(0, 9, 3).round(2)),
                        "12-16": tuple(rng.uniform(0, 9, 3).round(2)),
                    }
                }
                for _ in range(20)
            ]
        )
    )
    night, day = found["night", "night"], found["night", "day"]
    for side in ("below", "above_on_oxygen"):
        assert night[f"{side}_from_rest"] == pytest.approx(-day[f"{side}_from_rest"])
        assert night[f"{side}_from_rest_low"] == pytest.approx(-day[f"{side}_from_rest_high"])


def test_a_device_is_compared_with_others_that_give_oxygen_only() -> None:
    # 4 of 10 h above on a mask, 1 of 10 on a cannula; ten hours on air are no comparison, for them there is none.
    devices = {"simple_mask": (0, 6, 4), "nasal_cannula": (0, 9, 1), "room_air": (1, 9, 0), "not_recorded": (0, 5, 0)}
    found = pooled(store_of([{"device": devices}] * 8))
    assert found["device", "simple_mask"]["above_on_oxygen_from_rest"] == pytest.approx(0.4 - 0.1)
    assert found["device", "room_air"]["above_on_oxygen_from_rest"] is None
    assert found["device", "not_recorded"]["below_from_rest"] is None
    assert found["device", None]["share_above_on_oxygen"] == pytest.approx(5 / 35)


def test_patients_with_any_such_time_are_counted() -> None:
    patients = [{"device": {"simple_mask": (0, 9, 1 if number < 3 else 0)}} for number in range(9)]
    row = pooled(store_of(patients))["device", "simple_mask"]
    assert (row["patients"], row["patients_above_on_oxygen"], row["patients_below"]) == (9, 3, 0)


def test_one_patient_has_shares_but_no_interval() -> None:
    policy = read_policy()
    connection = store_of([{"day": {"weekday": (0, 1, 1), "weekend": (0, 1, 0)}}])
    rows = where_pooled(connection, MONTH, "retainer", policy).filter(pl.col("value").is_null()).to_dicts()
    assert {row["share_above_on_oxygen"] for row in rows} == {1 / 3}
    assert {row["share_above_on_oxygen_low"] for row in rows} == {None}


def test_nobody_gives_no_rows() -> None:
    assert where_pooled(empty_store(), MONTH, "retainer", POLICY).is_empty()
    assert where_pooled(store_of([{"day": {"weekday": (0, 1, 1)}}] * 9), MONTH, "other", POLICY).is_empty()


def test_intervals_are_those_of_a_bootstrap_over_patients() -> None:
    """Against `scipy.stats.bootstrap`, percentile method, patients drawn whole.

    A thousand repeats leave an end of an interval of this width uncertain by 0.005 (standard error of a quantile).
    """
    rng = np.random.default_rng(11)
    there = rng.uniform(0, 5, (60, 2)).round(2)
    else_ = rng.uniform(0, 8, (60, 2)).round(2)
    patients = [
        {"day": {"weekday": (0, *map(float, one)), "weekend": (0, *map(float, other))}}
        for one, other in zip(there, else_, strict=True)
    ]
    row = pooled(store_of(patients))["day", "weekday"]

    def difference(within: Any, above: Any, within_else: Any, above_else: Any, axis: int = -1) -> Any:
        share, share_else = (
            one.sum(axis) / (one.sum(axis) + other.sum(axis))
            for one, other in ((above, within), (above_else, within_else))
        )
        return share - share_else

    columns = (there[:, 0], there[:, 1], else_[:, 0], else_[:, 1])
    expected = stats.bootstrap(
        columns, difference, paired=True, vectorized=True, method="percentile", n_resamples=20_000, rng=1
    ).confidence_interval
    assert row["above_on_oxygen_from_rest"] == pytest.approx(difference(*columns), abs=1e-4)
    assert row["above_on_oxygen_from_rest_low"] == pytest.approx(expected.low, abs=0.016)
    assert row["above_on_oxygen_from_rest_high"] == pytest.approx(expected.high, abs=0.016)


# --- nobody to be worked back -----------------------------------------------------------------------------------


def on_devices(counts: Mapping[str, int]) -> list[dict[str, dict[str, Hours]]]:
    """As many patients on each device alone."""
    return [{"device": {device: (0, 1, 1)}} for device, patients in counts.items() for _ in range(patients)]


def shown(found: Mapping[tuple[str, Any], Mapping[str, Any]], dimension: str) -> dict[Any, Any]:
    return {value: row["pooled"] for (name, value), row in found.items() if name == dimension and value is not None}


def test_few_patients_are_taken_together_with_the_next_smallest() -> None:
    found = pooled(store_of(on_devices({"simple_mask": 20, "nasal_cannula": 9, "cpap": 2})))
    assert shown(found, "device") == {"simple_mask": None, OTHERS: ["cpap", "nasal_cannula"]}
    assert found["device", OTHERS]["patients"] == 11


def test_two_small_ones_are_enough_when_they_have_enough_patients_between_them() -> None:
    found = pooled(store_of(on_devices({"simple_mask": 20, "nasal_cannula": 7, "cpap": 7})))
    assert shown(found, "device") == {"simple_mask": None, OTHERS: ["cpap", "nasal_cannula"]}


def test_nothing_is_told_apart_where_that_would_leave_no_one_else() -> None:
    found = pooled(store_of(on_devices({"simple_mask": 20, "cpap": 2})))
    assert shown(found, "device") == {}
    assert found["device", None]["patients"] == 22


def test_parts_of_the_day_are_all_shown_or_none() -> None:
    many = [{"part_of_day": {"00-04": (0, 1, 1), "08-12": (0, 1, 0), "16-20": (0, 2, 0)}}] * 12
    few = [{"part_of_day": {"20-24": (0, 1, 1)}}] * 2
    assert len(shown(pooled(store_of(many)), "part_of_day")) == 3
    found = pooled(store_of([*many, *few]))
    # The two hours from 20:00 would be what is left of the night.
    assert shown(found, "part_of_day") == {}
    assert set(shown(found, "night")) == {"night", "day"}


def test_wards_hidden_elsewhere_are_not_shown_and_time_before_a_ward_is_a_place() -> None:
    wards = [*["A"] * 10, *["B"] * 12, *["C"] * 15, *[None] * 9]
    connection = store_of([{"day": {"weekday": (0, 1, 1)}}] * len(wards), wards)
    assert shown(pooled(connection), "ward") == {"A": None, "B": None, "C": None, NO_WARD: None}
    assert shown(pooled(connection, ["B"]), "ward") == {"A": None, "C": None, OTHERS: [NO_WARD, "B"]}


def test_a_ward_that_is_called_others_is_told_from_those_taken_together() -> None:
    wards = [*[OTHERS] * 10, *["B"] * 3, *["C"] * 15, *["D"] * 6]
    connection = store_of([{"day": {"weekday": (0, 1, 1)}}] * len(wards), wards)
    rows = where_pooled(connection, MONTH, "retainer", POLICY).filter(dimension="ward", value=OTHERS)
    assert sorted(rows["pooled"].is_null().to_list()) == [False, True]


VALUES = {
    "part_of_day": ("00-04", "04-08", "08-12", "12-16", "16-20", "20-24"),
    "day": ("weekday", "weekend"),
    "device": ("simple_mask", "nasal_cannula", "cpap", "room_air", "not_recorded"),
    "target": ("88-92", "94-98", "other_over_92"),
}


@st.composite
def hospitals(draw: st.DrawFn) -> list[dict[str, dict[str, Hours]]]:
    """Patients who were in one to three places of every dimension; some places are rare."""
    patients = []
    for _ in range(draw(st.integers(1, 30))):
        places = {}
        for dimension, values in VALUES.items():
            likely = (*values, *values[:1] * 6)
            chosen = draw(st.lists(st.sampled_from(likely), min_size=1, max_size=3, unique=True))
            # All dimensions hold the same time: an hour within and one above, cut evenly.
            places[dimension] = {value: (0.0, 1 / len(chosen), 1 / len(chosen)) for value in chosen}
        patients.append(places)
    return patients


@settings(max_examples=25, deadline=None, derandomize=True)
@given(hospitals())
def test_no_time_of_few_patients_can_be_worked_back(patients: list[dict[str, dict[str, Hours]]]) -> None:
    """Time adds up over the values of a dimension: what is shown, and what is left of the whole, rests on enough."""
    found = where_pooled(store_of(patients), MONTH, "retainer", POLICY)
    few = POLICY.small_count_below
    for dimension, values in VALUES.items():
        parts = found.filter((pl.col("dimension") == dimension) & pl.col("value").is_not_null())
        alone = parts.filter(pl.col("pooled").is_null())
        assert all(patients >= few for patients in parts["patients"])
        hidden = set(values) - set(alone["value"])
        left = [patient for patient in patients if hidden & set(patient[dimension])]
        if len(left) and alone.height:
            assert len(left) >= few
            whole = found.filter((pl.col("dimension") == dimension) & pl.col("value").is_null())
            assert parts["observed_s"].sum() == whole["observed_s"][0]
        if 0 < alone.height < parts.height:
            assert len(parts.filter(pl.col("pooled").is_not_null())["pooled"][0]) >= 2
    if found.filter(dimension="part_of_day").height > 1:
        used = {part for patient in patients for part in patient["part_of_day"]}
        assert set(found.filter(dimension="part_of_day")["value"].drop_nulls()) == used


def test_a_measured_store_gives_the_same_whole_in_every_dimension() -> None:
    with store_with(made_up_stays(80)) as connection:
        measure_store(connection, POLICY)
        for month in ("2025-09", "2026-01"):
            found = where_pooled(connection, month, "retainer", POLICY)
            wholes = found.filter(pl.col("value").is_null())
            assert set(wholes["dimension"]) == {*DIMENSIONS, "night", "ward"}
            assert wholes["observed_s"].n_unique() == 1
            [(expected,)] = connection.execute(
                "select below_s + within_s + above_on_oxygen_s + above_on_air_s + above_device_unknown_s "
                "from month_summary where month = ? and ward is null and \"group\" = 'retainer'",
                [month],
            ).fetchall()
            assert wholes["observed_s"][0] == expected
            for dimension in wholes["dimension"]:
                parts = found.filter((pl.col("dimension") == dimension) & pl.col("value").is_not_null())
                assert parts.height == 0 or parts["observed_s"].sum() == expected
