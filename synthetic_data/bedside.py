"""The bedside, ten minutes at a time, for all patients at once: breathing, looking, changing devices, taking gases.

The only loop runs over the age of the stays. Patients are kept longest stay first, so that those still in hospital
at any age are the head of every array.
"""

from dataclasses import dataclass

import numpy as np

from synthetic_data.gas_taking import order_gases, take_gases
from synthetic_data.grid import Grid
from synthetic_data.hospital import (
    CRITICAL_CARE,
    HOUR,
    LAST_ROUND_BEFORE_SHUT,
    MINUTE,
    STEP,
    WARD_CARE,
    Bools,
    Floats,
    Ints,
    charting_is_shut,
)
from synthetic_data.journey import Planned
from synthetic_data.nursing import Seen, change_device, next_look, read_respiratory_rate, read_saturation
from synthetic_data.oxygen import BEST, IS_EXACT, IS_VENTILATION
from synthetic_data.patients import Stays
from synthetic_data.physiology import (
    arterial_po2_kpa,
    excess_oxygen_kpa,
    saturation_percent,
    true_inspired_fraction,
)
from synthetic_data.state import Patients, start


@dataclass(frozen=True)
class Course:
    """What happened. The first four hold one element a cell of the grid, stay after stay: arterial oxygen and CO2
    (kPa), true inspired fraction, device setting. The logs hold one element an event; `cell` counts from the start
    of its stay."""

    po2: Floats
    pco2: Floats
    fio2: Floats
    setting: Ints
    readings: dict[str, np.ndarray]
    devices: dict[str, np.ndarray]
    gases: dict[str, np.ndarray]


@dataclass(frozen=True)
class Conditions:
    """What acts on each cell from outside: limits in force (0: none), ward, and whether a nebuliser runs."""

    lower: Ints
    upper: Ints
    ward: Ints
    nebulising: Bools


def run(
    rng: np.random.Generator,
    stays: Stays,
    grid: Grid,
    outside: Conditions,
    recognised: Bools,
    first_gas_cell: Ints,
    planned: Planned,
) -> Course:
    """Run every stay from admission to its end."""
    order = np.argsort(-grid.cells, kind="stable")
    people = start(rng, stays, grid, order, recognised, first_gas_cell)
    present = np.searchsorted(-grid.cells[order], -np.arange(grid.cells.max()), side="left")
    events = _events_by_cell(stays, grid, order, planned)
    po2, pco2, fio2 = np.empty(grid.total), np.empty(grid.total), np.empty(grid.total)
    setting = np.empty(grid.total, dtype=np.int64)
    for cell, count in enumerate(present.tolist()):
        here = people.offset[:count] + cell
        if cell in events:
            _follow_plan(rng, people, cell, *events[cell])
        _fall_ill(people, count, cell)
        breathe(rng, people, count, outside.nebulising[here])
        po2[here], pco2[here] = people.po2[:count], people.pco2[:count]
        fio2[here], setting[here] = people.fio2[:count], people.setting[:count]
        take_gases(rng, people, count, cell)
        _look(rng, people, count, cell, outside)
    readings = _joined(people.log["readings"], "stay", "cell", "minute", "spo2", "respiratory_rate", "setting")
    devices = _joined(people.log["devices"], "stay", "cell", "minute", "setting", "changed")
    return Course(po2, pco2, fio2, setting, readings, devices, _joined(people.log["gases"], "stay", "cell", "setting"))


def _joined(log: list[tuple[np.ndarray, ...]], *names: str) -> dict[str, np.ndarray]:
    nothing = [tuple(np.zeros(0, dtype=np.int64) for _ in names)]
    return {name: np.concatenate(parts) for name, *parts in zip(names, *(log or nothing), strict=True)}


