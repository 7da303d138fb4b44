"""The thresholds: their defaults, a hospital's own file over them, and the fingerprint."""

from dataclasses import FrozenInstanceError, replace
from pathlib import Path

import pytest

from pipeline.errors import PolicyError
from pipeline.policy import read_policy

# The defaults of the definitions, said again here: name, value, unit.
DEFAULTS = [
    ("reading_carry_hours", 6, "hours"),
    ("device_carry_hours", 24, "hours"),
    ("retainer_pco2_above_kpa", 6.0, "kPa"),
    ("acidosis_ph_below", 7.35, "pH"),
    ("high_fio2_above", 0.28, "fraction"),
    ("episode_join_minutes", 30, "minutes"),
    ("episode_min_minutes", 30, "minutes"),
    ("repeat_gas_minutes", 60, "minutes"),
    ("nebuliser_carry_minutes", 30, "minutes"),
    ("small_count_below", 8, "patients"),
    # Teaching text: 30 L/min at 16, 60 L/min at 30 breaths a minute.
    ("peak_flow_at_rest_l_min", 30, "L/min"),
    ("peak_flow_per_breath_l", 2, "L"),
    # Jones, Lancet 1984: above 30 breaths a minute by 50 % more.
    ("fast_breathing_flow_ratio", 1.5, "ratio"),
    # British Thoracic Society and Intensive Care Society (2016), from memory; reference intervals of textbooks.
    ("raised_bicarbonate_above_mmol_l", 28, "mmol/L"),
    ("chronic_bicarbonate_above_mmol_l", 30, "mmol/L"),
    ("low_bicarbonate_below_mmol_l", 22, "mmol/L"),
    ("alkalosis_ph_above", 7.45, "pH"),
    # Kelly, J Emerg Med 2005: 45 mmHg, 6.0 kPa.
    ("venous_pco2_screen_up_to_kpa", 6.0, "kPa"),
    # FDA 2021: a reading of 90 % may be 86-94 %.
    ("saturation_tolerance_points", 4, "points"),
    # Royal College of Physicians, NEWS2 (2017), chart 4.
    ("observation_hours_at_score_0", 12, "hours"),
    ("observation_hours_at_score_1_to_4", 6, "hours"),
    # Choices of this audit.
    ("gas_pair_hours", 6, "hours"),
    ("reading_near_gas_minutes", 15, "minutes"),
    ("target_within_minutes", 60, "minutes"),
    # British Thoracic Society oxygen guideline (2017): gases 30-60 minutes after oxygen is started or raised.
    ("gas_after_change_minutes", 60, "minutes"),
    # British Thoracic Society and Intensive Care Society (2016): pCO2 above 6.5 kPa.
    ("ventilation_pco2_above_kpa", 6.5, "kPa"),
    # British Thoracic Society (2008): at most one hour of best treatment.
    ("best_treatment_minutes", 60, "minutes"),
    # British Thoracic Society, quality standards for ventilation (2018): 60 minutes of the gas, 120 of arrival.
    ("ventilation_after_gas_minutes", 60, "minutes"),
    ("ventilation_after_arrival_minutes", 120, "minutes"),
    # British Thoracic Society (2017); the nebuliser from memory.
    ("nebuliser_limit_minutes", 6, "minutes"),
    ("low_flow_to_stop_l_min", 2, "L/min"),
    ("low_flow_to_stop_retainer_l_min", 1, "L/min"),
    # Wijesinghe, JRSM 2012: 4 mmHg, 4 x 0.133322 = 0.533 kPa.
    ("pco2_rise_from_kpa", 0.53, "kPa rise"),
]
# In the name, as elsewhere in the tool, where the number alone would not tell.
UNIT_IN_NAME = {"hours": "_hours", "minutes": "_minutes", "kPa": "_kpa", "pH": "_ph_"} | {
    "L/min": "_l_min",
    "L": "_l",
    "ratio": "_ratio",
    "mmol/L": "_mmol_l",
    "points": "_points",
    "kPa rise": "_rise_from_kpa",
}
TABLES = ("inspired_oxygen", "entrainment_valves")


