"""The contracts of a load as a whole: judged on small frames of counts that SQL makes.

Single rows are judged before (`check.py`, `settle.py`); here it is asked whether the extract is whole and like itself:
how much was kept aside, how fresh it is, whether wards, days or columns are missing. `contracts.toml` says each
contract once, a file of `sql/contracts/` makes its frame, and `expectations.py` judges.
"""

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.intake.contracts.expectations import kept_quiet, make_batches, outside_limits
from pipeline.intake.contracts.frames import attempt, contract_frames

MET = "met"
NOT_MET = "not met"
NOT_APPLICABLE = "not applicable"
COULD_NOT_RUN = "could not run"
# What a load is held up for: what could not be judged is never taken for met.
FAILED = (NOT_MET, COULD_NOT_RUN)

_CONTRACTS_FILE = Path(__file__).with_name("contracts.toml")
_WHOLE_LOAD = "the load"
_SENTENCES_SHOWN = 3
_TO_DO_AFTER_A_FAULT = "A fault of the tool: tell whoever looks after it, and take this as not met until it has run."
_SCHEMA: Mapping[str, type[pl.DataType]] = {
    "contract": pl.String,
    "subject": pl.String,
    "verdict": pl.String,
    "observed": pl.Float64,
    "lowest": pl.Float64,
    "highest": pl.Float64,
    "unit": pl.String,
    "sentence": pl.String,
    "what_to_do": pl.String,
}


# The lowest and the highest that is accepted; null: no limit on that side.
_Ends = tuple[float | None, float | None]


@dataclass(frozen=True)
class Contract:
    """One thing a load as a whole is held to; the fields are explained in `contracts.toml`. Null: no limit there."""

    name: str
    title: str
    sql: str
    judged: str
    unit: str
    meaning: str
    source: str
    found: str
    nothing: str
    to_do: str
    lowest: float | None = None
    highest: float | None = None
    compared: str = ""
    names_cells: bool = False


@cache
def contracts() -> tuple[Contract, ...]:
    """Every contract, in the order in which verdicts are given."""
    return tuple(Contract(name=name, **entry) for name, entry in _entries("contracts").items())


def _entries(section: str) -> dict[str, Any]:
    return tomllib.loads(_CONTRACTS_FILE.read_text(encoding="utf-8"))[section]


def judge(
    connection: duckdb.DuckDBPyConnection, zone: str, as_of: datetime, batches_for: Callable[[], Any] = make_batches
) -> pl.DataFrame:
    """Judges the load that stands settled in the tables `incoming_<table>`, before it is stored.

    zone: the store's time zone, for days. as_of: UTC, where stays still open end. batches_for: gives what judges.
    Out: one row per contract and subject with the columns of the table `load_verdicts`, but for `load_no`. A contract
    without any subject has one row, for the load. Whatever goes wrong while a contract is judged makes it "could not
    run"; only an interrupt is raised. To be called outside a transaction, which a failed query would end.
    """
    fewest = {name: entry["value"] for name, entry in _entries("fewest").items()}
    frames = contract_frames(connection, zone, as_of, fewest, [contract.sql for contract in contracts()])
    rows: list[dict[str, Any]] = []
    with kept_quiet():
        batches = attempt(batches_for)
        for contract in contracts():
            rows += _verdicts(contract, frames[contract.sql], batches)
    return pl.DataFrame(rows, schema=dict(_SCHEMA))


def write_verdicts(connection: duckdb.DuckDBPyConnection, verdicts: pl.DataFrame) -> None:
    """Stores the verdicts under the latest load of the ledger; to be called once the ledger has it."""
    connection.register("verdicts", verdicts)
    connection.execute(
        "insert into load_verdicts by name select (select max(load_no) from load_ledger) as load_no, * from verdicts"
    )
    connection.unregister("verdicts")


def failures(verdicts: pl.DataFrame) -> list[str]:
    """One line per contract that is not met or could not be judged, fit for the screen: no cell is repeated."""
    lines = []
    for contract in contracts():
        of_it = verdicts.filter(pl.col("contract") == contract.name)
        failed = of_it.filter(pl.col("verdict").is_in(FAILED))
        if not failed.height:
            continue
        words = " and ".join(verdict for verdict in FAILED if verdict in failed["verdict"])
        if contract.names_cells:
            detail = f"{failed.height:,} of {of_it.height:,}, named on the data-quality page."
        else:
            more = failed.height - _SENTENCES_SHOWN
            detail = " ".join(failed["sentence"][:_SENTENCES_SHOWN]) + (f" And {more:,} more." if more > 0 else "")
        lines.append(f"{contract.title}: {words}. {detail}")
    return lines


def refusal(verdicts: pl.DataFrame) -> str | None:
    """Why a load is refused that may not be outside its limits; null when it is within all that could be judged."""
    lines = failures(verdicts)
    if not lines:
        return None
    points = "1 point" if len(lines) == 1 else f"{len(lines)} points"
    return (
        f"The extract as a whole is outside its limits, or could not be judged, on {points}:\n  "
        + "\n  ".join(lines)
        + "\nCorrect the extract and load it again, or load it without --strict: it is then stored, and every page of "
        "the report says so. Nothing was stored."
    )


