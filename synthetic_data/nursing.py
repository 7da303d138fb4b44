"""What nurses do with an observation: read, judge it against the band, change the device, and come back later.

All functions work on the patients seen at one instant, one element each.
"""

from dataclasses import dataclass

import numpy as np

from synthetic_data.hospital import HOUR, STEP, Bools, Change, Floats, Ints, is_weekend, local_hour
from synthetic_data.oxygen import (
    AIR,
    BEST,
    DOWN,
    IS_BILEVEL,
    IS_CONTROLLED,
    IS_HIGH,
    IS_INVASIVE,
    IS_VENTILATION,
    NUMBER,
    UP,
)

# Spread of a charted reading about the truth, beside each patient's own bias. Oximeters are within 2-3 % of
# arterial saturation (root mean square, FDA guidance 2013; from memory); nurses wait for a steady figure.
READING_SPREAD_PERCENT = 0.8

STEPS_DOWN_AT_RISK = Change(0.13, 0.45)
STEPS_DOWN_OTHERWISE = Change(0.18, 0.20)
WEANS_AT_RISK = Change(0.18, 0.46)
WEANS_OTHERWISE = Change(0.18, 0.20)
OVERSHOOTS = Change(0.15, 0.03)
GOES_BEYOND_28 = Change(0.75, 0.28)
LOOKS_AGAIN_SOON = Change(0.35, 0.80)
CONTROLLED_DEVICE = Change(0.45, 0.85)
SLIPS = Change(0.008, 0.004)
REPEAT_GAS = Change(0.42, 0.84)


@dataclass(frozen=True)
class Seen:
    """The patients seen at one instant: the reading, the band the nurse has in mind, and the device in use."""

    at: Ints
    spo2: Floats
    respiratory_rate: Floats
    lower: Ints
    upper: Ints
    setting: Ints
    recognised: Bools
    settled: Ints
    care: Floats
    in_critical_care: Bools


def read_saturation(rng: np.random.Generator, saturation: Floats, bias: Floats) -> Floats:
    """The charted whole per cent: the truth, the patient's own bias and chance."""
    noise = rng.normal(0.0, READING_SPREAD_PERCENT, len(saturation))
    return np.clip(np.rint(saturation + bias + noise), 50, 100)


def read_respiratory_rate(rng: np.random.Generator, ratio: Floats) -> Floats:
    """Breaths a minute: faster the worse the lungs."""
    return np.clip(np.rint(15.5 + 16.0 * np.maximum(0.78 - ratio, 0) + rng.normal(0, 1.8, len(ratio))), 8, 45)


def change_device(rng: np.random.Generator, seen: Seen) -> Ints:
    """The setting after the observation: up when below the band, down (often not) when above it on oxygen."""
    roll = rng.random((6, len(seen.at)))
    deficit, over = seen.lower - seen.spo2, seen.spo2 - seen.upper
    on_oxygen = seen.setting != AIR
    controlled = (seen.recognised & (roll[0] < CONTROLLED_DEVICE.at(seen.at))) | IS_CONTROLLED[seen.setting]
    slips = on_oxygen & ~IS_VENTILATION[seen.setting] & (roll[1] < SLIPS.at(seen.at))
    # A point or two low is no reason to go beyond 28 % in a patient at risk, for those who were taught so.
    hesitates = seen.recognised & (deficit <= 2) & IS_HIGH[UP[seen.setting]]
    willing = np.where(hesitates, GOES_BEYOND_28.at(seen.at), 1.0)
    goes_up = (deficit > 0) & (roll[2] < np.where(deficit >= 2, 0.9, 0.35) * willing) | slips
    steps_down = np.where(seen.recognised, STEPS_DOWN_AT_RISK.at(seen.at), STEPS_DOWN_OTHERWISE.at(seen.at))
    # High oxygen is noticed sooner than one or two litres too much.
    noticed = np.where(seen.recognised, np.where(IS_HIGH[seen.setting], 2.0, 0.75), 1.0)
    chance_down = np.minimum(steps_down * seen.care * noticed + 0.12 * (over > 2), 0.95)
    goes_down = on_oxygen & (over > 0) & (roll[3] < chance_down)
    comfortable = on_oxygen & (over <= 0) & (seen.spo2 >= (seen.lower + seen.upper) / 2)
    long_settled = seen.settled >= np.where(IS_BILEVEL[seen.setting], 14, 2)
    chance_to_wean = np.where(seen.recognised, WEANS_AT_RISK.at(seen.at), WEANS_OTHERWISE.at(seen.at))
    weans = comfortable & long_settled & (roll[4] < chance_to_wean * seen.care)
    overshoots = (deficit >= 9) | ((roll[5] < OVERSHOOTS.at(seen.at)) & ~IS_VENTILATION[seen.setting])
    up = _rung_above(seen.setting, deficit, controlled, overshoots)
    down = _rung_below(seen.setting, over, controlled)
    stay_on_bilevel = IS_BILEVEL[seen.setting] & ~weans & (down == seen.setting)
    leaves_bilevel = IS_BILEVEL[seen.setting] & weans
    new = np.where(goes_up, up, np.where(goes_down | weans, down, seen.setting))
    new = np.where(leaves_bilevel & ~goes_up, NUMBER["valve 24"], new)
    new = np.where(IS_INVASIVE[seen.setting] | stay_on_bilevel & ~goes_up, seen.setting, new)
    return new


