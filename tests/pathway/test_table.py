"""The table of all steps: its columns, its words, and that nothing depends on what else is in the batch."""

from datetime import datetime, timedelta

import duckdb
from hypothesis import given, settings

from pipeline.event_tables import EVENT_TABLES
from pipeline.pathway.clock import STEP_COLUMNS
from pipeline.pathway.steps import STEPS
from pipeline.pathway.table import STEP_MAKERS, pathway_steps
from pipeline.store import sql_text
from tests.charts import chart, device, gas, reading, target, together, ward
from tests.pathway.made import POLICY, batch_of
from tests.strategies import Case, cases, policy_of

STAY = (
    ward(0, "Ash"),
    device(0, "room_air"),
    device(30, "simple_mask", 6),
    gas(60, 7.5, 7.28),
    target(90),
    reading(95, 97),
    device(100, "nasal_cannula", 2),
    device(110, "oxygen_driven_nebuliser", 8, until=120),
    gas(125, 7.2, 7.30),
    device(130, "bilevel_niv", None, 0.28),
    device(300, "nasal_cannula", 1),
    reading(320, 90),
    reading(340, 91),
    device(400, "room_air"),
    device(430, "nasal_cannula", 1),
    gas(450, 6.5, 7.38),
)


def test_one_stay_goes_through_every_step() -> None:
    """A stay in which each step is due once; no reading lies above the band before 95."""
    frame = pathway_steps(batch_of(chart(480, *STAY)), POLICY)
    assert tuple(frame.columns) == STEP_COLUMNS
    assert {row["step"]: (row["minutes"], row["in_time"]) for row in frame.to_dicts()} == {
        "target_prescribed": (60, True),  # oxygen at 30, target at 90
        "suited_target": (30, None),  # first retaining gas at 60
        "stepped_down": (5, None),  # above at 95, cannula at 100
        "controlled_oxygen": (40, None),  # 60 to 100
        "nebuliser_short": (10, False),  # 110 to 120
        "bilevel_after_gas": (5, True),  # still acidotic at 125, ventilated at 130
        "bilevel_after_arrival": (130, False),
        "oxygen_stopped": (60, None),  # the second good reading at 340, air at 400
        "gas_after_more_oxygen": (20, True),  # 1 L/min at 430, gas at 450
    }
    assert set(STEP_MAKERS) == set(STEPS) == set(frame["step"])
    assert EVENT_TABLES["pathway_steps"] is pathway_steps


def test_it_fits_the_table_of_the_store() -> None:
    frame = pathway_steps(batch_of(chart(480, *STAY)), POLICY)
    with duckdb.connect() as connection:
        connection.execute(sql_text("tables", "pathway_steps"))
        assert tuple(connection.table("pathway_steps").columns) == STEP_COLUMNS
        connection.register("arriving", frame)
        connection.execute("insert into pathway_steps by name from arriving")
        assert connection.table("pathway_steps").fetchall() == frame.rows()


def test_a_batch_without_anything_due_has_no_row() -> None:
    frame = pathway_steps(batch_of(chart(480)), POLICY)
    assert frame.is_empty()
    assert tuple(frame.columns) == STEP_COLUMNS


def test_a_stay_of_no_length_is_none() -> None:
    assert pathway_steps(batch_of(together([chart(0), chart(0, stay_id="t")])), POLICY).is_empty()


def test_the_month_is_that_of_the_start_by_the_local_clock() -> None:
    # Oxygen at 23:30 UTC on 31 March 2026, summer time in London: 00:30 on 1 April.
    tables = chart(600, device(30, "nasal_cannula", 2), admitted=datetime(2026, 3, 31, 23, 0))
    for zone, month in (("Europe/London", "2026-04"), ("UTC", "2026-03")):
        (row,) = pathway_steps(batch_of(tables, zone=zone), POLICY).to_dicts()
        assert row["month"] == month


@settings(max_examples=30, deadline=None)
@given(cases(grids=(300, 900)))
def test_each_row_agrees_with_itself_and_other_stays_change_nothing(case: Case) -> None:
    policy = policy_of(case.thresholds)
    frame = pathway_steps(batch_of(case.tables, policy, case.as_of, case.zone), policy)
    ends = {row["stay_id"]: row["discharged_at"] or case.as_of for row in case.tables["stays"]}
    for row in frame.to_dicts():
        assert row["limit_minutes"] == (None if (name := STEPS[row["step"]].limit) is None else getattr(policy, name))
        assert row["done"] == (row["done_at"] is not None)
        longest = (row["done_at"] or ends[row["stay_id"]]) - row["started_at"]
        assert timedelta(0) <= timedelta(minutes=row["minutes"]) <= longest
        if row["in_time"] is not None:
            assert row["in_time"] == (row["done"] and row["minutes"] <= row["limit_minutes"])
    # A stranger with the same chart in the batch adds rows of their own only.
    stranger = together([case.tables, chart(480, *STAY, stay_id="stranger", patient_key="stranger")])
    with_stranger = pathway_steps(batch_of(stranger, policy, case.as_of, case.zone), policy)
    assert with_stranger.filter(with_stranger["stay_id"] != "stranger").equals(frame)
