"""The month beside the literature: the headline in the ways in which published audits state it, and what they found."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.policy import Policy
from pipeline.rollup import suppress_small_counts
from reports import wording

GROUPS = ("retainer", "other", None)
_TOO_FEW = "small numbers"
_FIRST_DAY = "any_reading_in_24_h"


@dataclass(frozen=True)
class Published:
    """One way of stating it: how it is counted here, what was found elsewhere and where, and what differs.

    patients: how many were looked at there (empty: not stated). parts: the figures of it in order, each with its words
    and the published figure (empty: none was stated).
    """

    definition: str
    title: str
    counted: str
    setting: str
    differs: str
    patients: str
    parts: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True)
class Line:
    """One figure: this month for each of GROUPS, and the published one."""

    words: str
    cells: tuple[str, ...]
    published: str


@dataclass(frozen=True)
class Block:
    """One definition with its figures; patients: how many they rest on, for each of GROUPS."""

    published: Published
    patients: tuple[str, ...]
    lines: tuple[Line, ...]


PUBLISHED = (
    Published(
        "readings_per_patient",
        "Share of readings, patient by patient",
        "Each patient's own share of the readings taken on oxygen under a target: mean (standard deviation).",
        "Harper, Postgrad Med J 2021: observation charts of 62 admissions on oxygen with a target, one hospital in "
        "New Zealand, June to August 2019; pneumonia, heart failure, asthma, COPD.",
        "There: discharge diagnoses of four kinds, and bands of 92\N{EN DASH}96 or 88\N{EN DASH}92 %. Here: everybody "
        "on oxygen under whatever band was prescribed; a patient with one reading counts as much as one with fifty.",
        "62",
        (("within", "Within the band", "56.2 % (30.6)"), ("above", "Above", ""), ("below", "Below", "")),
    ),
    Published(
        "time_per_patient",
        "Share of time, patient by patient",
        "Each patient's own share of the observed time on oxygen under a target: mean (standard deviation).",
        "Harper, BMC Pulm Med 2021: 80 acutely ill medical patients on oxygen in two hospitals in New Zealand, each "
        "with a continuous oximeter for 24 hours.",
        "There: every second was measured. Here: charted readings, each speaking until the next one; a chart misses "
        "most short dips and rises, so time outside the band looks shorter than it was.",
        "80",
        (
            ("within", "Within the band", "55.6 % (23.6)"),
            ("above", "Above", "16.2 % (22.9)"),
            ("below", "Below", "28.4 % (25.2)"),
        ),
    ),
    Published(
        "pooled_readings",
        "All readings together",
        "Readings on oxygen under a target, all patients together: long stays and frequent readings weigh most.",
        "British Thoracic Society national audit 2015 (press text, April 2016): of the patients with a prescription, "
        "31 % outside the range. One UK hospital trust 2012 (Thorax 2012;67 Suppl 2, P45): 347 patients of nine "
        "medical wards.",
        "There: one reading a patient on one day; in the trust of 2012 nine in ten were on air. Here: every reading "
        "of the month on oxygen.",
        "347 (2012)",
        (
            ("outside", "Outside the band", "31 % (2015)"),
            ("within", "Within the band", "92 % (2012)"),
            ("above", "Above", "3 % (2012)"),
            ("below", "Below", "2 % (2012)"),
        ),
    ),
    Published(
        "more_than_2_above",
        "More than 2 points above",
        "Readings on oxygen more than two points above the upper limit, of all readings on oxygen under a target.",
        "British Thoracic Society national audit 2015 (press text, April 2016): patients with a prescription, UK "
        "hospitals; all of those found had a low target.",
        "There: one reading a patient on one day. Here: every reading of the month on oxygen.",
        "",
        (("above", "More than 2 points above", "9 %"),),
    ),
    Published(
        _FIRST_DAY,
        "Any reading outside the band in 24 hours",
        "Patients with at least one such reading on oxygen in the 24 hours after an admission of this month, of those "
        "with any reading on oxygen under a target in that time.",
        "Sandau, Eur Clin Respir J 2023: 289 patients with exacerbated COPD on oxygen, four hospitals in Denmark, "
        "December 2019 to June 2020. The abstract gives no share, but what followed: few days alive out of hospital "
        "after a reading under 88 % (odds ratio 2.4, 1.2 to 4.8), not after one over 92 % (1.0, 0.5 to 2.1).",
        "There: fixed limits of 88 and 92 %, three readings a patient. Here: the band of each patient, and the more "
        "readings are taken, the more patients have one outside it.",
        "289",
        (("outside", "Any outside", ""), ("above", "Any above", ""), ("below", "Any below", "")),
    ),
    Published(
        "fixed_limits",
        "Readings past fixed limits, whatever the band",
        "All readings outside excluded time, with or without a target.",
        "One UK hospital (BMJ Open Respir Res 2024;11:e002019), all observations before and after its usual target "
        "went from 94\N{EN DASH}98 % (2019) to 92\N{EN DASH}96 % (2022): 11,328 and 12,845 on oxygen, about 225,000 "
        "each on air.",
        "There: few patients with a low target. Under a target of 88\N{EN DASH}92 % a reading of 89 % is inside the "
        "band.",
        "",
        (
            ("under_90_on_oxygen", "Under 90 %, on oxygen", "1.43 % (2019), 1.81 % (2022)"),
            ("at_100_on_oxygen", "100 %, on oxygen", "5.4 % (2019), 3.9 % (2022)"),
            ("under_90_on_air", "Under 90 %, on air", "0.10 % (2019), 0.11 % (2022)"),
        ),
    ),
)


def blocks(rows: pl.DataFrame, policy: Policy, absent: Collection[str]) -> list[Block]:
    """One block per published definition. rows: `published_definitions` of one month. Empty if no device is known."""
    if "devices" in absent or rows.is_empty():
        return []
    found = {(row["definition"], row["part"], row["group"]): row for row in _large_enough(rows, policy).to_dicts()}
    return [_block(each, found) for each in PUBLISHED]


def _large_enough(rows: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """The same rows with `suppressed`, and null figures where it is true: few patients, or few of them counted."""
    small = policy.small_count_below
    figure = pl.concat_str("definition", "part", separator="/")
    shown = suppress_small_counts(
        rows.with_columns(ward=pl.lit(None, dtype=pl.String), measure_id=figure).drop("definition", "part"), policy
    ).with_columns(
        pl.col("measure_id").str.split_exact("/", 1).struct.rename_fields(["definition", "part"]).struct.unnest()
    )
    hidden = hidden_counts(shown.filter(pl.col("definition") == _FIRST_DAY).to_dicts(), small)
    few = pl.struct("definition", "part", "group").map_elements(
        lambda key: key["definition"] == _FIRST_DAY and (key["part"], key["group"]) in hidden, return_dtype=pl.Boolean
    )
    return shown.with_columns(suppressed=pl.col("suppressed") | few)


def hidden_counts(rows: list[dict[str, Any]], small: float) -> set[tuple[str, str | None]]:
    """Which counts of patients are not shown: small ones, small rests, and what would give one of them away.

    rows: per part (outside, above, below) and group `numerator` and `denominator`, null where hidden already.
    Out: part and group. Outside less above is below alone, so a small difference hides the sum as well; of a part that
    is hidden for one group only, the next smallest group is hidden too.
    """
    counts = {(row["part"], row["group"]): (row["numerator"], row["denominator"]) for row in rows}
    hidden = {key for key, (n, of) in counts.items() if n is None or _few(n, small) or _few(of - n, small)}
    for part in ("above", "below"):
        for group in GROUPS:
            both = (("outside", group), (part, group))
            if all(key in counts and key not in hidden for key in both):
                whole, alone = (counts[key][0] for key in both)
                if _few(whole - alone, small):
                    hidden.add(both[0])
    for part in ("outside", "above", "below"):
        keys = [(part, group) for group in GROUPS if (part, group) in counts]
        gone = [key for key in keys if key in hidden]
        if len(keys) == len(GROUPS) and len(gone) == 1:
            left = [key for key in keys if key not in hidden]
            hidden.add(min(left, key=lambda key: (counts[key][0], str(key[1]))))
    return hidden


def _few(count: int, small: float) -> bool:
    return 0 < count < small


def _block(published: Published, found: Mapping[tuple[str, str, str | None], dict[str, Any]]) -> Block:
    lines = tuple(
        Line(words, tuple(_cell(found.get((published.definition, part, group))) for group in GROUPS), figure)
        for part, words, figure in published.parts
    )
    first = published.parts[0][0]
    patients = tuple(_patients(found.get((published.definition, first, group))) for group in GROUPS)
    return Block(published, patients, lines)


def _patients(row: Mapping[str, Any] | None) -> str:
    if row is None:
        return "none"
    return _TOO_FEW if row["patients"] is None else f"{row['patients']:,}"


def _cell(row: Mapping[str, Any] | None) -> str:
    if row is None:
        return wording.NOTHING
    if row["suppressed"]:
        return f"{wording.NOTHING} {_TOO_FEW}"
    if row["definition"] not in ("readings_per_patient", "time_per_patient"):
        return wording.percent(row["result"])
    spread = wording.NOTHING if row["sd"] is None else f"{100 * row['sd']:.1f}"
    return f"{100 * row['result']:.1f}{wording.NO_BREAK}% ({spread})"
