"""The simulated year looks believable to people of the trade; sources beside each range."""

from datetime import timedelta

import polars as pl
import pytest

from synthetic_data.cohort import Cohort
from tests.synthetic_data.sampled_audit import retainer_stays, sampled_states, shares


@pytest.fixture(scope="module")
def states(cohort: Cohort) -> pl.DataFrame:
    return sampled_states(cohort.tables)


def test_retainers_before_and_after_the_improvement(states: pl.DataFrame) -> None:
    # Before: 61 % of patients and, in other audits, 16 % of time (SD 23) above the band (Thorax 2013;68 Suppl 3 P64;
    # Harper, BMC Pulm Med 2021;21). The ranges themselves are the story chosen for this hospital.
    before = shares(states.filter("retainer", "before"))
    after = shares(states.filter("retainer", "after"))
    assert 0.25 < before["above_on_oxygen"] < 0.35
    assert 0.12 < after["above_on_oxygen"] < 0.18
    assert after["within"] > before["within"] + 0.05
    # Less above is no improvement if it is paid for with more below.
    assert 0.02 < before["below"] < 0.10
    assert after["below"] < before["below"] + 0.02


def test_other_patients(states: pl.DataFrame) -> None:
    # Common practice, no source; one in five with 88-92 and few out of range in a good hospital (Thorax 2012;67 P45).
    for period in ("before", "after"):
        share = shares(states.filter(~pl.col("retainer"), pl.col(period)))
        assert 0.08 < share["above_on_oxygen"] < 0.20
        assert 0.003 < share["below"] < 0.10


def test_no_target_at_first_and_less_later(states: pl.DataFrame) -> None:
    # National audit 2015: over 4 in 10 without a prescription; one good trust 2012: 3 % (Thorax 2012;67 P45).
    before, after = shares(states.filter("before")), shares(states.filter("after"))
    assert 0.05 < before["no_target"] < 0.20
    assert 0.02 < after["no_target"] < before["no_target"] - 0.03


def test_time_unobserved_is_mostly_on_air(states: pl.DataFrame) -> None:
    # NEWS2 chart 4: 12-hourly when the score is 0, at least 4-6-hourly on oxygen.
    unobserved = states.filter(pl.col("state") == "unobserved")
    assert 0.10 < unobserved.height / states.height < 0.35
    assert unobserved["on_oxygen"].fill_null(False).mean() < 0.25


def test_wards_differ(states: pl.DataFrame) -> None:
    by_ward = {
        ward: shares(states.filter(pl.col("ward") == ward))["above_on_oxygen"]
        for ward in ("Alder", "Birch", "Hazel", "Rowan", "Willow")
    }
    assert max(by_ward.values()) > 1.5 * min(by_ward.values())


def test_intervals_between_readings(cohort: Cohort) -> None:
    # NEWS2 chart 4 as above; hourly or more often from a score of 5.
    readings = cohort.tables["readings"].sort("stay_id", "taken_at")
    gap = pl.col("taken_at").shift(-1).over("stay_id") - pl.col("taken_at")
    low = readings.with_columns(hours=gap.dt.total_minutes() / 60)
    ill = low.filter((pl.col("spo2_percent") <= 84) & pl.col("hours").is_not_null())["hours"].median()
    well = low.filter(pl.col("spo2_percent").is_between(96, 98) & pl.col("hours").is_not_null())["hours"].median()
    assert ill < 3 < well < 10
    night = readings["taken_at"].dt.hour().is_between(1, 4).mean()
    assert night < 4 / 24 * 0.8


def test_gases_look_like_gases(cohort: Cohort) -> None:
    gases = cohort.tables["gases"]
    kinds = dict(gases.group_by("sample_type").len().iter_rows())
    assert kinds["arterial"] > 0.6 * gases.height > kinds["capillary"] > 0.05 * gases.height
    assert kinds["venous"] > 0.03 * gases.height
    arterial = gases.filter(pl.col("sample_type") == "arterial")
    assert 7.0 < arterial["ph"].min() < 7.30
    assert arterial["ph"].max() < 7.60
    assert 8.0 < arterial["pco2_kpa"].max() < 13.0
    # Plant, Thorax 2000 (from memory): 47 % of COPD admissions retained and 20 % were acidotic, so about 2 in 5.
    retaining = arterial.filter(pl.col("pco2_kpa") > 6.0)
    assert 0.10 < (retaining["ph"] < 7.35).mean() < 0.60
    # Henderson: H+ (nmol/L) = 180 x pCO2 (kPa) / bicarbonate, within rounding.
    whole = gases.drop_nulls(["ph", "pco2_kpa", "bicarbonate_mmol_l"])
    hydrogen = 10 ** (9 - whole["ph"])
    assert ((180 * whole["pco2_kpa"] / whole["bicarbonate_mmol_l"] / hydrogen) - 1).abs().max() < 0.02


def test_repeat_gases_become_more_frequent_in_time(cohort: Cohort) -> None:
    """Of charted steps above 28 % in retainers, how many had an arterial or capillary gas within the hour.

    Fewer than half before and clearly more after is the story chosen for this hospital; the guideline asks for a gas
    30-60 minutes after oxygen is raised in those at risk (British Thoracic Society 2017).
    """
    tables = cohort.tables
    flow, name = pl.col("flow_l_min"), pl.col("device")
    high = (
        name.is_in(["simple_mask", "reservoir_mask", "oxygen_driven_nebuliser"])
        | ((name == "nasal_cannula") & (flow > 2)).fill_null(False)
        | (pl.col("fio2_fraction") > 0.28).fill_null(False)
    )
    steps = tables["devices"].filter(pl.col("stay_id").is_in(retainer_stays(tables).implode())).with_columns(high=high)
    steps = steps.filter(pl.col("high") & ~pl.col("high").shift(1, fill_value=False).over("stay_id"))
    gases = tables["gases"].filter(pl.col("sample_type") != "venous").select("stay_id", "taken_at")
    wait = pl.col("taken_at") - pl.col("started_at")
    each = (
        steps.join(gases, on="stay_id", how="left")
        .with_columns(in_time=((wait > timedelta(0)) & (wait <= timedelta(hours=1))).fill_null(False))
        .group_by("stay_id", "started_at")
        .agg(pl.col("in_time").any())
    )
    before = each.filter(pl.col("started_at") < pl.datetime(2026, 1, 1))["in_time"].mean()
    after = each.filter(pl.col("started_at") >= pl.datetime(2026, 2, 1))["in_time"].mean()
    assert 0.20 < before < 0.45
    assert max(0.40, before + 0.12) < after < 0.85


def test_shares_of_patients(cohort: Cohort) -> None:
    # About 14 % of medical inpatients had risk factors and 20 % an 88-92 target (Thorax 2012;67 Suppl 2 P45).
    assert 0.12 < len(retainer_stays(cohort.tables)) / 2500 < 0.25
    # Median stay of acute medical wards 3-5 days: common practice, no source.
    stays = cohort.tables["stays"]
    days = (stays["discharged_at"] - stays["admitted_at"]).dt.total_seconds() / 86400
    assert 3 < days.median() < 5
    assert days.max() < 28
    scale_two = cohort.tables["readings"].group_by("ews_scale").len()
    assert 0.1 < dict(scale_two.iter_rows())[2] / cohort.tables["readings"].height < 0.35
