"""Every awkward case the audit must cope with occurs in the simulated year, and nothing that may not."""

from datetime import datetime, timedelta

import polars as pl
import pytest

from pipeline.vocabulary import DEVICES, EXCLUSION_FLAGS, RISK_FLAGS, SAMPLE_TYPES, TABLES, Kind
from synthetic_data.cohort import Cohort
from tests.synthetic_data.sampled_audit import PERIOD_END

PERIOD_START = datetime(2025, 6, 30, 23)
CLOCKS_BACK, CLOCKS_ON = datetime(2025, 10, 26, 1), datetime(2026, 3, 29, 1)


@pytest.fixture(scope="module")
def stays(cohort: Cohort) -> pl.DataFrame:
    return cohort.tables["stays"].with_columns(until=pl.col("discharged_at").fill_null(PERIOD_END))


@pytest.mark.parametrize("table", list(TABLES))
def test_tables_obey_the_rules_of_the_extract(cohort: Cohort, stays: pl.DataFrame, table: str) -> None:
    described, frame = TABLES[table], cohort.tables[table]
    assert tuple(frame.columns) == described.column_names
    assert frame.select(described.identity).is_duplicated().sum() == 0
    for column in described.columns:
        values = frame[column.name]
        assert not column.required or values.null_count() == 0
        if column.kind is Kind.TIME:
            assert values.dtype == pl.Datetime("us")
            assert (values.dt.microsecond().drop_nulls() == 0).all()
        if column.lowest is not None and column.highest is not None:
            assert values.is_between(column.lowest, column.highest).all()
        if column.codes:
            assert set(values.drop_nulls().cast(pl.String)) <= set(column.codes)
    if described.ends:
        assert (frame[described.ends] >= frame[described.at]).all()
    if table != "stays":
        inside = frame.join(stays, on="stay_id", validate="m:1")
        assert inside.height == frame.height
        late = pl.col(described.at) >= pl.col("until")
        early = pl.col(described.at) < pl.col("admitted_at")
        assert inside.filter(late if table == "flags" else late | early).height == 0


def test_limits_of_the_period(cohort: Cohort, stays: pl.DataFrame) -> None:
    assert stays.height == 2500
    assert stays["admitted_at"].is_between(PERIOD_START, PERIOD_END).all()
    # The last month is complete only if something reaches its very end.
    assert stays["discharged_at"].max() == PERIOD_END
    assert stays["discharged_at"].null_count() >= 3


def test_stays_cross_months_and_clock_changes(stays: pl.DataFrame) -> None:
    for instant in (CLOCKS_BACK, CLOCKS_ON):
        assert stays.filter((pl.col("admitted_at") < instant) & (pl.col("until") > instant)).height >= 10
    months = [pl.col(name).dt.strftime("%Y-%m") for name in ("admitted_at", "until")]
    assert stays.filter(months[0] != months[1]).height > 200
    assert stays["discharged_at"].drop_nulls().dt.hour().n_unique() == 24


def test_patients_come_again_some_after_a_retaining_gas(cohort: Cohort, stays: pl.DataFrame) -> None:
    again = stays.filter(pl.len().over("patient_key") > 1).sort("patient_key", "admitted_at")
    assert again.height > 300
    gap = pl.col("admitted_at") - pl.col("until").shift(1).over("patient_key")
    assert (again.select(gap).to_series().drop_nulls() > timedelta(0)).all()
    gas = cohort.tables["gases"].filter((pl.col("pco2_kpa") > 6) & (pl.col("sample_type") != "venous"))
    earlier = gas.join(stays, on="stay_id").select("patient_key", "taken_at").join(stays, on="patient_key")
    assert earlier.filter(pl.col("taken_at") < pl.col("admitted_at"))["stay_id"].n_unique() >= 20


def test_wards(cohort: Cohort, stays: pl.DataFrame) -> None:
    wards = cohort.tables["wards"]
    assert wards["ward"].n_unique() == 6
    moved = wards.group_by("stay_id").len().filter(pl.col("len") > 1).height
    assert 0.25 < moved / stays.height < 0.6
    first = wards.group_by("stay_id").agg(pl.col("entered_at").min()).join(stays, on="stay_id")
    assert 20 < first.filter(pl.col("entered_at") > pl.col("admitted_at")).height < 250


