/*
title = "Readings far above the band on oxygen"
question = "How many of the saturation readings were on oxygen and more than 2 points above the band prescribed then?"
kind = "share"
unit = "%"
of = "readings"
needs = ["devices"]
better = "lower"
numerator = "Readings on oxygen more than 2 points over the upper limit in force when they were taken."
denominator = "Readings taken under a prescribed target."
excludes = "Readings taken without a target or under an exclusion flag."
standard = """
    No published limit. For orientation only: 9 % of patients with a prescription were more than 2 points above their
    range in the British national audit of 2015, all of them with a low target (patients, not readings).
"""
source = """
    British Thoracic Society, national audit standards (2008) and categories of the national audits (2014); audit 2015
    (press text, April 2016). Error of the meter: FDA (2021), a reading of 90 % may be 86-94 %.
"""
caution = """
    Above the band on room air is not excess oxygen and never counts here; nor does a reading for which no device is
    known. Under 94-98 % nothing can be more than 2 points above, so it shows patients with a lower band only. No
    clock: a patient who is measured more often weighs more. Stands beside the readings far below, always.
"""
version = 1
changes = []
order = 285
part = "band"
*/
-- One row per stay, ward and month with any reading under a target.
select
    stay_id,
    ward,
    month,
    above_on_oxygen_by_more as numerator,
    readings as denominator
from band_distance;
