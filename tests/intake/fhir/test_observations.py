"""How FHIR observations become readings, device records and gases.

Codes and units: LOINC, SNOMED CT and UCUM; where each was read stands in pipeline/intake/fhir/codes.py.
"""

from pathlib import Path

import pytest

from tests.intake.fhir.resources import (
    AT,
    CATEGORY,
    DEVICE_CODE,
    SNOMED,
    UCUM,
    Resource,
    component,
    concept,
    kept_aside,
    observation,
    quantity,
    rows,
    saturation,
)

KPA_FROM_45_MMHG = 5.999507  # pint 0.25; 1 mmHg = 133.322387415 Pa (NIST SP 811)
IN_BLOOD = {"category": [concept("laboratory", system=CATEGORY)]}


def gas(code: str, value: Resource, **more: object) -> Resource:
    return observation(concept(code), value, **IN_BLOOD, **more)


# --- readings ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("codes", [["59408-5"], ["2708-6"], ["2708-6", "59408-5"], ["59417-6"]], ids=" ".join)
def test_a_saturation_is_known_by_any_of_its_codes_and_counts_once(codes: list[str], tmp_path: Path) -> None:
    [reading] = rows(tmp_path, observation(concept(*codes), quantity(94, "%")))["readings"]
    assert reading == {"row_number": 1, "stay_id": "S1", "taken_at": AT, "spo2_percent": "94.0"}


@pytest.mark.parametrize(
    "system", ["http://loinc.org", "https://loinc.org/", "urn:oid:2.16.840.1.113883.6.1"], ids=["web", "web/", "oid"]
)
def test_a_code_system_is_known_however_it_is_written(system: str, tmp_path: Path) -> None:
    assert len(rows(tmp_path, observation(concept("59408-5", system=system), quantity(94, "%")))["readings"]) == 1


def test_the_same_code_of_another_system_means_nothing(tmp_path: Path) -> None:
    other = observation(concept("59408-5", system="urn:invented:codes"), quantity(94, "%"))
    assert list(rows(tmp_path, saturation(), other)) == ["readings"]
    assert len(rows(tmp_path, saturation(), other)["readings"]) == 1


def test_the_respiratory_rate_at_the_same_time_stands_beside_the_saturation(tmp_path: Path) -> None:
    later = "2026-01-05T10:01:00+00:00"
    rate = observation(concept("9279-1"), quantity(18, "/min"))
    [first, second] = rows(tmp_path, rate, saturation(), saturation(effectiveDateTime=later))["readings"]
    assert first["respiratory_rate"] == "18.0"
    assert "respiratory_rate" not in second


def test_two_different_rates_at_one_time_are_both_left_out(tmp_path: Path) -> None:
    rates = [observation(concept("9279-1"), quantity(rate, "/min")) for rate in (18, 19)]
    [reading] = rows(tmp_path, *rates, saturation())["readings"]
    assert "respiratory_rate" not in reading


def test_the_saturation_of_a_blood_sample_is_no_oximeter_reading(tmp_path: Path) -> None:
    """2708-6 is the code of both; 59408-5 says that it was an oximeter."""
    of_blood = observation(concept("2708-6"), quantity(94, "%"), **IN_BLOOD)
    of_specimen = observation(concept("2708-6"), quantity(94, "%"), specimen={"reference": "Specimen/1"})
    assert kept_aside(tmp_path, of_blood, of_specimen, saturation(**IN_BLOOD)) == [
        ("readings", 1, "not_by_oximeter", None),
        ("readings", 2, "not_by_oximeter", None),
    ]


# --- values and units -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "value", "unit", "column", "expected"),
    [
        ("2019-8", 45, "mm[Hg]", "pco2_kpa", KPA_FROM_45_MMHG),
        ("2019-8", 6.01, "kPa", "pco2_kpa", 6.01),
        ("2703-7", 9900, "Pa", "po2_kpa", 9.9),
        ("2703-7", 99, "hPa", "po2_kpa", 9.9),
        ("2744-1", 7.349, "[pH]", "ph", 7.349),
        ("2744-1", 7.349, "1", "ph", 7.349),
        ("1960-4", 24, "meq/L", "bicarbonate_mmol_l", 24),
        ("1960-4", 24, "mmol/L", "bicarbonate_mmol_l", 24),
    ],
)
def test_gases_are_converted_by_the_unit_code(
    code: str, value: float, unit: str, column: str, expected: float, tmp_path: Path
) -> None:
    [row] = rows(tmp_path, gas(code, quantity(value, unit)))["gases"]
    assert float(row[column]) == pytest.approx(expected, rel=1e-7)
    assert row["sample_type"] == "arterial"