def _verdicts(contract: Contract, frame: pl.DataFrame | Exception, batches: Any) -> list[dict[str, Any]]:
    """One verdict per row of the frame; one for the load where there is no row, no frame, or nothing to judge with."""
    if isinstance(batches, Exception):
        return [_could_not_run(contract, _WHOLE_LOAD, batches)]
    if isinstance(frame, Exception):
        return [_could_not_run(contract, _WHOLE_LOAD, frame)]
    if not frame.height:
        return [_verdict(contract, {"subject": _WHOLE_LOAD}, None)]
    outside = attempt(_outside, contract, frame, batches)
    rows = frame.rows(named=True)
    if isinstance(outside, Exception):
        return [_could_not_run(contract, row["subject"], outside) for row in rows]
    return [_verdict(contract, row, fails) for row, fails in zip(rows, outside, strict=True)]


def _could_not_run(contract: Contract, subject: str, error: Exception) -> dict[str, Any]:
    # Only the kind of error: its text may hold a cell.
    sentence = f"This could not be checked for {subject} ({type(error).__name__})."
    row = dict.fromkeys(_SCHEMA) | {"contract": contract.name, "subject": subject, "unit": contract.unit}
    return row | {"verdict": COULD_NOT_RUN, "sentence": sentence, "what_to_do": _TO_DO_AFTER_A_FAULT}


def _outside(contract: Contract, frame: pl.DataFrame, batches: Any) -> list[bool | None]:
    """For each row whether it lies outside the limits; null where there is nothing to judge."""
    judged = pl.col(contract.judged).cast(pl.Float64)
    if contract.compared == "ratio":
        judged = pl.when(pl.col("usual") > 0).then(judged / pl.col("usual"))
    if contract.compared == "difference":
        judged = judged - pl.col("usual")
    values = frame.select(judged.alias("value"))["value"]
    known = values.is_not_null()
    answers = iter(
        outside_limits(batches, values.drop_nulls().to_list(), contract.lowest, contract.highest) if known.any() else ()
    )
    return [next(answers) if judgeable else None for judgeable in known]


def _verdict(contract: Contract, row: Mapping[str, Any], fails: bool | None) -> dict[str, Any]:
    observed = row.get(contract.judged)
    value = None if observed is None else float(observed)
    lowest, highest = limits = _own_limits(contract, row)
    return {
        "contract": contract.name,
        "subject": str(row["subject"]),
        "verdict": {None: NOT_APPLICABLE, False: MET, True: NOT_MET}[fails],
        "observed": value,
        "lowest": lowest,
        "highest": highest,
        "unit": contract.unit,
        "sentence": _sentence(contract, row, fails, value, limits),
        "what_to_do": contract.to_do if fails else "",
    }


def _sentence(
    contract: Contract, row: Mapping[str, Any], fails: bool | None, value: float | None, limits: _Ends
) -> str:
    subject, usual = row.get("in_words", row["subject"]), row.get("usual")
    if fails is None or value is None:
        return f"Nothing to judge for {subject}: {contract.nothing}."
    shown = in_words(value, contract.unit)
    if fails and shown in [in_words(end, contract.unit) for end in limits if end is not None]:
        # Rounded, it would look as if it lay on the limit, which is accepted.
        shown = f"just {'under' if value < (limits[0] or 0) else 'over'} {shown}"
    found = contract.found.format(subject=subject, observed=shown)
    known = f"usual: {in_words(usual, contract.unit)}; " if contract.compared and usual is not None else ""
    return f"{found[:1].upper()}{found[1:]} ({known}accepted: {limits_in_words(contract.unit, limits)})."


def _own_limits(contract: Contract, row: Mapping[str, Any]) -> _Ends:
    """The limits in the unit of what was observed; null where there is no usual to compare with."""
    ends = (contract.lowest, contract.highest)
    if not contract.compared:
        return ends
    usual = row.get("usual")
    if usual is None:
        return None, None
    if contract.compared == "ratio":
        lowest, highest = (None if end is None else usual * end for end in ends)
    else:
        # Differences are of shares, none of which is over 1.
        lowest, highest = (None if end is None else min(usual + end, 1.0) for end in ends)
    return lowest, highest


def limits_in_words(unit: str, limits: _Ends) -> str:
    """What is accepted: lowest and highest, null for no limit on that side.

    >>> limits_in_words("share", (None, 0.05)), limits_in_words("hours", (0, 24))
    ('at most 5 %', '0 to 24 hours')
    """
    lowest, highest = limits
    if lowest is None:
        return "any" if highest is None else f"at most {in_words(highest, unit)}"
    if highest is None:
        return f"at least {in_words(lowest, unit)}"
    return f"{_number(lowest)} to {in_words(highest, unit)}"


def in_words(value: float, unit: str) -> str:
    """A number with its unit, in three significant digits; a share in per cent.

    >>> in_words(0.0504, "share"), in_words(1, "hours"), in_words(4.237, "rows a patient-day")
    ('5.04 %', '1 hour', '4.24 rows a patient-day')
    """
    if unit == "share":
        return "under 0.1 %" if 0 < value < 0.001 else f"{_number(100 * value)} %"
    what, *rest = unit.split(" ")
    shown = _number(value)
    return " ".join([shown, what.removesuffix("s") if shown == "1" else what, *rest])


def _number(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100 or value == round(value) else f"{value:.3g}"