def test_time_in_critical_care_is_flagged(cohort: Cohort, stays: pl.DataFrame) -> None:
    moves = cohort.tables["wards"].sort("stay_id", "entered_at")
    spells = moves.with_columns(left=pl.col("entered_at").shift(-1).over("stay_id")).filter(pl.col("ward") == "Juniper")
    spells = spells.join(stays, on="stay_id").with_columns(left=pl.col("left").fill_null(pl.col("until")))
    flags = cohort.tables["flags"].filter(pl.col("flag") == "critical_care").join(stays, on="stay_id")
    flags = flags.with_columns(flag_end=pl.col("until_at").fill_null(pl.col("until")))
    met = spells.join(flags, left_on=["stay_id", "entered_at"], right_on=["stay_id", "flagged_at"])
    assert spells.height == flags.height == met.height > 20
    # A move in the last minutes of a stay is not written down; the flag then ends the spell.
    assert met.filter(pl.col("flag_end") != pl.col("left")).height <= 1


def test_every_code_is_used(cohort: Cohort) -> None:
    tables = cohort.tables
    assert set(tables["devices"]["device"]) == set(DEVICES)
    assert set(tables["gases"]["sample_type"]) == set(SAMPLE_TYPES)
    assert set(tables["flags"]["flag"]) == set(RISK_FLAGS + EXCLUSION_FLAGS)
    assert set(tables["readings"]["source"]) == {"spot", "monitor"}
    assert set(tables["readings"]["ews_scale"].drop_nulls()) == {1, 2}


def test_targets_are_missing_late_wrong_changed_and_stopped(cohort: Cohort, stays: pl.DataFrame) -> None:
    targets = cohort.tables["targets"].join(stays, on="stay_id")
    assert 20 < stays.height - targets["stay_id"].n_unique() < 300
    first = targets.group_by("stay_id").agg(
        wait=(pl.col("prescribed_at") - pl.col("admitted_at")).min().dt.total_hours()
    )
    assert first.filter(pl.col("wait") >= 8).height > 30
    assert targets.filter(pl.col("prescribed_at") == pl.col("admitted_at")).height > 10
    assert targets["stopped_at"].drop_nulls().len() > 50
    bands = set(targets.select("lower_percent", "upper_percent").unique().iter_rows())
    assert {(94, 98), (88, 92), (92, 96), (85, 90)} <= bands
    assert len(bands) <= 8
    low, high = (targets.filter(pl.col("upper_percent") == upper)["stay_id"].unique() for upper in (92, 98))
    assert low.is_in(high.implode()).sum() > 30


def test_devices_with_and_without_ends_flows_and_fractions(cohort: Cohort) -> None:
    devices = cohort.tables["devices"]
    driven = devices.filter(pl.col("device") == "oxygen_driven_nebuliser")
    assert 0.05 < driven["ended_at"].null_count() / driven.height < 0.5
    valve = devices.filter(pl.col("device") == "air_entrainment_mask")
    assert valve["fio2_fraction"].null_count() > 0
    assert valve["fio2_fraction"].drop_nulls().is_in([0.24, 0.28, 0.31, 0.35, 0.40, 0.60]).all()
    assert devices.filter((pl.col("device") == "nasal_cannula") & (pl.col("flow_l_min") == 0)).height > 10
    assert devices.filter((pl.col("device") == "nasal_cannula") & pl.col("flow_l_min").is_null()).height > 10
    gap = devices.with_columns(following=pl.col("started_at").shift(-1).over("stay_id")).filter(
        (pl.col("device") != "oxygen_driven_nebuliser") & (pl.col("ended_at") < pl.col("following"))
    )
    assert gap.height > 20
    same = devices.join(cohort.tables["readings"], left_on=["stay_id", "started_at"], right_on=["stay_id", "taken_at"])
    assert same.height > 1000


def test_flags_before_admission_and_without_an_end(cohort: Cohort, stays: pl.DataFrame) -> None:
    flags = cohort.tables["flags"].join(stays, on="stay_id")
    assert flags.filter(pl.col("flagged_at") < pl.col("admitted_at")).height > 30
    open_ended = flags.filter(pl.col("flag").is_in(EXCLUSION_FLAGS) & pl.col("until_at").is_null())
    assert open_ended.height > 10


def test_nothing_is_charted_while_charting_is_shut(cohort: Cohort) -> None:
    shut = (datetime(2025, 10, 26, 1), datetime(2025, 10, 26, 2))
    for name, frame in cohort.tables.items():
        for column in TABLES[name].columns:
            if column.kind is Kind.TIME:
                inside = pl.col(column.name).is_between(*shut, closed="left")
                at_the_end = pl.col(column.name) == pl.col("discharged_at") if name == "stays" else pl.lit(False)
                assert frame.filter(inside & ~at_the_end).height == 0, (name, column.name)


def test_a_small_cohort_has_open_stays_and_a_complete_last_month(small: Cohort) -> None:
    assert small.tables["stays"].height == 80
    assert small.tables["stays"]["discharged_at"].null_count() >= 3
    assert small.tables["stays"]["discharged_at"].max() == PERIOD_END