@pytest.mark.parametrize(
    ("code", "value", "unit", "column", "expected"),
    [
        ("3151-8", 2, "L/min", "flow_l_min", "2.0"),
        ("3151-8", 2, "l/min", "flow_l_min", "2.0"),
        ("3151-8", 500, "mL/min", "flow_l_min", "0.5"),
        ("3150-6", 28, "%", "fio2_fraction", "0.28"),
        ("3150-6", 0.28, "1", "fio2_fraction", "0.28"),
        ("19994-3", 0.28, "{fraction}", "fio2_fraction", "0.28"),
    ],
)
def test_flow_and_concentration_are_converted_by_the_unit_code(
    code: str, value: float, unit: str, column: str, expected: str, tmp_path: Path
) -> None:
    [row] = rows(tmp_path, observation(concept(code), quantity(value, unit)))["devices"]
    assert row[column] == expected
    assert row["device"] == "other"


def test_ph_needs_no_unit(tmp_path: Path) -> None:
    [row] = rows(tmp_path, gas("2744-1", {"value": 7.31}))["gases"]
    assert row["ph"] == "7.31"


@pytest.mark.parametrize(
    "value",
    [
        {"value": 94},
        {"value": 94, "unit": "%"},
        {"value": 94, "unit": "%", "system": "urn:invented:units", "code": "%"},
        {"value": 0.94, "system": UCUM, "code": "1"},
        {"value": 94, "system": UCUM, "code": "percent"},
        {"value": 94, "system": UCUM, "code": "a long text that is no unit code at all"},
    ],
    ids=["none", "text only", "other system", "fraction", "unknown", "a text"],
)
def test_a_value_without_a_known_unit_code_is_kept_aside_with_its_number(value: Resource, tmp_path: Path) -> None:
    resource = saturation(valueQuantity=value)
    assert kept_aside(tmp_path, resource) == [("readings", 1, "unknown_unit", "spo2_percent")]
    [row] = rows(tmp_path, resource)["readings"]
    number, unit = row["spo2_percent"].split(" ")
    assert float(number) == value["value"]
    assert unit in ("?", "1", "percent")


def test_a_number_that_is_only_a_bound_is_no_number(tmp_path: Path) -> None:
    below = saturation(valueQuantity=quantity(70, "%") | {"comparator": "<"})
    assert kept_aside(tmp_path, below) == [("readings", 1, "not_a_number", "spo2_percent")]


@pytest.mark.parametrize(
    ("value", "rule"),
    [
        ({}, "missing_required"),
        ({"dataAbsentReason": concept("unknown", system="urn:invented")}, "missing_required"),
        ({"valueQuantity": {"unit": "%", "system": UCUM, "code": "%"}}, "missing_required"),
        ({"valueString": "words of a value"}, "not_a_number"),
        ({"valueInteger": 94}, "not_a_number"),
        ({"valueCodeableConcept": concept("LA1-2")}, "not_a_number"),
    ],
    ids=["nothing", "absent", "unit alone", "text", "integer", "concept"],
)
def test_a_saturation_without_a_quantity_is_kept_aside(value: Resource, rule: str, tmp_path: Path) -> None:
    resource = observation(concept("59408-5"), **value)
    assert kept_aside(tmp_path, resource) == [("readings", 1, rule, "spo2_percent")]
    assert "words" not in str(rows(tmp_path, resource))


# --- status, time and encounter ---------------------------------------------------------------------------------


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled", "banana", None])
def test_an_observation_that_does_not_hold_is_counted_and_kept_aside(status: str | None, tmp_path: Path) -> None:
    flow = [component("3151-8", quantity(2, "L/min"))]
    resources = [saturation(status=status, component=flow), gas("2744-1", quantity(7.3, "[pH]"), status=status)]
    assert kept_aside(tmp_path, *resources) == [
        ("readings", 1, "not_valid_status", None),
        ("devices", 1, "not_valid_status", None),
        ("gases", 2, "not_valid_status", None),
    ]


@pytest.mark.parametrize("status", ["final", "amended", "corrected", "preliminary"])
def test_an_observation_that_holds_is_taken(status: str, tmp_path: Path) -> None:
    assert kept_aside(tmp_path, saturation(status=status)) == []


