"""The ways of giving oxygen on the invented wards, as a ladder: what comes next above and below each.

`best` is a rough inspired fraction of the kind found in ward handbooks (nasal cannula 24, 28, 32, 36 % for 1-4
L/min; simple mask 40, 50, 60 % for 5, 6, 7-8 L/min; reservoir mask 95 % from 10 L/min; entrainment masks as printed;
oxygen-driven nebuliser about 50 %). Entrainment masks are named by printed concentration and flow.
"""

from typing import NamedTuple

import numpy as np

from pipeline.vocabulary import DEVICES, NEBULISER, ROOM_AIR
from synthetic_data.hospital import Bools, Floats, Ints


class Setting(NamedTuple):
    """A device as set: flow in L/min and inspired fraction as they would be charted, and the rungs beside it."""

    name: str
    device: str
    flow_l_min: float | None
    fio2_fraction: float | None
    best: float
    up: str
    down: str


SETTINGS = (
    Setting("air", ROOM_AIR, None, None, 0.21, "cannula 2", "air"),
    Setting("cannula 1", "nasal_cannula", 1, None, 0.24, "cannula 2", "air"),
    Setting("cannula 2", "nasal_cannula", 2, None, 0.28, "cannula 3", "cannula 1"),
    Setting("cannula 3", "nasal_cannula", 3, None, 0.32, "cannula 4", "cannula 2"),
    Setting("cannula 4", "nasal_cannula", 4, None, 0.36, "mask 6", "cannula 2"),
    Setting("mask 5", "simple_mask", 5, None, 0.40, "mask 8", "cannula 3"),
    Setting("mask 6", "simple_mask", 6, None, 0.50, "reservoir 10", "cannula 4"),
    Setting("mask 8", "simple_mask", 8, None, 0.60, "reservoir 15", "cannula 4"),
    Setting("reservoir 10", "reservoir_mask", 10, None, 0.95, "reservoir 15", "mask 6"),
    Setting("reservoir 15", "reservoir_mask", 15, None, 0.95, "high flow 60", "mask 6"),
    Setting("valve 24", "air_entrainment_mask", 2, 0.24, 0.24, "valve 28", "air"),
    Setting("valve 28", "air_entrainment_mask", 4, 0.28, 0.28, "valve 31", "valve 24"),
    Setting("valve 31", "air_entrainment_mask", 6, 0.31, 0.31, "valve 35", "valve 28"),
    Setting("valve 35", "air_entrainment_mask", 8, 0.35, 0.35, "valve 40", "valve 28"),
    Setting("valve 40", "air_entrainment_mask", 10, 0.40, 0.40, "valve 60", "valve 35"),
    Setting("valve 60", "air_entrainment_mask", 15, 0.60, 0.50, "reservoir 15", "valve 40"),
    Setting("high flow 40", "high_flow_nasal", 40, 0.40, 0.40, "high flow 60", "cannula 4"),
    Setting("high flow 60", "high_flow_nasal", 50, 0.60, 0.60, "high flow 60", "high flow 40"),
    Setting("bilevel 24", "bilevel_niv", None, 0.24, 0.24, "bilevel 28", "bilevel 24"),
    Setting("bilevel 28", "bilevel_niv", None, 0.28, 0.28, "bilevel 35", "bilevel 24"),
    Setting("bilevel 35", "bilevel_niv", None, 0.35, 0.35, "bilevel 35", "bilevel 28"),
    Setting("cpap 40", "cpap", None, 0.40, 0.40, "cpap 40", "cannula 4"),
    Setting("ventilator 40", "invasive_ventilation", None, 0.40, 0.40, "ventilator 40", "ventilator 40"),
    Setting("tracheostomy 28", "tracheostomy_mask", 5, 0.28, 0.28, "tracheostomy 35", "tracheostomy 28"),
    Setting("tracheostomy 35", "tracheostomy_mask", 8, 0.35, 0.35, "tracheostomy 35", "tracheostomy 28"),
    Setting("something else", "other", 2, None, 0.28, "mask 6", "air"),
    Setting("nebuliser", NEBULISER, 8, None, 0.50, "nebuliser", "nebuliser"),
)
NUMBER = {setting.name: number for number, setting in enumerate(SETTINGS)}
AIR, NEBULISING = NUMBER["air"], NUMBER["nebuliser"]
_DEVICE_OF = [setting.device for setting in SETTINGS]
assert set(_DEVICE_OF) == set(DEVICES), "every device of the vocabulary has a rung"

BEST: Floats = np.array([setting.best for setting in SETTINGS])
UP: Ints = np.array([NUMBER[setting.up] for setting in SETTINGS])
DOWN: Ints = np.array([NUMBER[setting.down] for setting in SETTINGS])


def _is(*devices: str) -> Bools:
    return np.array([device in devices for device in _DEVICE_OF])


IS_VENTILATION: Bools = _is("bilevel_niv", "invasive_ventilation", "cpap", "high_flow_nasal")
IS_BILEVEL: Bools = _is("bilevel_niv")
IS_INVASIVE: Bools = _is("invasive_ventilation")
IS_EXACT: Bools = IS_VENTILATION | _is("air_entrainment_mask", "tracheostomy_mask", ROOM_AIR)
IS_CONTROLLED: Bools = _is("air_entrainment_mask", "bilevel_niv", "invasive_ventilation", "tracheostomy_mask")
# 28 % is controlled oxygen; the margin keeps floating-point noise from making it high.
IS_HIGH: Bools = BEST > 0.285
