"""The month beside published audits: the figures as published, and no small count in any cell or between cells.

Published figures: the abstracts of Harper, Postgrad Med J 2021 (doi 10.1136/postgradmedj-2020-139511), Harper, BMC Pulm
Med 2021 (doi 10.1186/s12890-021-01700-6) and Sandau, Eur Clin Respir J 2023 (doi 10.1080/20018525.2022.2153644).
"""

from itertools import product
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.policy import read_policy
from reports.literature import GROUPS, PUBLISHED, blocks, hidden_counts

POLICY = read_policy()
SMALL = int(POLICY.small_count_below)
FIRST_DAY = "any_reading_in_24_h"
MEANS = ("readings_per_patient", "time_per_patient")


def rows(patients: tuple[int, int] = (30, 90), first_day: dict[str, tuple[int, int]] | None = None) -> pl.DataFrame:
    """`published_definitions` of a month: retainers and others; in the first day, counted of each group by part."""
    found = []
    for each in PUBLISHED:
        for part, *_ in each.parts:
            counted = (first_day or {}).get(part, (15, 40))
            for group, size, count in (
                ("retainer", patients[0], counted[0]),
                ("other", patients[1], counted[1]),
                (None, sum(patients), sum(counted)),
            ):
                mean = each.definition in MEANS
                found.append(
                    {
                        "month": "2026-05",
                        "group": group,
                        "definition": each.definition,
                        "part": part,
                        "patients": size,
                        "numerator": None if mean else count,
                        "denominator": None if mean else size,
                        "result": 0.123 if mean else count / size,
                        "sd": 0.045 if mean else None,
                    }
                )
    return pl.DataFrame(found, infer_schema_length=None)


def cells(frame: pl.DataFrame) -> dict[tuple[str, str], tuple[str, ...]]:
    return {
        (block.published.definition, words): line.cells
        for block in blocks(frame, POLICY, ())
        for line, (words, *_) in zip(block.lines, block.published.parts, strict=True)
    }


def test_what_the_abstracts_say_stands_beside_the_month() -> None:
    stated = {(each.definition, part): (figure, each.patients) for each in PUBLISHED for part, _, figure in each.parts}
    # "The mean (SD) proportion of SpO2 measurements within range was 56.2 (30.6)%", in 62 of 100 with a target.
    assert stated["readings_per_patient", "within"] == ("56.2 % (30.6)", "62")
    # "in target range was 55.6% (23.6)"; "above range was 16.2% (22.9)"; "below range was 28.4% (25.2)"; 80 analysed.
    assert stated["time_per_patient", "within"] == ("55.6 % (23.6)", "80")
    assert stated["time_per_patient", "above"][0] == "16.2 % (22.9)"
    assert stated["time_per_patient", "below"][0] == "28.4 % (25.2)"
    [danish] = [each for each in PUBLISHED if each.definition == FIRST_DAY]
    assert "odds ratio 2.4, 1.2 to 4.8" in danish.setting
    assert "1.0, 0.5 to 2.1" in danish.setting
    assert all(each.differs and each.setting and each.counted for each in PUBLISHED)


def test_rates_of_the_uk_hospital_are_its_counts() -> None:
    """218/224,936, 251/225,970, 162/11,328 and 233/12,845 observations (BMJ Open Respir Res 2024;11:e002019)."""
    [fixed] = [each for each in PUBLISHED if each.definition == "fixed_limits"]
    figures = {part: figure for part, _, figure in fixed.parts}
    assert figures["under_90_on_oxygen"] == f"{100 * 162 / 11328:.2f} % (2019), {100 * 233 / 12845:.2f} % (2022)"
    assert figures["under_90_on_air"] == f"{100 * 218 / 224936:.2f} % (2019), {100 * 251 / 225970:.2f} % (2022)"


def test_means_have_their_standard_deviation_and_shares_have_none() -> None:
    found = cells(rows())
    assert found["time_per_patient", "within"] == ("12.3\xa0% (4.5)",) * 3
    assert found["pooled_readings", "above"] == ("50\xa0%", "44\xa0%", "46\xa0%")


def test_one_patient_has_no_standard_deviation() -> None:
    alone = rows().with_columns(pl.lit(None, dtype=pl.Float64).alias("sd"))
    assert cells(alone)["time_per_patient", "within"] == ("12.3\xa0% (\N{EN DASH})",) * 3


