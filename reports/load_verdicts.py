"""Whether the loads behind the report are whole and like themselves, contract by contract, in plain sentences."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.intake.contracts.judge import (
    COULD_NOT_RUN,
    FAILED,
    MET,
    NOT_APPLICABLE,
    NOT_MET,
    Contract,
    contracts,
    in_words,
    limits_in_words,
)
from reports import wording

SENTENCES = 5
SENTENCES_IN_FULL = 40
# In this order they are told: what needs somebody first.
VERDICTS = (NOT_MET, COULD_NOT_RUN, MET, NOT_APPLICABLE)


@dataclass(frozen=True)
class Point:
    """One contract with its verdicts of the latest load that could judge it.

    verdict: in words, with counts where subjects differ. found: sentences; more: how many further ones there are.
    to_do: empty unless something failed. load: which load was judged. every: all verdicts with their sentences, as far
    as they fit on a page; left_out: how many do not.
    """

    title: str
    meaning: str
    accepted: str
    source: str
    verdict: str
    failed: bool
    found: tuple[str, ...]
    more: int
    to_do: str
    load: int
    every: tuple[tuple[str, str], ...]
    left_out: int


def points(verdicts: pl.DataFrame) -> list[Point]:
    """One point per contract, in the order of the contracts.

    verdicts: rows of `load_verdicts` of one load per contract, the latest that could judge it.
    """
    known = {contract.name: contract for contract in contracts()}
    present = verdicts["contract"].unique(maintain_order=True).to_list()
    # Another version of the tool may have judged what this one does not know.
    names = [name for name in known if name in present] + [name for name in present if name not in known]
    return [_point(name, known.get(name), verdicts.filter(pl.col("contract") == name)) for name in names]


def banner(found: Sequence[Point]) -> str:
    """One line for the top of every page when a point is not met or could not be checked; else empty."""
    outside = [point for point in found if point.verdict.startswith(NOT_MET)]
    unchecked = [point for point in found if point.failed and point not in outside]
    if not outside and not unchecked:
        return ""
    loads = {point.load for point in (*outside, *unchecked)}
    latest = max(point.load for point in found)
    whose = "The last load has" if loads == {latest} else "The last loads have"
    told = []
    if outside:
        told.append(
            f"{wording.counted(len(outside), 'point')} outside {'its' if loads == {latest} else 'their'} limits"
        )
    if unchecked:
        told.append(f"{wording.counted(len(unchecked), 'point')} that could not be checked")
    return f"{whose} {wording.listed_in_words(told)}"


def _point(name: str, contract: Contract | None, verdicts: pl.DataFrame) -> Point:
    failed = verdicts.filter(pl.col("verdict").is_in(FAILED))
    found, more = _found(contract, verdicts, failed)
    ordered = verdicts.sort(pl.col("verdict").replace_strict(VERDICTS, range(4)), maintain_order=True)
    shown = ordered.head(SENTENCES_IN_FULL)
    return Point(
        title=contract.title if contract else wording.sentence_case(name.replace("_", " ")),
        meaning=contract.meaning if contract else "",
        accepted=_accepted(contract) if contract else wording.NOTHING,
        source=contract.source if contract else wording.NOTHING,
        verdict=_in_words(verdicts["verdict"]),
        failed=failed.height > 0,
        found=found,
        more=more,
        to_do=failed["what_to_do"][0] if failed.height else "",
        load=verdicts["load_no"][0],
        every=tuple(shown.select("verdict", "sentence").rows()),
        left_out=ordered.height - shown.height,
    )


def _in_words(verdicts: pl.Series) -> str:
    counts = [(each, count) for each in VERDICTS if (count := int((verdicts == each).sum()))]
    if len(counts) == 1:
        return counts[0][0]
    return ", ".join(f"{verdict} for {count:,}" for verdict, count in counts)


def _found(contract: Contract | None, verdicts: pl.DataFrame, failed: pl.DataFrame) -> tuple[tuple[str, ...], int]:
    if failed.height:
        told = failed.sort(pl.col("verdict") != NOT_MET, maintain_order=True)["sentence"]
        return tuple(told.head(SENTENCES)), max(0, failed.height - SENTENCES)
    met = verdicts.filter(pl.col("verdict") == MET)
    if met.height == 0 and contract:
        return (f"Nothing to judge: {contract.nothing}.",), 0
    if met.height > 1:
        return (_summary(contract, met),), 0
    return tuple(verdicts.sort(pl.col("verdict") != MET, maintain_order=True)["sentence"].head(1)), 0


def _summary(contract: Contract | None, met: pl.DataFrame) -> str:
    if contract is None or contract.compared:
        return f"All {met.height:,} that could be judged are within the limits."
    least, most = (in_words(float(end), contract.unit) for end in (met["observed"].min(), met["observed"].max()))  # type: ignore[arg-type]
    spread = f"all {least}" if least == most else f"from {least} to {most}"
    return f"{met.height:,} judged: {spread} (accepted: {_accepted(contract)})."


def _accepted(contract: Contract) -> str:
    ends = (contract.lowest, contract.highest)
    if contract.compared == "ratio":
        return f"{wording.short_number(contract.lowest)} to {wording.short_number(contract.highest)} times the usual"
    if contract.compared == "difference":
        return f"{limits_in_words(contract.unit, ends)} more than usual"
    return limits_in_words(contract.unit, ends)
