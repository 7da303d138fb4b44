/*
title = "Readings far below the band"
question = "How many of the saturation readings were more than 2 points below the band prescribed at that moment?"
kind = "share"
unit = "%"
of = "readings"
better = "lower"
numerator = "Readings more than 2 points under the lower limit in force when they were taken."
denominator = "Readings taken under a prescribed target."
excludes = "Readings taken without a target or under an exclusion flag."
standard = "No published limit. National audits report readings below the band by 1, by 2 and by more than 2 points."
source = """
    British Thoracic Society, national audit standards (2008) and categories of the national audits (2014); audit 2015
    (press text, April 2016). Error of the meter: FDA (2021), a reading of 90 % may be 86-94 %.
"""
caution = """
    One reading 1 point outside is within the error of the meter; more than 2 points is not. No clock: a patient who
    is measured more often weighs more, and the sickest are measured most often. Fractional values are not rounded.
    Stands beside the readings far above on oxygen, always: less of one with more of the other is no improvement.
"""
version = 1
changes = []
order = 280
part = "band"
*/
-- One row per stay, ward and month with any reading under a target.
select
    stay_id,
    ward,
    month,
    below_by_more as numerator,
    readings as denominator
from band_distance;