def _rung_above(setting: Ints, deficit: Floats, controlled: Bools, overshoots: Bools) -> Ints:
    from_air = np.where(
        controlled,
        np.where(deficit > 3, NUMBER["valve 28"], NUMBER["valve 24"]),
        np.where(deficit > 2, NUMBER["cannula 2"], NUMBER["cannula 1"]),
    )
    up = np.where(setting == AIR, from_air, UP[setting])
    rescue = np.where(controlled, NUMBER["valve 40"], NUMBER["reservoir 15"])
    far = np.where(deficit >= 9, rescue, np.where(deficit >= 4, NUMBER["mask 6"], NUMBER["cannula 4"]))
    return np.where(overshoots & (BEST[far] > BEST[up]), far, up)


def _rung_below(setting: Ints, over: Floats, controlled: Bools) -> Ints:
    down = DOWN[setting]
    down = np.where((over >= 4) & IS_HIGH[down], DOWN[down], down)
    tightened = np.select(
        [BEST[setting] > 0.45, BEST[setting] > 0.33], [NUMBER["valve 35"], NUMBER["valve 28"]], NUMBER["valve 24"]
    )
    switches = controlled & (over > 0) & (BEST[setting] > 0.25) & ~IS_VENTILATION[setting]
    return np.where(switches & (BEST[tightened] < BEST[setting]), tightened, down)


def warning_score(spo2: Floats, respiratory_rate: Floats, on_oxygen: Bools, scale_two: Bools) -> Ints:
    """The respiratory part of the early-warning score: saturation, oxygen and respiratory rate together."""
    rate = respiratory_rate
    breathing = np.select([rate >= 25, rate >= 21, rate >= 12, rate >= 9], [3, 2, 0, 1], default=3)
    return saturation_score(spo2, on_oxygen, scale_two) + 2 * on_oxygen + breathing


def saturation_score(spo2: Floats, on_oxygen: Bools, scale_two: Bools) -> Ints:
    """NEWS2 saturation score 0-3 (Royal College of Physicians 2017) on scale 1 or, where true, scale 2."""
    one = np.select([spo2 <= 91, spo2 <= 93, spo2 <= 95], [3, 2, 1], default=0)
    low = np.select([spo2 <= 83, spo2 <= 85, spo2 <= 87], [3, 2, 1], default=0)
    high = np.select([spo2 >= 97, spo2 >= 95, spo2 >= 93], [3, 2, 1], default=0)
    return np.where(scale_two, np.where(on_oxygen, np.maximum(low, high), low), one)


def next_look(rng: np.random.Generator, seen: Seen, new: Ints, hours_in: Floats) -> Ints:
    """Cells until the patient is next seen: by the score (NEWS2 chart 4: 12-hourly at 0, 4-6-hourly at 1-4, hourly
    from 5), sooner after a change, sometimes late, at night and at weekends more seldom."""
    count = len(seen.at)
    roll = rng.random((5, count))
    on_oxygen = new != AIR
    score = warning_score(seen.spo2, seen.respiratory_rate, on_oxygen, seen.upper <= 92)
    calm = np.where(hours_in < 24, rng.uniform(4.5, 6.5, count), rng.uniform(6.0, 12.5, count))
    hours = np.where(score == 0, calm, rng.uniform(3.6, 6.2, count))
    hours = np.where(score >= 5, rng.uniform(1.0, 3.0, count), hours)
    hours = np.where((score >= 7) | seen.in_critical_care | IS_VENTILATION[new], rng.uniform(0.8, 1.3, count), hours)
    changed = (new != seen.setting) & (roll[0] < 0.6)
    hours = np.where(changed, np.minimum(hours, rng.uniform(0.5, 1.6, count)), hours)
    low = (seen.spo2 < seen.lower) & (roll[4] < np.where(seen.recognised, LOOKS_AGAIN_SOON.at(seen.at), 0.25))
    hours = np.where(low, np.minimum(hours, rng.uniform(0.5, 1.5, count)), hours)
    hours = hours * np.where(roll[1] < 0.14, rng.uniform(1.2, 1.9, count), 1.0)
    hours = hours * np.where(is_weekend(seen.at), 1.1, 1.0)
    due = seen.at + (hours * HOUR).astype(np.int64)
    hour = local_hour(due)
    asleep = (hour >= 0.5) & (hour < 5.5) & (hours > 2.5) & (roll[2] < 0.55)
    due = np.where(asleep, due + ((6.0 - hour + roll[3]) * HOUR).astype(np.int64), due)
    return np.maximum((due - seen.at) // STEP, 1)
