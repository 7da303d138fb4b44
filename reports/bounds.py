"""What each measure could not see, and between which results it would lie had it seen everything.

The only arithmetic: once all that was unseen is taken to lie on one side, once on the other.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.catalogue import Measure
from reports import wording
from reports.figures import pick
from reports.measures import PERCENT, written

_Row = Mapping[str, Any]


@dataclass(frozen=True)
class Bounds:
    """One measure: its result, what it could not see, and the lowest and highest it could be (an en dash: no end)."""

    title: str
    result: str
    unseen: str
    lowest: str
    highest: str


@dataclass(frozen=True)
class Seen:
    """What is known of one measure's month, hospital-wide: its row and that of the band time, both not suppressed.

    unknown: see `store_tables.unknown`. episodes: those that started in the month. result: as the report shows it.
    """

    row: _Row
    time: _Row
    unknown: _Row
    episodes: pl.DataFrame
    result: str

    @property
    def part(self) -> float:
        return float(self.row["numerator"])

    @property
    def whole(self) -> float:
        return float(self.row["denominator"])


# What could not be seen, in words, then the lowest and the highest.
_Told = tuple[str, str, str]


def bounds(
    measures: Sequence[Measure],
    measured: pl.DataFrame,
    summary: pl.DataFrame,
    unknown: _Row,
    episodes: pl.DataFrame,
    month: str,
) -> list[Bounds]:
    """One row per measure, in the catalogue's order.

    measured, summary: `measure_summary` and `month_summary` with small counts suppressed.
    """
    time = pick(summary, month, None, None)
    return [
        _bounds(
            measure,
            pick(measured.filter(pl.col("measure_id") == measure.id), month, None, None),
            time,
            unknown,
            episodes,
        )
        for measure in measures
    ]


def _bounds(measure: Measure, row: _Row | None, time: _Row | None, unknown: _Row, episodes: pl.DataFrame) -> Bounds:
    nothing = wording.NOTHING
    if row is None or time is None:
        return Bounds(measure.title, nothing, "Nobody eligible.", nothing, nothing)
    if row["suppressed"] or time["suppressed"]:
        return Bounds(measure.title, nothing, "Not shown: small numbers.", nothing, nothing)
    result = written(measure.unit, row["result"])
    if measure.unit != PERCENT and row["result"] is not None:
        result = f"{result} {measure.unit}"
    told = _MEASURES.get(measure.id, _by_kind(measure))(Seen(row, time, unknown, episodes, result))
    return Bounds(measure.title, result, *told)


def _between(words: str, lowest: tuple[float, float], highest: tuple[float, float]) -> _Told:
    ends = (wording.percent(part / whole if whole else None) for part, whole in (lowest, highest))
    return (f"{words}.", *ends)  # type: ignore[return-value]


def _of(part: float, whole: float) -> str:
    return wording.percent(part / whole if whole else None)


def _in_band(seen: Seen) -> _Told:
    unseen = seen.time["unobserved_s"]
    every = seen.whole + unseen
    words = f"{_of(unseen, every)} of the time under a target was not observed"
    return _between(words, (seen.part, every), (seen.part + unseen, every))


def _above_on_oxygen(seen: Seen) -> _Told:
    every = seen.whole + seen.time["unobserved_s"]
    perhaps = seen.time["unobserved_s"] - seen.time["unobserved_on_air_s"] + seen.time["above_device_unknown_s"]
    words = (
        f"For {_of(perhaps, every)} of the time under a target nobody can tell: not observed and not on air, or above "
        "the band with the device unknown"
    )
    return _between(words, (seen.part, every), (seen.part + perhaps, every))


def _without_target(seen: Seen) -> _Told:
    without, under = seen.unknown["no_target_s"], seen.unknown["target_s"]
    words = f"For {wording.duration(without + under)} it is not known whether oxygen ran"
    return _between(words, (seen.part, seen.whole + under), (seen.part + without, seen.whole + without))


def _unobserved(seen: Seen) -> _Told:
    unobserved, under = seen.unknown["unobserved_s"], seen.unknown["target_s"]
    words = f"For {wording.duration(under)} under a target it is not known whether oxygen ran"
    lowest = (seen.part, seen.whole + under - unobserved)
    return _between(words, lowest, (seen.part + unobserved, seen.whole + unobserved))


def _avoidable(seen: Seen) -> _Told:
    unseen = int((seen.episodes["saturation_during"] == "none").sum())
    words = f"{unseen:,} of {wording.counted(int(seen.whole), 'episode')} had no reading under a target"
    return _between(words, (seen.part, seen.whole), (seen.part + unseen, seen.whole))


def _acidosis(seen: Seen) -> _Told:
    unseen = int(seen.episodes["acidosis_after"].is_null().sum())
    words = f"{unseen:,} of {wording.counted(seen.episodes.height, 'episode')} had no later gas that tells"
    return _between(words, (seen.part, seen.whole + unseen), (seen.part + unseen, seen.whole + unseen))


def _gas_in_time(seen: Seen) -> _Told:
    words = "A gas that does not reach the extract counts as not taken; had all been, the highest would hold."
    return words, seen.result, wording.percent(1.0)


def _episode_rate(seen: Seen) -> _Told:
    unseen = _of(seen.unknown["retainer_fraction_unknown_s"], seen.unknown["retainer_s"])
    words = f"The inspired fraction was unknown for {unseen} of the time; how many episodes it held nobody can tell."
    return words, seen.result, wording.NOTHING


def _waiting(seen: Seen) -> _Told:
    waiting = seen.unknown["not_yet_come"].get(seen.row["measure_id"], 0)
    words = f"For {waiting:,} of {seen.row['events']:,} it had not come when the stay ended; they count as longer."
    return words, wording.NOTHING, wording.NOTHING


def _readings(seen: Seen) -> _Told:
    words = "It counts readings, not time: what was not charted has no share in it, and no end can be given."
    return words, wording.NOTHING, wording.NOTHING


def _done_in_time(seen: Seen) -> _Told:
    words = "What does not reach the extract counts as not done; had all been done, the highest would hold."
    return words, seen.result, wording.percent(1.0)


def _charted_only(seen: Seen) -> _Told:
    words = "It rests on what was charted: where it cannot be told, nothing is counted, and no end can be given."
    return words, wording.NOTHING, wording.NOTHING


def _by_kind(measure: Measure) -> Callable[[Seen], _Told]:
    """What holds of every measure of its kind, where no more was worked out for the measure itself."""
    if measure.kind == "median":
        return _waiting
    return _readings if measure.of == "readings" else _charted_only


_MEASURES: Mapping[str, Callable[[Seen], _Told]] = {
    "share_below": _in_band,
    "share_within": _in_band,
    "share_above_on_oxygen": _above_on_oxygen,
    "unobserved_on_oxygen": _unobserved,
    "oxygen_without_target": _without_target,
    "high_fio2_episode_rate": _episode_rate,
    "avoidable_episodes": _avoidable,
    "repeat_gas_in_time": _gas_in_time,
    "acidosis_after_episode": _acidosis,
    **dict.fromkeys(
        (
            "oxygen_stays_with_target",
            "target_within_hour",
            "gas_after_more_oxygen",
            "bilevel_within_hour_of_gas",
            "bilevel_within_two_hours_of_arrival",
        ),
        _done_in_time,
    ),
    # Hours and doses that are whole when the stay ends: nothing is waited for.
    **dict.fromkeys(("excess_hours", "excess_percent_hours", "excess_litres"), _charted_only),
    **dict.fromkeys(("scale_matches_target", "score_as_charted"), _charted_only),
}