def test_a_part_of_a_gas_entered_in_error_does_not_spoil_the_rest(tmp_path: Path) -> None:
    wrong = gas("2019-8", quantity(9, "kPa"), status="entered-in-error")
    right = gas("2019-8", quantity(6, "kPa"), status="corrected")
    ph = gas("2744-1", quantity(7.3, "[pH]"))
    found = rows(tmp_path, wrong, right, ph)["gases"]
    assert [(row["row_number"], row.get("ph"), row["pco2_kpa"]) for row in found] == [
        (1, None, "9.0"),
        (2, "7.3", "6.0"),
    ]
    assert kept_aside(tmp_path, wrong, right, ph) == [("gases", 1, "not_valid_status", None)]
    assert kept_aside(tmp_path, ph, wrong) == [("gases", 2, "not_valid_status", None)]


@pytest.mark.parametrize(
    ("time", "expected"),
    [
        ({"effectiveDateTime": "2026-01-05T10:00:00.123+05:30"}, "2026-01-05T10:00:00.123+05:30"),
        ({"effectiveInstant": AT}, AT),
        ({"effectivePeriod": {"start": AT, "end": "2026-01-05T11:00:00Z"}}, AT),
    ],
    ids=["time", "instant", "span"],
)
def test_the_time_is_passed_on_as_it_is_written(time: Resource, expected: str, tmp_path: Path) -> None:
    resource = saturation(**{"effectiveDateTime": None} | time)
    assert rows(tmp_path, resource)["readings"][0]["taken_at"] == expected
    assert kept_aside(tmp_path, resource) == []


@pytest.mark.parametrize(
    ("time", "rule"),
    [
        ({"effectiveDateTime": "2026-01-05"}, "not_a_time"),
        ({"effectiveDateTime": "2026"}, "not_a_time"),
        ({"effectivePeriod": {"end": AT}}, "missing_required"),
        ({"effectiveTiming": {"event": [AT]}}, "missing_required"),
        ({}, "missing_required"),
    ],
    ids=["date", "year", "end only", "timing", "nothing"],
)
def test_a_date_is_no_time(time: Resource, rule: str, tmp_path: Path) -> None:
    resource = saturation(**{"effectiveDateTime": None} | time)
    assert kept_aside(tmp_path, resource) == [("readings", 1, rule, "taken_at")]


@pytest.mark.parametrize(
    "reference",
    [
        "Encounter/abc-1.2",
        "urn:uuid:abc-1.2",
        "https://fhir.invented.example/r4/Encounter/abc-1.2",
        "Encounter/abc-1.2/_history/7",
        " Encounter/abc-1.2 ",
        "abc-1.2",
    ],
)
def test_the_encounter_is_the_last_part_of_the_reference(reference: str, tmp_path: Path) -> None:
    [reading] = rows(tmp_path, saturation(encounter={"reference": reference}))["readings"]
    assert reading["stay_id"] == "abc-1.2"


@pytest.mark.parametrize(
    "encounter",
    [
        None,
        {},
        {"reference": "#inside"},
        {"reference": "Encounter?identifier=urn:hospital|123"},
        {"identifier": {"value": "123"}},
        {"reference": "Encounter/"},
    ],
    ids=["none", "empty", "contained", "search", "identifier", "no id"],
)
def test_an_observation_without_an_encounter_is_kept_aside(encounter: Resource | None, tmp_path: Path) -> None:
    assert kept_aside(tmp_path, saturation(encounter=encounter)) == [("readings", 1, "missing_required", "stay_id")]


# --- devices ----------------------------------------------------------------------------------------------------

CANNULA = concept("336623009", system=SNOMED)
FLOW = quantity(2, "L/min")


@pytest.mark.parametrize(
    "resource",
    [
        observation(concept("3151-8"), FLOW, method=CANNULA),
        observation(concept("3151-8"), FLOW, extension=[{"url": DEVICE_CODE, "valueCodeableConcept": CANNULA}]),
        observation(concept("3151-8"), FLOW, component=[{"code": concept("x"), "valueCodeableConcept": CANNULA}]),
        observation(CANNULA, component=[component("3151-8", FLOW)]),
        observation(concept("3151-8"), FLOW, component=[{"code": CANNULA}]),
        observation(concept("3151-8"), FLOW, device={"reference": "Device/d1"}),
        saturation(component=[component("3151-8", FLOW)], method=CANNULA),
    ],
    ids=["method", "extension", "component value", "code", "component code", "resource", "with a saturation"],
)
def test_a_device_is_known_by_its_code_wherever_it_stands(resource: Resource, tmp_path: Path) -> None:
    device = {"resourceType": "Device", "id": "d1", "type": CANNULA}
    [row] = rows(tmp_path, resource, device)["devices"]
    assert row == {
        "row_number": 1,
        "stay_id": "S1",
        "started_at": AT,
        "device": "nasal_cannula",
        "flow_l_min": "2.0",
    }


