"""What was charted in one stay, as tables under its chart: the same figures for those who do not see the chart."""

from collections.abc import Collection, Sequence
from datetime import datetime

from pipeline.vocabulary import EXCLUSION_FLAGS
from reports import case_words, wording
from reports.case_axis import clock
from reports.case_cells import Cell, Row, Table, made
from reports.case_record import Record, readings_with_state, runs

MOST_READINGS = 1_500


def tables(record: Record, absent: Collection[str]) -> list[Table]:
    """Readings, device records, what was in force when, targets, ward moves and flags, as charted."""
    return [_readings(record), _oxygen(record), _devices(record, absent), _targets(record), _wards(record, absent),
            _flags(record, absent)]  # fmt: skip


def _readings(record: Record) -> Table:
    found = readings_with_state(record)
    left_out = max(found.height - MOST_READINGS, 0)
    rows = tuple(
        (
            Cell(clock(row["taken_at"], record.zone)),
            Cell(f"{row['spo2_percent']:g} %"),
            Cell(case_words.limits(row["lower_percent"], row["upper_percent"])),
            Cell(wording.sentence_case(case_words.STATE_IN_WORDS[row["band_state"]])),
            Cell(wording.NOTHING if row["respiratory_rate"] is None else f"{row['respiratory_rate']:g}"),
            Cell(_score(row)),
            Cell(row["source"] or wording.NOTHING),
        )
        for row in found.head(MOST_READINGS).rows(named=True)
    )
    rest = f" The first {MOST_READINGS:,} are listed; {left_out:,} more are in the timeline of `bandaudit export`."
    return Table(
        "readings",
        "Saturation readings",
        "Every reading as charted, and where it lay to the band in force." + (rest if left_out else ""),
        ("Taken", "Saturation", "Target in force", "Judged", "Breaths a minute", "Saturation score charted", "Source"),
        rows,
        "No saturation reading is charted in this stay.",
    )


def _score(row: Row) -> str:
    if row["spo2_score"] is None and row["ews_scale"] is None:
        return wording.NOTHING
    score = "not charted" if row["spo2_score"] is None else f"{row['spo2_score']}"
    return f"{score}, scale {'not charted' if row['ews_scale'] is None else row['ews_scale']}"


def _oxygen(record: Record) -> Table:
    found = runs(record.frames["timeline"], "device", "flow_l_min", "fio2", "fio2_low", "fio2_high")
    rows = tuple(
        (
            Cell(clock(row["started_at"], record.zone)),
            Cell(clock(row["ended_at"], record.zone)),
            Cell(wording.duration(row["seconds"])),
            Cell(wording.sentence_case(case_words.device(row["device"]))),
            _flow(row),
            Cell(case_words.fraction(row["fio2"], row["fio2_low"], row["fio2_high"])),
        )
        for row in found.rows(named=True)
    )
    return Table(
        "in-force",
        "Device in force and inspired oxygen",
        "As the audit read the records: best estimate with its low and high; without a range it was recorded.",
        ("From", "To", "For", "Device in force", "Oxygen flow", "Inspired oxygen"),
        rows,
        "No device is known in this stay.",
    )


def _devices(record: Record, absent: Collection[str]) -> Table:
    def cells(row: Row) -> Sequence[Cell]:
        return (
            Cell(clock(row["started_at"], record.zone)),
            Cell("no end charted" if row["ended_at"] is None else clock(row["ended_at"], record.zone)),
            Cell(wording.sentence_case(case_words.device(row["device"]))),
            _flow(row),
            Cell("not recorded" if row["fio2_fraction"] is None else case_words.fraction(row["fio2_fraction"])),
        )

    return Table(
        "devices",
        "Device records",
        "As charted.",
        ("Start", "End", "Device", "Oxygen flow", "Fraction recorded or printed"),
        made(record, "devices", cells),
        case_words.nothing(("devices",), absent, "No device record is charted in this stay."),
    )


def _targets(record: Record) -> Table:
    def cells(row: Row) -> Sequence[Cell]:
        return (
            Cell(clock(row["prescribed_at"], record.zone)),
            Cell(case_words.limits(row["lower_percent"], row["upper_percent"])),
            Cell("not charted" if row["stopped_at"] is None else clock(row["stopped_at"], record.zone)),
        )

    return Table(
        "targets",
        "Targets",
        "As prescribed. Whether a target was right for the patient is for the clinician: guidelines differ.",
        ("Prescribed", "Target", "Stopped"),
        made(record, "targets", cells),
        "No target was prescribed in this stay.",
    )


def _wards(record: Record, absent: Collection[str]) -> Table:
    return Table(
        "wards",
        "Ward moves",
        "As charted.",
        ("Ward entered", "Ward"),
        made(record, "wards", lambda row: (Cell(clock(row["entered_at"], record.zone)), Cell(row["ward"]))),
        case_words.nothing(("wards",), absent, "No ward is charted in this stay."),
    )


def _flags(record: Record, absent: Collection[str]) -> Table:
    def cells(row: Row) -> Sequence[Cell]:
        return (
            Cell(clock(row["flagged_at"], record.zone), _before(row["flagged_at"], record)),
            Cell(wording.sentence_case(case_words.flag(row["flag"]))),
            Cell("until the end" if row["until_at"] is None else clock(row["until_at"], record.zone)),
            Cell("time not audited" if row["flag"] in EXCLUSION_FLAGS else "risk"),
        )

    return Table(
        "flags",
        "Flags",
        "Risks, and reasons why time is not audited.",
        ("From", "Flag", "Until", "Kind"),
        made(record, "flags", cells),
        case_words.nothing(("flags",), absent, "No flag is charted in this stay."),
    )


def _before(at: datetime, record: Record) -> str:
    return "before admission: counts from then" if at < record.started_at else ""


def _flow(row: Row) -> Cell:
    return Cell("not charted" if row["flow_l_min"] is None else f"{row['flow_l_min']:g} L/min")
