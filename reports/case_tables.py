"""The tables of the case page in the order of a discussion; here the pathway, the episodes and the time above."""

from collections.abc import Collection, Sequence

import polars as pl

from pipeline.pathway.steps import STEPS
from pipeline.policy import Policy
from pipeline.vocabulary import EVIDENCE_IN_WORDS
from reports import case_gas_tables, case_words, wording
from reports.case_axis import clock
from reports.case_cells import Cell, Row, Table, difference_cell, gas_cell, made
from reports.case_record import Record

_DURING = {
    "above": "a reading above the band",
    "within": "readings in the band only",
    "below": "a reading below the band, none above",
    "none": "no reading under a target",
}


def tables(record: Record, policy: Policy, absent: Collection[str]) -> list[Table]:
    """The tables in the order of a discussion. absent: tables of the extract of which no load stored a row."""
    return [
        _pathway(record, absent),
        _episodes(record, absent),
        _excess(record, absent),
        case_gas_tables.changes(record, policy, absent),
        case_gas_tables.gases(record, policy, absent),
        case_gas_tables.doubtful(record, policy, absent),
        case_gas_tables.valves(record, absent),
    ]


def _pathway(record: Record, absent: Collection[str]) -> Table:
    steps = record.frames["pathway_steps"]
    present = steps["step"].unique(maintain_order=True).to_list()
    order = [step for step in STEPS if step in present] + [step for step in present if step not in STEPS]
    rows = [
        _step(record, row, is_first=number == 0)
        for step in order
        for number, row in enumerate(steps.filter(pl.col("step") == step).rows(named=True))
    ]
    return Table(
        "pathway",
        "Pathway steps",
        "Every step that became due, with the clock it is measured by. Excluded time is not on a clock. “Could not be "
        "told”: the stay or the need ended before the limit was up, or no end of a nebuliser is charted. Where no "
        "limit is published, only whether it was done while it was due. A missed step is a question for the team, not "
        "a finding of fault: reasons are not in these data.",
        ("Step and its clock", "Due from", "Done", "Minutes", "Limit", "Result", "Evidence of retention when due"),
        tuple(rows),
        case_words.nothing(("devices", "gases"), absent, "No step of the pathway became due in this stay."),
    )


def _step(record: Record, row: Row, is_first: bool) -> tuple[Cell, ...]:
    step = STEPS.get(row["step"])
    result = case_words.step_result(row["done"], row["limit_minutes"], row["in_time"])
    return (
        Cell(case_words.step_title(row["step"]), step.clock if step and is_first else ""),
        Cell(clock(row["started_at"], record.zone), "" if row["ward"] is None else f"ward {row['ward']}"),
        Cell(clock(row["done_at"], record.zone) if row["done"] else "not done"),
        Cell(_whole(row["minutes"]), "until done" if row["done"] else "waited"),
        Cell("none published" if row["limit_minutes"] is None else f"{row['limit_minutes']:g} min"),
        Cell(result, is_marked=result == case_words.MISSED),
        Cell("none yet" if row["retainer"] is None else wording.sentence_case(EVIDENCE_IN_WORDS[row["retainer"]])),
    )


def _episodes(record: Record, absent: Collection[str]) -> Table:
    def cells(row: Row) -> Sequence[Cell]:
        return (
            Cell(clock(row["started_at"], record.zone), "" if row["ward"] is None else f"ward {row['ward']}"),
            Cell(wording.duration(row["high_s"]), f"to {clock(row['ended_at'], record.zone)}"),
            _peak(record, row),
            Cell(case_words.limits(row["lower_percent"], row["upper_percent"])),
            Cell(_DURING[row["saturation_during"]], _from_to(row["spo2_min"], row["spo2_max"])),
            gas_cell(row, "before", row["started_at"]),
            gas_cell(row, "after", row["started_at"]),
            Cell("in time" if row["repeat_gas_in_time"] else "not in time"),
        )

    return Table(
        "episodes",
        "Episodes of high inspired oxygen",
        "With evidence of CO2 retention at any time of the stay. An episode without a reading above the band may have "
        "been oxygen that was needed: nothing here says that it should have been less.",
        (
            "Start",
            "High oxygen for",
            "Peak",
            "Target at start",
            "Saturation",
            "Gas before",
            "Followed by",
            "Repeat gas",
        ),
        made(record, "high_fio2_episodes", cells),
        case_words.nothing(("devices",), absent, "No episode of high inspired oxygen was found in this stay."),
    )


def _peak(record: Record, row: Row) -> Cell:
    """The highest inspired fraction with its range, which is that of the same device at the same fraction."""
    alike = record.frames["timeline"].filter(
        (pl.col("device") == row["device_at_peak"]) & (pl.col("fio2") == row["peak_fio2"])
    )
    low, high = alike.select(pl.col("fio2_low").min(), pl.col("fio2_high").max()).row(0)
    words = case_words.fraction(row["peak_fio2"], low, high)
    return Cell(words, f"{'recorded' if low == high else 'estimated'}; {case_words.device(row['device_at_peak'])}")


def _from_to(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return ""
    return f"{low:g} %" if low == high else f"{low:g}{wording.EN_DASH}{high:g} %"


def _excess(record: Record, absent: Collection[str]) -> Table:
    def cells(row: Row) -> Sequence[Cell]:
        litres = "not known" if row["litres"] is None else f"{row['litres']:,.0f} L"
        unknown = f"flow not known for {wording.duration(row['litres_unknown_s'])}" if row["litres_unknown_s"] else ""
        return (
            Cell(clock(row["started_at"], record.zone), "" if row["ward"] is None else f"ward {row['ward']}"),
            Cell(wording.duration(row["above_s"])),
            Cell(f"{row['highest_above_points']:g}", f"over {row['upper_percent']:g} %"),
            Cell(f"{row['percent_hours']:.1f}"),
            Cell(wording.sentence_case(case_words.device(row["device"]))),
            Cell(litres, unknown),
            gas_cell(row, "before", row["started_at"]),
            gas_cell(row, "after", row["started_at"]),
            difference_cell(row),
        )

    return Table(
        "above",
        "Runs above the band on oxygen",
        "Each run without a break outside excluded time. Percent-hours: points above the upper limit times hours. "
        "Litres: all oxygen that flowed meanwhile. Gases are timed from the start of the run. Sicker patients get more "
        "oxygen: what a gas shows afterwards need not come from it.",
        (
            "Start",
            "Lasted",
            "Highest, points",
            "Percent-hours",
            "Device",
            "Oxygen used",
            "Gas before",
            "Followed by",
            "Difference",
        ),
        made(record, "excess_runs", cells),
        case_words.nothing(("devices",), absent, "No time above the band on oxygen was found in this stay."),
    )


def _whole(minutes: float) -> str:
    if 0 < minutes < 1:
        return "under 1 min"
    return f"{minutes:,.0f} min" if minutes < 600 else f"{minutes:,.0f} min, {wording.duration(60 * minutes)}"
