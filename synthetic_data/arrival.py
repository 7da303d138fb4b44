"""The device a patient arrives with: what the ambulance or the front door thought best."""

import numpy as np

from synthetic_data.hospital import Bools, Change, Floats, Ints
from synthetic_data.nursing import CONTROLLED_DEVICE
from synthetic_data.oxygen import AIR, NUMBER
from synthetic_data.patients import Stays
from synthetic_data.physiology import arterial_po2_kpa, saturation_percent

TOO_MUCH_AT_RISK = Change(0.40, 0.16)
TOO_MUCH_OTHERWISE = Change(0.30, 0.22)


def device_on_arrival(rng: np.random.Generator, stays: Stays, recognised: Bools, pco2_kpa: Floats) -> Ints:
    """A setting for every stay, by the saturation on air; too generous for a share that shrinks with training."""
    count = stays.count
    on_air = saturation_percent(arterial_po2_kpa(np.full(count, 0.21), pco2_kpa, stays.ratio_acute))
    needs = on_air < np.where(recognised, 88, 94)
    roll = rng.random((3, count))
    generous = roll[0] < np.where(
        recognised, TOO_MUCH_AT_RISK.at(stays.admitted), TOO_MUCH_OTHERWISE.at(stays.admitted)
    )
    just_in_case = ~needs & (on_air < np.where(recognised, 92, 97)) & generous & (roll[1] < 0.45)
    controlled = recognised & (rng.random(count) < CONTROLLED_DEVICE.at(stays.admitted))
    fitting = np.where(
        controlled,
        np.where(on_air < 82, NUMBER["valve 28"], NUMBER["valve 24"]),
        np.where(
            (on_air < 85) & ~recognised,
            NUMBER["mask 6"],
            np.where((on_air < 90) & ~recognised, NUMBER["cannula 3"], NUMBER["cannula 2"]),
        ),
    )
    lavish = np.where(
        roll[2] < 0.3, NUMBER["reservoir 15"], np.where(roll[2] < 0.6, NUMBER["mask 6"], NUMBER["cannula 4"])
    )
    setting = np.where(needs, np.where(generous, lavish, fitting), AIR)
    setting = np.where(just_in_case, NUMBER["cannula 2"], setting)
    special = rng.random(count)
    setting = np.where(special < 0.006, NUMBER["tracheostomy 28"], setting)
    return np.where((special > 0.995) & needs, NUMBER["something else"], setting)