def test_the_oximeter_itself_is_no_oxygen_device(tmp_path: Path) -> None:
    oximeter = {"resourceType": "Device", "id": "d1", "type": concept("448703006", system=SNOMED)}
    resource = saturation(device={"reference": "Device/d1"}, method=concept("448703006", system=SNOMED))
    assert list(rows(tmp_path, oximeter, resource)) == ["readings"]


def test_breathing_room_air_is_a_device_record_whether_code_or_value(tmp_path: Path) -> None:
    air = concept("722742002", system=SNOMED)
    later = {"effectiveDateTime": "2026-01-05T10:05:00+00:00"}
    as_value = observation(concept("3150-6"), valueCodeableConcept=air, **later)
    assert [row["device"] for row in rows(tmp_path, observation(air), as_value)["devices"]] == ["room_air"] * 2
    assert kept_aside(tmp_path, observation(air), as_value) == []


def test_a_general_word_for_a_mask_does_not_contradict_the_kind_of_mask(tmp_path: Path) -> None:
    venturi = observation(concept("3151-8"), FLOW, method=concept("336602003", "428285009", system=SNOMED))
    [row] = rows(tmp_path, venturi | {"component": [{"code": concept("336602003", system=SNOMED)}]})["devices"]
    assert row["device"] == "air_entrainment_mask"


def test_two_kinds_of_device_in_one_observation_are_kept_aside(tmp_path: Path) -> None:
    both = observation(
        concept("3151-8"), FLOW, method=CANNULA, component=[{"code": concept("428285009", system=SNOMED)}]
    )
    assert kept_aside(tmp_path, both) == [("devices", 1, "unknown_code", "device")]


def test_a_nebuliser_is_driven_by_oxygen_only_where_oxygen_flows(tmp_path: Path) -> None:
    nebuliser = concept("334947002", system=SNOMED)
    driven = observation(concept("3151-8"), quantity(8, "L/min"), method=nebuliser)
    unknown = observation(nebuliser, effectiveDateTime="2026-01-05T10:05:00+00:00")
    by_air = observation(
        concept("3151-8"), quantity(0, "L/min"), method=nebuliser, effectiveDateTime="2026-01-05T10:06:00+00:00"
    )
    found = rows(tmp_path, driven, unknown, by_air)["devices"]
    assert [row["device"] for row in found] == ["oxygen_driven_nebuliser", "other", "other"]


def test_flow_and_concentration_at_one_instant_are_one_record_however_the_time_is_written(tmp_path: Path) -> None:
    flow = observation(concept("3151-8"), FLOW, method=concept("428285009", system=SNOMED))
    concentration = observation(concept("3150-6"), quantity(24, "%"), effectiveDateTime="2026-01-05T11:00:00.900+01:00")
    [row] = rows(tmp_path, concentration, flow)["devices"]
    assert (row["row_number"], row["device"], row["flow_l_min"], row["fio2_fraction"]) == (
        1,
        "air_entrainment_mask",
        "2.0",
        "0.24",
    )


def test_a_time_without_offset_is_not_joined_to_one_with(tmp_path: Path) -> None:
    local = observation(concept("3150-6"), quantity(24, "%"), effectiveDateTime="2026-01-05T10:00:00")
    assert len(rows(tmp_path, observation(concept("3151-8"), FLOW), local)["devices"]) == 2


def test_a_time_span_ends_the_device_record(tmp_path: Path) -> None:
    span = {"start": AT, "end": "2026-01-05T12:00:00Z"}
    [row] = rows(tmp_path, observation(concept("3151-8"), FLOW, effectiveDateTime=None, effectivePeriod=span))[
        "devices"
    ]
    assert row["ended_at"] == "2026-01-05T12:00:00Z"


def test_a_flow_without_a_value_is_kept_aside_and_a_component_without_one_says_nothing(tmp_path: Path) -> None:
    absent = {"code": concept("3151-8"), "dataAbsentReason": concept("unknown", system="urn:invented")}
    assert kept_aside(tmp_path, observation(concept("3151-8"))) == [("devices", 1, "no_value", None)]
    assert list(rows(tmp_path, saturation(component=[absent]))) == ["readings"]


# --- gases ------------------------------------------------------------------------------------------------------

PH, PCO2, PO2 = quantity(7.31, "[pH]"), quantity(7.2, "kPa"), quantity(9.5, "kPa")