def own(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "ours.toml"
    file.write_text(text, encoding="utf-8")
    return file


def refusal(tmp_path: Path, text: str) -> str:
    with pytest.raises(PolicyError) as raised:
        read_policy(own(tmp_path, text))
    return str(raised.value)


def test_the_defaults_are_those_of_the_definitions() -> None:
    policy = read_policy()
    assert [(p.name, p.value, p.unit) for p in policy.parameters] == DEFAULTS
    assert [getattr(policy, name) for name, _, _ in DEFAULTS] == [value for _, value, _ in DEFAULTS]


def test_every_parameter_has_a_unit_a_meaning_and_a_source() -> None:
    for parameter in read_policy().parameters:
        assert parameter.meaning.endswith("."), parameter.name
        assert len(parameter.source.split()) >= 4, parameter.name
        assert UNIT_IN_NAME.get(parameter.unit, "") in parameter.name


@pytest.mark.parametrize("table", TABLES)
def test_every_entry_of_a_table_has_a_source(table: str) -> None:
    entries = getattr(read_policy(), table)
    assert len(entries) >= 7
    for name, entry in entries.items():
        assert len(entry["source"].split()) >= 4, name


def test_the_policy_cannot_be_changed_by_those_it_is_passed_to() -> None:
    policy = read_policy()
    with pytest.raises(FrozenInstanceError):
        policy.high_fio2_above = 0.35  # type: ignore[misc]
    with pytest.raises(TypeError):
        policy.inspired_oxygen["nasal_cannula"]["base"] = 0.21  # type: ignore[index]
    with pytest.raises(TypeError):
        policy.entrainment_valves["24"]["lowest_flow_l_min"] = 1  # type: ignore[index]


def test_an_own_file_names_only_what_differs(tmp_path: Path) -> None:
    text = '[parameters]\nreading_carry_hours = 4\n\n[parameters.high_fio2_above]\nvalue = 0.35\nsource = "Ours, 2026."'
    policy, usual = read_policy(own(tmp_path, text)), read_policy()
    assert (policy.reading_carry_hours, policy.high_fio2_above) == (4, 0.35)
    changed = {p.name: p for p in policy.parameters}
    assert changed["reading_carry_hours"].source == "Local policy file ours.toml."
    assert changed["high_fio2_above"].source == "Ours, 2026."
    assert changed["high_fio2_above"].unit == "fraction"
    rest = [p for p in policy.parameters if p.name not in ("reading_carry_hours", "high_fio2_above")]
    assert rest == [p for p in usual.parameters if p.name not in ("reading_carry_hours", "high_fio2_above")]
    assert read_policy() == usual


def test_a_copy_of_the_usual_entry_with_another_value_is_accepted(tmp_path: Path) -> None:
    usual = next(p for p in read_policy().parameters if p.name == "repeat_gas_minutes")
    text = (
        "[parameters.repeat_gas_minutes]\nvalue = 45\n"
        f'unit = "{usual.unit}"\nmeaning = "{usual.meaning}"\nsource = "{usual.source}"'
    )
    assert read_policy(own(tmp_path, text)).repeat_gas_minutes == 45


def test_all_faults_come_in_one_message_with_what_to_do(tmp_path: Path) -> None:
    text = """
        [inspired_oxygen.nasal_cannula]
        base = 0.21
        [parameters]
        spo2_carry = 4
        device_carry_hours = "a day"
        reading_carry_hours = 0
        small_count_below = true
    """
    message = refusal(tmp_path, text)
    for part in (
        "ours.toml",
        "5 entries",
        "[inspired_oxygen]",
        "spo2_carry (no such parameter)",
        "device_carry_hours (must be a number from 0.1 to 720 (hours))",
        "reading_carry_hours (must be a number",
        "small_count_below (must be a number",
        "Known parameters: reading_carry_hours, device_carry_hours",
        "Correct the file",
    ):
        assert part in message
    assert "a day" not in message


@pytest.mark.parametrize("table", TABLES)
def test_the_tables_of_the_tool_cannot_be_laid_over(tmp_path: Path, table: str) -> None:
    assert f"[{table}] (known: parameters)" in refusal(tmp_path, f"[{table}.24]\nlowest_flow_l_min = 1")


def test_one_fault_is_one_entry(tmp_path: Path) -> None:
    assert "has 1 entry that cannot be used: spo2_carry (no such parameter)." in refusal(
        tmp_path, "[parameters]\nspo2_carry = 4"
    )


@pytest.mark.parametrize(
    "text",
    [
        # Per cent for a fraction, mmHg for kPa (45 mmHg is 6.0 kPa), hydrogen ions in nmol/L for pH.
        "high_fio2_above = 28",
        "retainer_pco2_above_kpa = 45",
        "acidosis_ph_below = 45",
        "reading_carry_hours = inf",
        "reading_carry_hours = nan",
        "episode_join_minutes = -30",
        "small_count_below = 0",
        "low_bicarbonate_below_mmol_l = 2.2",
        "saturation_tolerance_points = 0.04",
        "fast_breathing_flow_ratio = 50",
        "peak_flow_at_rest_l_min = 500",
        "peak_flow_per_breath_l = 500",
        "high_fio2_above = []",
        "high_fio2_above.source = 'A value is missing.'",
        "high_fio2_above = {value = 0.3, source = 7}",
    ],
)
def test_a_value_that_cannot_be_meant_is_refused(tmp_path: Path, text: str) -> None:
    assert text.split()[0].split(".")[0] in refusal(tmp_path, f"[parameters]\n{text}")


def test_a_unit_of_ones_own_is_refused_and_not_passed_over(tmp_path: Path) -> None:
    message = refusal(tmp_path, '[parameters.reading_carry_hours]\nvalue = 240\nunit = "minutes"')
    assert "reading_carry_hours (only value and source can be changed, not unit)" in message


@pytest.mark.parametrize("text", ["parameters = 3", "[[parameters]]\nreading_carry_hours = 4"])
def test_parameters_that_are_no_table_are_refused(tmp_path: Path, text: str) -> None:
    assert "parameters (must be a table" in refusal(tmp_path, text)


@pytest.mark.parametrize("text", ["[parameters]\nreading_carry_hours = = 4", "[parameters]\na = 1\na = 2"])
def test_a_file_that_is_no_toml_is_refused_with_the_place(tmp_path: Path, text: str) -> None:
    message = refusal(tmp_path, text)
    assert "ours.toml is not valid TOML" in message
    assert "line " in message or "at end of document" in message


def test_a_file_that_is_no_text_or_not_there_is_refused(tmp_path: Path) -> None:
    (tmp_path / "ours.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PolicyError, match="not valid TOML"):
        read_policy(tmp_path / "ours.toml")
    with pytest.raises(PolicyError, match="cannot be read"):
        read_policy(tmp_path / "none.toml")
    with pytest.raises(PolicyError, match="cannot be read"):
        read_policy(tmp_path)


def test_the_fingerprint_changes_with_every_value(tmp_path: Path) -> None:
    usual = read_policy().fingerprint
    others = {
        read_policy(own(tmp_path, f"[parameters]\n{name} = {value * 1.01}")).fingerprint for name, value, _ in DEFAULTS
    }
    assert len(others | {usual}) == len(DEFAULTS) + 1
    assert len(usual) == 12


def test_the_fingerprint_does_not_change_with_wording(tmp_path: Path) -> None:
    text = '[parameters.high_fio2_above]\nvalue = 0.280\nsource = "Said in other words."'
    policy = read_policy(own(tmp_path, text))
    assert policy.fingerprint == read_policy().fingerprint
    reworded = tuple(replace(p, meaning="Another.", unit="x") for p in policy.parameters)
    assert replace(policy, parameters=reworded).fingerprint == policy.fingerprint


@pytest.mark.parametrize(
    ("table", "name", "key"),
    [("inspired_oxygen", "nasal_cannula", "base"), ("entrainment_valves", "24", "lowest_flow_l_min")],
)
def test_the_fingerprint_changes_with_a_table_and_not_with_its_sources(table: str, name: str, key: str) -> None:
    policy = read_policy()
    entries = {each: dict(entry) for each, entry in getattr(policy, table).items()}
    for entry in entries.values():
        entry["source"] = "Another."
    assert replace(policy, **{table: entries}).fingerprint == policy.fingerprint
    entries[name][key] = 0.21
    assert replace(policy, **{table: entries}).fingerprint != policy.fingerprint


def test_the_fingerprint_is_of_the_values_in_use() -> None:
    policy = read_policy()
    assert replace(policy, high_fio2_above=0.35).fingerprint != policy.fingerprint
