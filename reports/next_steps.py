"""What to do next, in a few sentences: where to look first, what to check, and what cannot be told.

They speak to those who run the audit, of records and charting: never of what one patient should be given.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.measure_file import Measure
from reports import wording
from reports.figures import GroupFigures, State, pick
from reports.where_words import ABOVE, BELOW, DIMENSIONS, Row, elsewhere, hours, is_apart, lying, places_of, whole_of

_LOOKED_AT = ("ward", "device", "night", "day")
# What a table that was never loaded would tell.
_WOULD_TELL = {
    "devices": "who was on oxygen, and through what",
    "gases": "whether CO2 retention was looked for and what followed",
    "wards": "where in the hospital it happened",
    "flags": "which time is not to be judged",
}


@dataclass(frozen=True)
class Step:
    """One sentence or two: what to do in a few words, and what it rests on. link: the section it leads to, or empty."""

    lead: str
    rest: str
    link: str = ""


def steps(
    rows: pl.DataFrame,
    figures: GroupFigures,
    measures: Sequence[Measure],
    measured: pl.DataFrame,
    any_to_review: bool,
    small: float,
    absent: Collection[str] = (),
) -> list[Step]:
    """Three to five. rows: `where_pooled` of the CO2 retainers. figures: theirs. measured: small counts suppressed."""
    shown = figures.state is State.SHOWN and "devices" not in absent and rows.height > 0
    made = [
        _where(rows, small) if shown else None,
        _review(any_to_review),
        _pathway(measures, measured, figures.month, absent),
        _both_sides(rows) if shown else None,
        _untold(figures, absent),
    ]
    return [step for step in made if step]


def _where(rows: pl.DataFrame, small: float) -> Step:
    whole = whole_of(rows)
    assert whole is not None
    places = [(key, row) for key in _LOOKED_AT for row in places_of(rows, key)]
    apart = [(key, row) for key, row in places if is_apart(row, ABOVE, small) > 0]
    also = [lying(row, key) for key, row in places if is_apart(row, BELOW, small) > 0]
    below = f" Time below the band stands apart {wording.listed_in_words(also)}." if also else ""
    if not whole["above_on_oxygen_s"]:
        return Step("Look at time below the band first.", f"No time above it on oxygen was observed.{below}", "where")
    if not apart:
        return Step(
            "Look at how oxygen is set and lowered everywhere.",
            "No ward, device or time of day or week has more time above the band on oxygen than chance allows, so "
            f"there is no one place to begin.{_most_hours(rows, whole)}{below}",
            "where",
        )
    key, first = max(apart, key=lambda found: (found[1]["above_on_oxygen_s"], -places.index(found)))
    return Step(
        f"Look first at the time {lying(first, key)}.",
        f"{_part(first, whole)} above the band on oxygen lie there: "
        f"{wording.percent(first['share_above_on_oxygen'])} of the observed time, "
        f"{wording.percent(elsewhere(first, ABOVE))} {DIMENSIONS[key].elsewhere}.{below}",
        "where",
    )


def _most_hours(rows: pl.DataFrame, whole: Row) -> str:
    """The device with more than half of the time above, as a plain fact; empty where there is none."""
    whole_s = whole["above_on_oxygen_s"]
    for row in places_of(rows, "device"):
        if row["pooled"] is None and 2 * row["above_on_oxygen_s"] > whole_s:
            return f" In hours, most of the time above was {lying(row, 'device')}: {_part(row, whole)}."
    return ""


def _part(row: Row, whole: Row) -> str:
    return f"{hours(row['above_on_oxygen_s'])} of the {hours(whole['above_on_oxygen_s'])}"


def _review(any_to_review: bool) -> Step:
    if not any_to_review:
        return Step("No stay stands out for review.", "None meets a reason of the list for the audit team.", "stays")
    return Step(
        "Have the audit team open the records of the stays listed for them.",
        "Each says why it is there and how to draw it. Judge whether the oxygen was needed, whether the target was "
        "right, and what was known; anything that looks like harm goes to the incident system the same day.",
        "stays",
    )


def _pathway(measures: Sequence[Measure], measured: pl.DataFrame, month: str, absent: Collection[str]) -> Step | None:
    """The timed step that was done in time least often in CO2 retainers."""
    found = []
    for measure in measures:
        timed = measure.part == "pathway" and measure.of == "events" and measure.better == "higher"
        if not timed or measure.kind != "share" or set(measure.needs) & set(absent):
            continue
        row = pick(measured.filter(pl.col("measure_id") == measure.id), month, None, "retainer")
        if row is not None and not row["suppressed"] and row["result"] is not None:
            found.append((row["result"], measure, row))
    if not found:
        return None
    found.sort(key=lambda each: (each[0], each[1].id))
    share, measure, row = found[0]
    interval = wording.percent_interval(row["low"], row["high"], share)
    near = [f"“{other.title}”" for _, other, its in found[1:] if its["low"] <= row["high"]]
    like = f" Not clearly apart from it: {wording.listed_in_words(near)}." if near else ""
    return Step(
        f"Check the step “{measure.title}”.",
        f"Of the steps of the pathway it was met least often in CO2 retainers: {wording.percent(share)} ({interval}). "
        f"Find out from a handful of records whether it was not done or not charted.{like}",
        "measures",
    )


def _both_sides(rows: pl.DataFrame) -> Step:
    whole = whole_of(rows)
    assert whole is not None
    return Step(
        "Judge any change by both sides of the band.",
        f"This month {hours(whole['above_on_oxygen_s'])} above on oxygen stand beside {hours(whole['below_s'])} below: "
        "less of one with more of the other is no improvement.",
        "trend",
    )


def _untold(figures: GroupFigures, absent: Collection[str]) -> Step | None:
    """The largest gap, and what would close it."""
    missing = [table for table in _WOULD_TELL if table in absent]
    if missing:
        told = wording.listed_in_words([_WOULD_TELL[table] for table in missing])
        return Step(
            "Ask for what is missing.",
            f"Without {wording.listed_in_words(missing)} it cannot be told {told}.",
            "quality",
        )
    if figures.state not in (State.SHOWN, State.UNOBSERVED):
        return None
    unseen, without, unknown = figures.unobserved_s, figures.no_target_s, figures.above_device_unknown_s
    if not max(unseen, without, unknown):
        return None
    if unseen == max(unseen, without, unknown):
        on_oxygen, on_air = (
            wording.percent(figures.of_target_time(seconds))
            for seconds in (figures.unobserved_on_oxygen_s, figures.unobserved_on_air_s)
        )
        return Step(
            "Close the largest gap: time without a reading.",
            f"For {wording.percent(figures.of_target_time(unseen))} of the CO2 retainers' time under a target nobody "
            f"can tell where the saturation was: {on_oxygen} on oxygen, where it matters most, and {on_air} on air, "
            "where readings every twelve hours can be good practice. Readings charted more often on oxygen, or those "
            "of monitors in the extract, would tell.",
            "quality",
        )
    if without >= unknown:
        return Step(
            "Close the largest gap: time without a target.",
            f"For {wording.percent(figures.no_target_share)} of the CO2 retainers' time no target was in force, so "
            "nothing can be judged against one. Targets charted from the first oxygen on would tell.",
            "quality",
        )
    return Step(
        "Close the largest gap: time with no device charted.",
        f"For {wording.percent(figures.of_observed_time(unknown))} of the CO2 retainers' observed time the saturation "
        "was above the band and nobody can tell whether oxygen ran. Devices charted at least daily would tell.",
        "quality",
    )
