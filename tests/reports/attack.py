"""Somebody with the pages of every month, the printed definitions and pencil and paper, after hidden counts.

What is printed is read off the HTML and off the slides alike; then every combination of counts that agrees with it,
and with the printed rule of what is hidden, is tried. A hidden count is recovered when fewer than all small counts are
left for it.
"""

import io
import re
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import product
from math import ceil

import numpy as np
from pptx import Presentation

from pipeline.statistics import wilson
from tests.reports.reading import read

Rows = list[list[str]]
_OF_PATIENTS = re.compile(r"(?<!1 to )(?<!fewer than )\b(\d[\d,]*)\s(?:patient|stay|people|person)s?\b")


@dataclass(frozen=True)
class Printed:
    """What one presentation says. tables: by the first words of their head; words: everything that can be read."""

    tables: list[Rows]
    words: str

    def table_with(self, head: str) -> Rows:
        return next(rows for rows in self.tables if any(cell.startswith(head) for cell in rows[0]))


def of_html(text: str) -> Printed:
    """What the page says, its text alternatives included."""
    page = read(text)
    tables = [[[_plain(cell) for cell in row] for row in table] for table in page.tables]
    labels = [str(value) for _, names in page.elements for key, value in names.items() if key in ("aria-label", "alt")]
    return Printed(tables, _plain(" ".join([page.text, *labels])))


def of_slides(file: bytes) -> Printed:
    """What the slides say, with notes, text alternatives, chart data and the workbooks behind the charts."""
    deck = Presentation(io.BytesIO(file))
    tables = [
        [[_plain(cell.text_frame.text) for cell in row.cells] for row in shape.table.rows]
        for slide in deck.slides
        for shape in slide.shapes
        if shape.has_table
    ]
    return Printed(tables, _plain(" ".join(_texts(file))))


def _texts(file: bytes) -> Iterator[str]:
    with zipfile.ZipFile(io.BytesIO(file)) as package:
        for name in package.namelist():
            content = package.read(name)
            if name.endswith(".xlsx"):
                yield from _texts(content)
            elif re.match(r"(ppt/(slides|notesSlides|charts)/|xl/)[^/]*(/[^/]*)?\.xml$", name):
                text = content.decode("utf-8")
                yield " ".join(re.findall(r'descr="([^"]*)"', text))
                yield re.sub(r"<[^>]+>", " ", text)


def _plain(text: str) -> str:
    return " ".join(text.split())


def numbers_of_patients(words: str) -> list[int]:
    """Every number that is said to be one of patients or stays, but for those that tell the rule."""
    evidence = " ".join(re.findall(r"count as CO2 retainers by (.*?)\.", words))
    found = _OF_PATIENTS.findall(words) + re.findall(r"\((\d[\d,]*)[;)]", evidence)
    return [int(number.replace(",", "")) for number in found]


def patients_by_group(printed: Printed) -> dict[str, int | None]:
    """The printed counts of the two groups of the hospital."""
    found: dict[str, int | None] = {}
    for row in printed.table_with("Below the band")[1:]:
        count = re.search(r"([\d,]+) patients?", row[0])
        found["retainer" if "retainers" in row[0] else "other"] = int(count[1].replace(",", "")) if count else None
    return found


def episodes(printed: Printed) -> dict[str, tuple[int | None, int | None, int | None]]:
    """All, avoidable and not re-checked episodes by month; null where not printed."""
    rows = printed.table_with("Month")[1:]
    # Behind the month stands what was changed in it.
    months = [re.sub(r" change .*", "", row[0]) for row in rows]
    return {month: tuple(_count(cell) for cell in row[1:4]) for month, row in zip(months, rows, strict=True)}  # type: ignore[misc]


def _count(cell: str) -> int | None:
    return int(cell.replace(",", "")) if re.fullmatch(r"[\d,]+", cell) else None


def step(printed: Printed, title: str) -> str:
    """What is printed for one step of the pathway: percentage and interval, or why there is none."""
    return next(row[1] for row in printed.table_with("Step")[1:] if row[0] == title)


def is_hidden(count: int, small: int) -> bool:
    return 0 < count < small


@cache
def event_sides(
    patients: int | None, events: int | None, part: int | None, small: int, most: int
) -> frozenset[tuple[int, int, int]]:
    """All (patients with an event, with one in the part, with one outside it) that agree with what is printed.

    patients: of the group; events and part: their printed numbers. The rule is taken as known: nothing is printed that
    rests on few patients on either side.
    """
    found: set[tuple[int, int, int]] = set()
    for group in [patients] if patients is not None else range(most + 1):
        for with_one in range(group + 1):
            shown = not is_hidden(with_one, small) and not is_hidden(group - with_one, small)
            if (events is None) == shown and patients is not None:
                continue
            if events is not None and (with_one > events or (events > 0) != (with_one > 0)):
                continue
            found |= {
                (with_one, inside, outside)
                for inside, outside in product(range(with_one + 1), repeat=2)
                if inside + outside >= with_one and _agrees(inside, outside, events, part, small)
            }
    return frozenset(found)


def _agrees(inside: int, outside: int, events: int | None, part: int | None, small: int) -> bool:
    if events is None:
        return True
    if part is None:
        # Not printed, so few are on one side at least.
        return (is_hidden(inside, small) or is_hidden(outside, small)) and inside + outside <= events
    rest = events - part
    if is_hidden(inside, small) or is_hidden(outside, small):
        return False
    return inside <= part and outside <= rest and (part > 0) == (inside > 0) and (rest > 0) == (outside > 0)


@cache
def stays_behind(printed: str, most: int) -> frozenset[tuple[int, int]]:
    """All (met, of) with at most so many stays that print this percentage and interval."""
    found = re.match(r"([<>]?)(\d+) % (\d+) to (\d+) %", printed)
    if not found:
        return frozenset()
    return frozenset(
        (met, of)
        for of in range(1, most + 1)
        for met in range(of + 1)
        if _prints(met, of, found[1], tuple(map(int, found.groups()[1:])))
    )


def _prints(met: int, of: int, sign: str, numbers: tuple[int, ...]) -> bool:
    low, high = _interval(met, of)
    share = met / of
    beyond = (share < 0.005 and met > 0) if sign == "<" else (share >= 0.995 and met < of) if sign == ">" else True
    return (
        beyond
        and (sign != "" or round(100 * share) == numbers[0])
        and ((round(100 * low), round(100 * high)) == numbers[1:])
    )


@cache
def _interval(met: int, of: int) -> tuple[float, float]:
    low, high = wilson(np.array([float(met)]), np.array([float(of)]))
    return float(low[0]), float(high[0])


def recovered(possible: set[int], truth: int, small: int) -> bool:
    """Whether a small count is given away: not every small count is possible for it any more."""
    return is_hidden(truth, small) and not set(range(1, ceil(small))) <= possible


def each(solutions: frozenset[tuple[int, int, int]], what: Callable[[tuple[int, int, int]], int]) -> set[int]:
    """The values one count takes over all solutions."""
    return {what(solution) for solution in solutions}
