"""The rows of the chart of one stay that are bars or symbols in time: each has a name and a total in words."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from pipeline.pathway.steps import STEPS
from pipeline.vocabulary import BAND_STATES, OBSERVED_STATES
from reports import case_words, wording
from reports.case_record import Record, runs
from reports.charts import INK, PAGE, SHADES
from reports.palette import light

_FILLS = {"below": SHADES["below"], "within": SHADES["within"], "above_on_oxygen": SHADES["above"]}
_MISSED, _NOT_DONE, _UNTOLD, _DONE = INK, SHADES["above"], SHADES["within"], PAGE
_RESULT_FILLS = {
    case_words.MET: _DONE,
    case_words.DONE: _DONE,
    case_words.MISSED: _MISSED,
    case_words.NOT_DONE: _NOT_DONE,
    case_words.UNTOLD: _UNTOLD,
}
RESULTS_IN_KEY = (
    ("met, or done where no limit is published", _DONE),
    ("limit missed", _MISSED),
    ("not done, no limit published", _NOT_DONE),
    ("could not be told", _UNTOLD),
)


_DURING = {"above": "reading above", "within": "in band", "below": "reading below", "none": "no reading under a target"}


@dataclass(frozen=True)
class Part:
    """One bar `[started_at, ended_at)`; words are written in it where they fit."""

    started_at: datetime
    ended_at: datetime
    fill: str = PAGE
    words: str = ""
    ink: str = INK


@dataclass(frozen=True)
class Symbol:
    """One symbol at an instant; kind: the kind of sample."""

    at: datetime
    kind: str


@dataclass(frozen=True)
class Row:
    """One row of the chart; state: the band state it shows (empty: none)."""

    name: str
    parts: tuple[Part, ...] = ()
    symbols: tuple[Symbol, ...] = ()
    total: str = ""
    state: str = ""


def groups(record: Record) -> Mapping[str, list[Row]]:
    """The rows by lane: ward, band, device, pattern, pathway; only rows that hold anything."""
    return {
        "ward": _wards(record),
        "band": [*_states(record), *_excluded(record)],
        "device": [*_episodes(record), *_devices(record)],
        "pattern": _patterns(record),
        "pathway": _pathway(record),
    }


def after_audited(record: Record, start: datetime, minutes: float) -> datetime:
    """The instant this many audited minutes after `start`: excluded time is passed over."""
    left = timedelta(minutes=minutes)
    at = start
    excluded = runs(record.frames["timeline"], "excluded").filter(pl.col("excluded").is_not_null())
    for pause in excluded.filter(pl.col("ended_at") > start).rows(named=True):
        if at + left <= pause["started_at"]:
            break
        left -= max(pause["started_at"] - at, timedelta(0))
        at = max(pause["ended_at"], at)
    return min(at + left, record.ended_at)


def _wards(record: Record) -> list[Row]:
    found = runs(record.frames["timeline"], "ward")
    return [
        Row(
            "Ward not charted" if ward is None else f"Ward {ward}",
            tuple(Part(start, end, SHADES["within"]) for start, end in _times(rows)),
            total=wording.duration(_seconds(rows)),
        )
        for ward, rows in _by(found, "ward")
    ]


def _states(record: Record) -> list[Row]:
    found = runs(record.frames["timeline"], "band_state").filter(pl.col("band_state") != "excluded")
    seconds = {state: _seconds(rows) for state, rows in _by(found, "band_state")}
    observed = sum(seconds.get(state, 0) for state in OBSERVED_STATES)
    rows = []
    for state in BAND_STATES:
        if state not in seconds:
            continue
        share = f", {wording.percent(seconds[state] / observed)}" if state in OBSERVED_STATES else ""
        rows.append(
            Row(
                wording.sentence_case(case_words.STATE_IN_WORDS[state]),
                tuple(
                    Part(start, end, _FILLS.get(state, PAGE))
                    for start, end in _times(found.filter(pl.col("band_state") == state))
                ),
                total=wording.duration(seconds[state]) + share,
                state=state,
            )
        )
    return rows


def _excluded(record: Record) -> list[Row]:
    found = runs(record.frames["timeline"], "excluded").filter(pl.col("excluded").is_not_null())
    return [
        Row(
            f"Not audited: {case_words.exclusion_short(reason or '')}",
            tuple(Part(start, end, light("excluded")) for start, end in _times(rows)),
            total=wording.duration(_seconds(rows)),
            state="excluded",
        )
        for reason, rows in _by(found, "excluded")
    ]


def _episodes(record: Record) -> list[Row]:
    found = record.frames["high_fio2_episodes"]
    if found.is_empty():
        return []
    parts = tuple(
        Part(row["started_at"], row["ended_at"], INK, _DURING.get(row["saturation_during"], ""), PAGE)
        for row in found.rows(named=True)
    )
    total = f"{found.height}, {wording.duration(float(found['high_s'].sum()))}"
    return [Row("Episode of high oxygen", parts, total=total)]


def _devices(record: Record) -> list[Row]:
    found = runs(record.frames["timeline"], "device", "flow_l_min", "fio2", "fio2_low", "fio2_high", "on_oxygen")
    rows = []
    for device, parts in _by(found, "device"):
        seconds = _seconds(parts)
        rows.append(
            Row(
                wording.sentence_case(case_words.device(device)),
                tuple(
                    Part(row["started_at"], row["ended_at"], _device_fill(row), _setting(row))
                    for row in parts.rows(named=True)
                ),
                total=wording.duration(seconds),
            )
        )
    return rows


def _device_fill(row: Mapping[str, object]) -> str:
    return SHADES["within"] if row["on_oxygen"] else PAGE


def _setting(row: Mapping[str, object]) -> str:
    flow, best = row["flow_l_min"], row["fio2"]
    words = [f"{100 * best:.4g} %"] if isinstance(best, float) and row["device"] == "air_entrainment_mask" else []
    words += [f"{flow:g} L/min"] if isinstance(flow, float) else []
    return ", ".join(words)


def _patterns(record: Record) -> list[Row]:
    gases = record.frames["gas_findings"]
    named: dict[str, list[Symbol]] = {}
    for row in gases.rows(named=True):
        words = wording.sentence_case(case_words.pattern_short(row["pattern"]))
        named.setdefault(words, []).append(Symbol(row["taken_at"], row["sample_type"]))
    return [
        Row(words, symbols=tuple(symbols), total=wording.counted(len(symbols), "gas", "gases"))
        for words, symbols in named.items()
    ]


def _pathway(record: Record) -> list[Row]:
    found = record.frames["pathway_steps"]
    present = found["step"].unique(maintain_order=True).to_list()
    order = [step for step in STEPS if step in present] + [step for step in present if step not in STEPS]
    return [_step(record, step, found.filter(pl.col("step") == step)) for step in order]


def _step(record: Record, step: str, found: pl.DataFrame) -> Row:
    parts, counts = [], dict.fromkeys(_RESULT_FILLS, 0)
    for row in found.rows(named=True):
        result = case_words.step_result(row["done"], row["limit_minutes"], row["in_time"])
        end = row["done_at"] or after_audited(record, row["started_at"], row["minutes"])
        parts.append(Part(row["started_at"], end, _RESULT_FILLS[result]))
        counts[result] += 1
    total = ", ".join(f"{count} {_IN_SHORT.get(result, result)}" for result, count in counts.items() if count)
    return Row(case_words.step_short(step), tuple(parts), total=total)


_IN_SHORT = {case_words.UNTOLD: "not told"}


def _by(frame: pl.DataFrame, column: str) -> list[tuple[str | None, pl.DataFrame]]:
    """The rows by value of a column, in the order in which the values first come."""
    return [(part[column][0], part) for part in frame.partition_by(column, maintain_order=True)]


def _seconds(frame: pl.DataFrame) -> float:
    return float(frame["seconds"].sum())


def _times(frame: pl.DataFrame) -> list[tuple[datetime, datetime]]:
    return [(row["started_at"], row["ended_at"]) for row in frame.rows(named=True)]
