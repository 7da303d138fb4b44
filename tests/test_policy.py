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
]
# In the name, as elsewhere in the tool, where the number alone would not tell.
UNIT_IN_NAME = {"hours": "_hours", "minutes": "_minutes", "kPa": "_kpa", "pH": "_ph_"}


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


def test_every_device_of_the_inspired_oxygen_table_has_a_source() -> None:
    for device, entry in read_policy().inspired_oxygen.items():
        assert len(entry["source"].split()) >= 4, device


def test_the_policy_cannot_be_changed_by_those_it_is_passed_to() -> None:
    policy = read_policy()
    with pytest.raises(FrozenInstanceError):
        policy.high_fio2_above = 0.35  # type: ignore[misc]
    with pytest.raises(TypeError):
        policy.inspired_oxygen["nasal_cannula"]["base"] = 0.21  # type: ignore[index]


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


def test_the_fingerprint_changes_with_the_inspired_oxygen_table_and_not_with_its_sources() -> None:
    policy = read_policy()
    table = {device: dict(entry) for device, entry in policy.inspired_oxygen.items()}
    for entry in table.values():
        entry["source"] = "Another."
    assert replace(policy, inspired_oxygen=table).fingerprint == policy.fingerprint
    table["nasal_cannula"]["base"] = 0.21
    assert replace(policy, inspired_oxygen=table).fingerprint != policy.fingerprint


def test_the_fingerprint_is_of_the_values_in_use() -> None:
    policy = read_policy()
    assert replace(policy, high_fio2_above=0.35).fingerprint != policy.fingerprint
