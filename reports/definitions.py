"""The thresholds and the inspired-oxygen table in words, with the sources the policy names."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.policy import Policy
from pipeline.vocabulary import DEVICES
from reports import wording


@dataclass(frozen=True)
class Threshold:
    """One threshold as the policy has it."""

    meaning: str
    value: str
    unit: str
    source: str
    name: str


@dataclass(frozen=True)
class Device:
    """How the inspired oxygen of one device is estimated where none is recorded, with its range."""

    device: str
    best: str
    low: str
    high: str
    source: str


def thresholds(policy: Policy) -> list[Threshold]:
    """Every threshold of the policy, in its order."""
    return [
        Threshold(each.meaning, wording.short_number(each.value), each.unit, each.source, each.name)
        for each in policy.parameters
    ]


def devices(policy: Policy) -> list[Device]:
    """Every device of the vocabulary, in its order; those the policy has no estimate for as recorded only."""
    return [_device(device, policy.inspired_oxygen.get(device)) for device in DEVICES]


def _device(device: str, entry: Mapping[str, Any] | None) -> Device:
    name = wording.DEVICE_IN_WORDS[device]
    if entry is None:
        return Device(name, "only as recorded", "as recorded", "as recorded", wording.NOTHING)
    return Device(name, _best(entry), _low(entry), _high(entry), entry.get("source", wording.NOTHING))


def _best(entry: Mapping[str, Any]) -> str:
    if "steps" in entry:
        first, *rest = entry["steps"]
        later = [f"from {flow:g} L/min {_per_cent(fraction)}" for flow, fraction in rest]
        return "; ".join([_per_cent(first[1]), *later])
    if "per_l_min" in entry:
        return (
            f"{_per_cent(entry['base'])} + {_per_cent(entry['per_l_min'])} per L/min, "
            f"the same from {entry['most_at_l_min']:g} L/min up"
        )
    return _per_cent(entry["best"]) if "best" in entry else "the printed concentration only"


def _low(entry: Mapping[str, Any]) -> str:
    if "low_per_l_min" in entry:
        at_most = _per_cent(entry["low_at_most"])
        return f"{_per_cent(entry['base'])} + {_per_cent(entry['low_per_l_min'])} per L/min, at most {at_most}"
    if "low_below_printed" in entry:
        from_60 = _per_cent(entry["low_from_printed_060"])
        return f"{100 * entry['low_below_printed']:g} points under the printed; {from_60} from 60 % up"
    return _per_cent(entry.get("low", entry.get("best")))


def _high(entry: Mapping[str, Any]) -> str:
    if "high_per_l_min" in entry:
        at_most = _per_cent(entry["high_at_most"])
        return f"{_per_cent(entry['base'])} + {_per_cent(entry['high_per_l_min'])} per L/min, at most {at_most}"
    if "high_above_printed" in entry:
        return f"{100 * entry['high_above_printed']:g} points over the printed"
    return _per_cent(entry.get("high", entry.get("best")))


def _per_cent(fraction: float | None) -> str:
    return wording.NOTHING if fraction is None else f"{round(100 * fraction, 1):g}{wording.NO_BREAK}%"