def test_a_small_group_is_hidden_with_one_that_would_give_it_away() -> None:
    found = blocks(rows(patients=(SMALL - 1, 90)), POLICY, ())
    for block in found:
        for line in block.lines:
            assert [cell.endswith("small numbers") for cell in line.cells].count(True) >= 2, block.published.definition
            assert line.cells[0].endswith("small numbers")
        assert block.patients[0] == "small numbers"


def test_a_group_of_nobody_is_none_and_hides_nothing() -> None:
    only_others = rows().filter(pl.col("group").ne_missing("retainer"))
    [block, *_] = blocks(only_others, POLICY, ())
    assert block.patients == ("none", "90", "120")
    assert block.lines[0].cells[0] == "\N{EN DASH}"


def test_without_devices_or_readings_there_is_nothing_to_compare() -> None:
    assert blocks(rows(), POLICY, ("devices",)) == []
    assert blocks(rows().clear(), POLICY, ()) == []


@pytest.mark.parametrize(
    ("counted", "hidden"),
    [
        ({"outside": (20, 50), "above": (12, 30), "below": (10, 25)}, set()),
        # Seven retainers below: hidden, and one group more, since all less the others are seven.
        (
            {"outside": (20, 60), "above": (10, 40), "below": (7, 25)},
            {("below", "retainer"), ("below", "other")},
        ),
        # All but five of thirty retainers above: the rest is small.
        (
            {"outside": (30, 60), "above": (25, 40), "below": (10, 25)},
            {("above", "retainer"), ("above", "other")},
        ),
    ],
)
def test_small_counts_of_patients_and_small_rests_are_hidden(
    counted: dict[str, tuple[int, int]], hidden: set[tuple[str, str]]
) -> None:
    parts = {words: part for each in PUBLISHED if each.definition == FIRST_DAY for part, words, _ in each.parts}
    [block] = [each for each in blocks(rows(first_day=counted), POLICY, ()) if each.published.definition == FIRST_DAY]
    small = {
        (parts[line.words], group)
        for line in block.lines
        for group, cell in zip(GROUPS, line.cells, strict=True)
        if cell.endswith("small numbers")
    }
    assert small == hidden


SPLIT = st.tuples(*[st.integers(0, 12)] * 4)


@settings(max_examples=400, deadline=None, derandomize=True)
@given(SPLIT, SPLIT)
def test_no_small_count_follows_from_what_is_shown(retainers: tuple[int, ...], others: tuple[int, ...]) -> None:
    """Patients of each group: above alone, below alone, both, neither. An attacker knows the groups' sizes.

    Whatever is worked out from shown counts by sums and differences (groups add up; outside = above alone + below
    alone + both) is 0 or no small count.
    """
    counts: dict[tuple[str, str | None], tuple[int, int]] = {}
    sizes = {"retainer": retainers, "other": others, None: tuple(map(sum, zip(retainers, others, strict=True)))}
    for group, (above, below, both, neither) in sizes.items():
        whole = above + below + both + neither
        for part, count in (("outside", above + below + both), ("above", above + both), ("below", below + both)):
            counts[part, group] = (count, whole)
    table: list[dict[str, Any]] = [
        {"part": part, "group": group, "numerator": count, "denominator": whole}
        for (part, group), (count, whole) in counts.items()
    ]
    hidden = hidden_counts(table, SMALL)
    known = {key: count for key, (count, _) in counts.items() if key not in hidden}
    worked_out = dict(known)
    for part in ("outside", "above", "below"):
        total, parts = worked_out.get((part, None)), [worked_out.get((part, group)) for group in ("retainer", "other")]
        if total is None and None not in parts:
            worked_out[part, None] = sum(part for part in parts if part is not None)
        elif total is not None and parts.count(None) == 1:
            missing = ("retainer", "other")[parts.index(None)]
            worked_out[part, missing] = total - next(part for part in parts if part is not None)
    told = []
    for (part, group), count in worked_out.items():
        told += [count, counts[part, group][1] - count]
    for group, part in product(GROUPS, ("above", "below")):
        if ("outside", group) in worked_out and (part, group) in worked_out:
            told.append(worked_out["outside", group] - worked_out[part, group])
    assert not [count for count in told if 0 < count < SMALL], worked_out