def test_observations_of_one_sample_are_one_gas(tmp_path: Path) -> None:
    others = [saturation(), gas("2021-4", quantity(8, "kPa"))]
    found = rows(tmp_path, gas("2744-1", PH), *others, gas("2019-8", PCO2), gas("2703-7", PO2))["gases"]
    assert found == [
        {
            "row_number": 1,
            "stay_id": "S1",
            "taken_at": AT,
            "sample_type": "arterial",
            "ph": "7.31",
            "pco2_kpa": "7.2",
            "po2_kpa": "9.5",
        },
        {"row_number": 3, "stay_id": "S1", "taken_at": AT, "sample_type": "venous", "pco2_kpa": "8.0"},
    ]


def test_components_make_a_gas_and_take_the_kind_of_sample_from_the_panel(tmp_path: Path) -> None:
    """24336-0 is the panel of gases in arterial blood; 11557-6 and 11558-4 are of blood of any kind."""
    parts = [component("11558-4", PH), component("11557-6", PCO2), component("3150-6", quantity(28, "%"))]
    found = rows(tmp_path, observation(concept("24336-0"), component=parts))
    assert found == {
        "gases": [
            {
                "row_number": 1,
                "stay_id": "S1",
                "taken_at": AT,
                "sample_type": "arterial",
                "ph": "7.31",
                "pco2_kpa": "7.2",
                "fio2_fraction": "0.28",
            }
        ]
    }


def test_a_panel_that_only_names_its_members_makes_no_row(tmp_path: Path) -> None:
    panel = observation(concept("24336-0"), hasMember=[{"reference": "Observation/o2"}])
    [row] = rows(tmp_path, panel, gas("2744-1", PH))["gases"]
    assert row["row_number"] == 2


def test_a_value_given_as_component_and_again_by_itself_is_an_exact_repeat(tmp_path: Path) -> None:
    panel = observation(concept("24336-0"), component=[component("2744-1", PH), component("2019-8", PCO2)])
    first, again = rows(tmp_path, panel, gas("2019-8", PCO2))["gases"]
    assert again == first | {"row_number": 2}


def test_two_different_values_of_one_sample_make_two_rows_that_conflict(tmp_path: Path) -> None:
    found = rows(tmp_path, gas("2744-1", PH), gas("2019-8", PCO2), gas("2019-8", quantity(4, "kPa")))["gases"]
    assert [(row["row_number"], row["ph"], row["pco2_kpa"]) for row in found] == [
        (1, "7.31", "7.2"),
        (3, "7.31", "4.0"),
    ]


def test_codings_of_two_kinds_of_sample_are_kept_aside(tmp_path: Path) -> None:
    both = observation(concept("11558-4", "2744-1", "2745-8"), PH)
    assert kept_aside(tmp_path, both) == [("gases", 1, "unknown_code", "sample_type")]


def test_the_kind_of_sample_is_known_where_one_of_several_codings_says_it(tmp_path: Path) -> None:
    [row] = rows(tmp_path, observation(concept("11558-4", "2745-8"), PH))["gases"]
    assert row["sample_type"] == "capillary"


def test_a_gas_with_one_unknown_unit_is_kept_aside_whole(tmp_path: Path) -> None:
    bad = gas("2019-8", quantity(45, "mmHg"))
    assert kept_aside(tmp_path, gas("2744-1", PH), bad) == [("gases", 1, "unknown_unit", "pco2_kpa")]


def test_a_gas_of_which_nothing_was_measured_is_kept_aside(tmp_path: Path) -> None:
    clotted = observation(concept("2019-8"), dataAbsentReason=concept("error", system="urn:invented"))
    assert kept_aside(tmp_path, clotted) == [("gases", 1, "no_value", None)]
    assert kept_aside(tmp_path, clotted, gas("2744-1", PH)) == []


def test_two_values_of_one_quantity_in_one_observation_are_no_number(tmp_path: Path) -> None:
    twice = observation(concept("24336-0"), component=[component("2019-8", PCO2), component("2019-8", PO2)])
    assert kept_aside(tmp_path, twice) == [("gases", 1, "not_a_number", "pco2_kpa")]
    same = observation(concept("24336-0"), component=[component("2019-8", PCO2), component("2019-8", PCO2)])
    assert kept_aside(tmp_path, same) == []


def test_gases_without_an_encounter_are_not_joined(tmp_path: Path) -> None:
    lost = [gas("2744-1", PH, encounter=None), gas("2019-8", PCO2, encounter=None)]
    assert kept_aside(tmp_path, *lost) == [
        ("gases", 1, "missing_required", "stay_id"),
        ("gases", 2, "missing_required", "stay_id"),
    ]
