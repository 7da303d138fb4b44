"""The thresholds of the audit, read once from TOML and passed on as one frozen object."""

import hashlib
import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pipeline.errors import PolicyError, listed

DEFAULT_POLICY_FILE = Path(__file__).with_name("policy.toml")
# Accepted values by unit, both ends included: per cent given for a fraction or mmHg for kPa is refused.
_ACCEPTED = {
    "hours": (0.1, 720),
    "minutes": (1, 1440),
    "kPa": (1.5, 25),
    "pH": (6.5, 8.0),
    "fraction": (0.21, 1.0),
    "patients": (1, 1000),
    "L/min": (0.5, 150),
    "kPa rise": (0.1, 5),
    "L": (0.5, 6),
    "ratio": (1, 3),
    "mmol/L": (10, 60),
    "points": (0.5, 20),
}
# Tables of the tool beside the parameters: an entry per device or valve, each with its source.
_TABLES = ("inspired_oxygen", "entrainment_valves")


@dataclass(frozen=True)
class Parameter:
    """One threshold: `value` in `unit`, what it means, and where it comes from."""

    name: str
    value: float
    unit: str
    meaning: str
    source: str


@dataclass(frozen=True)
class Policy:
    """All thresholds of one audit. Attributes carry their unit in the name; see `pipeline/policy.toml`."""

    reading_carry_hours: float
    device_carry_hours: float
    retainer_pco2_above_kpa: float
    acidosis_ph_below: float
    high_fio2_above: float
    episode_join_minutes: float
    episode_min_minutes: float
    repeat_gas_minutes: float
    nebuliser_carry_minutes: float
    small_count_below: float
    peak_flow_at_rest_l_min: float
    peak_flow_per_breath_l: float
    fast_breathing_flow_ratio: float
    raised_bicarbonate_above_mmol_l: float
    chronic_bicarbonate_above_mmol_l: float
    low_bicarbonate_below_mmol_l: float
    alkalosis_ph_above: float
    venous_pco2_screen_up_to_kpa: float
    saturation_tolerance_points: float
    observation_hours_at_score_0: float
    observation_hours_at_score_1_to_4: float
    gas_pair_hours: float
    reading_near_gas_minutes: float
    target_within_minutes: float
    gas_after_change_minutes: float
    ventilation_pco2_above_kpa: float
    best_treatment_minutes: float
    ventilation_after_gas_minutes: float
    ventilation_after_arrival_minutes: float
    nebuliser_limit_minutes: float
    low_flow_to_stop_l_min: float
    low_flow_to_stop_retainer_l_min: float
    pco2_rise_from_kpa: float
    inspired_oxygen: Mapping[str, Mapping[str, Any]]
    entrainment_valves: Mapping[str, Mapping[str, Any]]
    parameters: tuple[Parameter, ...]

    @property
    def fingerprint(self) -> str:
        """Twelve hexadecimal digits that change whenever any value (not wording) of the policy changes."""
        values = {p.name: float(getattr(self, p.name)) for p in self.parameters}
        tables = {
            table: {
                name: {key: value for key, value in entry.items() if key != "source"}
                for name, entry in getattr(self, table).items()
            }
            for table in _TABLES
        }
        text = json.dumps({"parameters": values} | tables, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:12]


def read_policy(own_file: Path | None = None) -> Policy:
    """Reads the tool's policy and lays a hospital's own values over it.

    Raises PolicyError for entries that are unknown or out of range, or that change more than value and source.
    """
    content = _toml(DEFAULT_POLICY_FILE)
    if own_file is not None:
        _lay_over(content, _toml(own_file), own_file)
    parameters = tuple(Parameter(name=name, **entry) for name, entry in content["parameters"].items())
    tables = {
        table: MappingProxyType({name: MappingProxyType(entry) for name, entry in content[table].items()})
        for table in _TABLES
    }
    return Policy(**{p.name: p.value for p in parameters}, **tables, parameters=parameters)  # type: ignore[arg-type]


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PolicyError(f"The policy file {path} cannot be read: {error.strerror}. Check the path.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PolicyError(f"The policy file {path} is not valid TOML: {error}") from error


def _lay_over(content: dict[str, Any], own: dict[str, Any], path: Path) -> None:
    faults = [f"[{section}] (known: parameters)" for section in own if section != "parameters"]
    entries = own.get("parameters", {})
    if not isinstance(entries, dict):
        faults, entries = [*faults, "parameters (must be a table of parameters)"], {}
    for name, entry in entries.items():
        changes = entry if isinstance(entry, dict) else {"value": entry}
        known = content["parameters"].get(name)
        fault = "no such parameter" if known is None else _fault(changes, known)
        if fault:
            faults.append(f"{name} ({fault})")
        else:
            known["value"] = changes["value"]
            known["source"] = changes.get("source", f"Local policy file {path.name}.")
    if faults:
        raise PolicyError(
            f"The policy file {path} has {len(faults)} entr{'y' if len(faults) == 1 else 'ies'} "
            f"that cannot be used: {listed(faults)}. Known parameters: {', '.join(content['parameters'])}. "
            "Correct the file and run the command again; nothing was changed."
        )


def _fault(changes: dict[str, Any], known: dict[str, Any]) -> str:
    """What is wrong with the changes to one parameter; empty if nothing is."""
    value = changes.get("value")
    low, high = _ACCEPTED[known["unit"]]
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        return f"must be a number from {low:g} to {high:g} ({known['unit']})"
    if not isinstance(changes.get("source", ""), str):
        return "its source must be text"
    # A unit or meaning of their own would be believed by the reader and not by the audit.
    others = [key for key in changes if key not in ("value", "source") and changes[key] != known.get(key)]
    return f"only value and source can be changed, not {listed(others)}" if others else ""
