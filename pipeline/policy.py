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
    inspired_oxygen: Mapping[str, Mapping[str, Any]]
    parameters: tuple[Parameter, ...]

    @property
    def fingerprint(self) -> str:
        """Twelve hexadecimal digits that change whenever any value (not wording) of the policy changes."""
        values = {p.name: float(p.value) for p in self.parameters}
        table = {
            device: {key: value for key, value in sorted(entry.items()) if key != "source"}
            for device, entry in sorted(self.inspired_oxygen.items())
        }
        text = json.dumps({"parameters": values, "inspired_oxygen": table}, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:12]


def read_policy(own_file: Path | None = None) -> Policy:
    """Reads the tool's policy and lays a hospital's own values over it.

    Raises PolicyError naming every entry that is unknown, not a number or not above zero.
    """
    content = _toml(DEFAULT_POLICY_FILE)
    if own_file is not None:
        _lay_over(content, _toml(own_file), own_file)
    parameters = tuple(Parameter(name=name, **entry) for name, entry in content["parameters"].items())
    table = MappingProxyType({device: MappingProxyType(entry) for device, entry in content["inspired_oxygen"].items()})
    return Policy(
        **{p.name: p.value for p in parameters},  # type: ignore[arg-type]
        inspired_oxygen=table,
        parameters=parameters,
    )


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PolicyError(f"The policy file {path} cannot be read: {error.strerror}. Check the path.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PolicyError(f"The policy file {path} is not valid TOML: {error}") from error


def _lay_over(content: dict[str, Any], own: dict[str, Any], path: Path) -> None:
    faults = [f"[{section}] (known: parameters)" for section in own if section != "parameters"]
    for name, entry in own.get("parameters", {}).items():
        value = entry.get("value") if isinstance(entry, dict) else entry
        if name not in content["parameters"]:
            faults.append(f"{name} (no such parameter)")
        elif isinstance(value, bool) or not isinstance(value, int | float) or not value > 0:
            faults.append(f"{name} (must be a number above 0)")
        else:
            changes = entry if isinstance(entry, dict) else {"value": value}
            changes = {key: changes[key] for key in ("value", "source") if key in changes}
            changes.setdefault("source", f"Local policy file {path.name}.")
            content["parameters"][name].update(changes)
    if faults:
        raise PolicyError(
            f"The policy file {path} has {len(faults)} entr{'y' if len(faults) == 1 else 'ies'} "
            f"that cannot be used: {listed(faults)}. Known parameters: {', '.join(content['parameters'])}. "
            "Correct the file and run the command again; nothing was changed."
        )
