"""When blood gases are taken, and what is learned from them and done."""

import numpy as np

from synthetic_data.hospital import STEP, Change, Floats, Ints, charting_is_shut
from synthetic_data.nursing import REPEAT_GAS
from synthetic_data.oxygen import AIR, IS_HIGH, IS_VENTILATION, NUMBER
from synthetic_data.physiology import acute_bicarbonate, ph
from synthetic_data.state import NEVER_CELL, Patients

ACTS_ON_ACIDOSIS = Change(0.45, 0.75)
LEARNS_FROM_GAS = Change(0.75, 0.95)


def order_gases(
    rng: np.random.Generator, people: Patients, who: Ints, cell: int, at: Ints, old: Ints, new: Ints, spo2: Floats
) -> None:
    """A gas 30-50 min after oxygen is made high in a patient known to be at risk; some later; some in the very ill."""
    roll = rng.random(len(who))
    made_high = IS_HIGH[new] & (~IS_HIGH[old] | (cell == 0)) & people.recognised[who]
    in_time = made_high & (roll < REPEAT_GAS.at(at))
    later = made_high & ~in_time & (roll < 0.9)
    very_ill = (spo2 <= 86) & (roll < 0.05) | IS_VENTILATION[new] & (roll < 0.08)
    wait = np.where(in_time, rng.integers(3, 6, len(who)), rng.integers(8, 40, len(who)))
    ordered = np.where(in_time | later | very_ill, cell + wait, NEVER_CELL)
    people.next_gas[who] = np.minimum(people.next_gas[who], ordered)


def take_gases(rng: np.random.Generator, people: Patients, count: int, cell: int) -> None:
    """Take the gases that are due, learn from them, and act on some."""
    who = np.flatnonzero(people.next_gas[:count] == cell)
    if not len(who):
        return
    at = people.first_cell[who] + cell * STEP
    shut = charting_is_shut(at)
    people.next_gas[who] = np.where(shut, cell + 6, NEVER_CELL)
    who, at = who[~shut], at[~shut]
    fixed, pco2, setting = people.fixed, people.pco2[who], people.setting[who]
    people.log["gases"].append((people.number[who], np.full(len(who), cell), setting))
    people.recognised[who] |= (pco2 > 6.0) & (rng.random(len(who)) < LEARNS_FROM_GAS.at(at))
    acid = ph(pco2, acute_bicarbonate(fixed.bicarbonate[who], fixed.pco2_usual[who], pco2)) < 7.32
    acts = acid & (pco2 > 6.3) & (rng.random(len(who)) < ACTS_ON_ACIDOSIS.at(at)) & ~IS_VENTILATION[setting]
    to_bilevel = acts & (pco2 > 8.0) & (rng.random(len(who)) < 0.5)
    new = np.where(to_bilevel, NUMBER["bilevel 28"], np.where(IS_HIGH[setting], NUMBER["valve 28"], setting))
    new = np.where(acts & (setting != AIR), new, setting)
    changed = np.flatnonzero(new != setting)
    people.setting[who] = new
    people.next_look[who[changed]] = np.minimum(people.next_look[who[changed]], cell + 3)
    people.next_gas[who[acts]] = cell + 8 + rng.integers(0, 6, int(acts.sum()))
    minute = rng.integers(5, 10, len(changed))
    people.log["devices"].append(
        (
            people.number[who[changed]],
            np.full(len(changed), cell),
            minute,
            new[changed],
            np.ones(len(changed), dtype=bool),
        )
    )