def _events_by_cell(stays: Stays, grid: Grid, order: Ints, planned: Planned) -> dict[int, tuple[Ints, Ints, Ints]]:
    """Place, setting and minute of the planned changes, by the cell in which they happen."""
    place = np.argsort(order, kind="stable")
    seconds = planned.at - grid.first_cell[planned.stay]
    cells = seconds // STEP
    sorting = np.argsort(cells, kind="stable")
    at_cell, first = np.unique(cells[sorting], return_index=True)
    events = {}
    for cell, begin, end in zip(at_cell.tolist(), first, np.append(first, len(sorting))[1:], strict=True):
        part = sorting[begin:end]
        events[cell] = (place[planned.stay[part]], planned.setting[part], seconds[part] % STEP // MINUTE)
    return events


def _follow_plan(rng: np.random.Generator, people: Patients, cell: int, who: Ints, new: Ints, minute: Ints) -> None:
    people.setting[who] = new
    people.settled[who] = 0
    people.next_look[who] = np.minimum(people.next_look[who], cell + rng.integers(0, 4, len(who)))
    people.log["devices"].append(
        (people.number[who], np.full(len(who), cell), minute, new, np.ones(len(who), dtype=bool))
    )


def _fall_ill(people: Patients, count: int, cell: int) -> None:
    """Some get worse once in the middle of the stay."""
    who = np.flatnonzero(people.dip_at[:count] == cell)
    people.dip[who] += people.dip_depth[who]


# Decay a cell of each disturbance: time constants 8 h, 40 min, 28 h, 48 h and 3 h.
_SLOW, _QUICK, _DIP, _ILLNESS, _CO2 = np.exp(-STEP / (np.array([8.0, 2 / 3, 28.0, 48.0, 3.0]) * HOUR)).tolist()
_CO2_FOLLOWS = 1.0 - np.exp(-STEP / (1.5 * HOUR))


def breathe(rng: np.random.Generator, people: Patients, count: int, nebulising: Bools) -> None:
    """Move lungs and gases on by one cell."""
    fixed, now = people.fixed, slice(count)
    chance = rng.standard_normal((3, count))
    slow, quick, dip = people.slow[now], people.quick[now], people.dip[now]
    slow *= _SLOW
    slow += np.sqrt(1 - _SLOW**2) * chance[0]
    quick *= _QUICK
    quick += np.sqrt(1 - _QUICK**2) * chance[1]
    people.pco2_noise[now] *= _CO2
    people.pco2_noise[now] += np.sqrt(1 - _CO2**2) * chance[2]
    dip *= _DIP
    people.deficit[now] *= np.exp(-STEP / HOUR / fixed.recovery_hours[now])
    people.illness[now] *= _ILLNESS
    ratio = fixed.ratio_usual[now] - people.deficit[now] - dip + 0.030 * slow + 0.018 * quick
    people.ratio[now] = np.clip(ratio, 0.25, 0.97)
    setting = people.setting[now]
    best = np.where(nebulising & ~IS_VENTILATION[setting], np.maximum(BEST[setting], 0.5), BEST[setting])
    people.fio2[now] = true_inspired_fraction(best, IS_EXACT[setting], fixed.delivery[now])
    people.po2[now] = arterial_po2_kpa(people.fio2[now], people.pco2[now], people.ratio[now])
    assisted = IS_VENTILATION[setting]
    driven = fixed.co2_per_excess[now] * excess_oxygen_kpa(people.po2[now]) * ~assisted
    settles_at = (
        fixed.pco2_usual[now] + people.illness[now] * ~assisted + driven - 0.5 * (assisted & fixed.retainer[now])
    )
    settles_at = settles_at + 0.15 * people.pco2_noise[now]
    people.pco2[now] += _CO2_FOLLOWS * (settles_at - people.pco2[now])


def _look(rng: np.random.Generator, people: Patients, count: int, cell: int, outside: Conditions) -> None:
    """See the patients who are due, chart what is seen, and decide."""
    begins = people.first_cell[:count] + cell * STEP
    due = (people.next_look[:count] <= cell) | (begins == LAST_ROUND_BEFORE_SHUT)
    who = np.flatnonzero(due & ~charting_is_shut(begins))
    if not len(who):
        return
    at, here = begins[who], people.offset[who] + cell
    lower, upper = _band_in_mind(outside.lower[here], outside.upper[here], people, who)
    ward = outside.ward[here]
    old = people.setting[who]
    spo2 = read_saturation(rng, saturation_percent(people.po2[who]), people.fixed.oximeter_bias[who])
    rate = read_respiratory_rate(rng, people.ratio[who])
    seen = Seen(
        at,
        spo2,
        rate,
        lower,
        upper,
        old,
        people.recognised[who],
        people.settled[who],
        WARD_CARE[ward],
        ward == CRITICAL_CARE,
    )
    new = change_device(rng, seen)
    people.setting[who] = new
    people.settled[who] = np.where((new != old) | (spo2 < lower), 0, people.settled[who] + 1)
    people.next_look[who] = cell + next_look(rng, seen, new, np.full(len(who), cell * STEP / HOUR))
    order_gases(rng, people, who, cell, at, old, new, spo2)
    minute = np.where(at == LAST_ROUND_BEFORE_SHUT, 0, rng.integers(0, 10, len(who)))
    people.log["readings"].append((people.number[who], np.full(len(who), cell), minute, spo2, rate, old))
    _chart_devices(rng, people, who, cell, minute, old, new)


def _band_in_mind(lower: Ints, upper: Ints, people: Patients, who: Ints) -> tuple[Ints, Ints]:
    """The band prescribed; without one, habit: 88-92 for some of those known to be at risk, else 94-98."""
    low = people.recognised[who] & people.aims_low[who]
    return (
        np.where(lower > 0, lower, np.where(low, 88, 94)),
        np.where(lower > 0, upper, np.where(low, 92, 98)),
    )


def _chart_devices(
    rng: np.random.Generator, people: Patients, who: Ints, cell: int, minute: Ints, old: Ints, new: Ints
) -> None:
    """Chart nearly every change (a few minutes after the reading) and, often, the device found unchanged."""
    changed = new != old
    written = rng.random(len(who)) < np.where(changed, 0.95, 0.60 if cell else 0.95)
    when = np.minimum(minute + np.where(changed, rng.integers(0, 5, len(who)), 0), 9)
    people.log["devices"].append(
        (people.number[who][written], np.full(written.sum(), cell), when[written], new[written], changed[written])
    )
