"""The comparison: two months, wards or sites of one store, or several stores, side by side on one page."""

import hashlib
import re
from collections.abc import Mapping
from pathlib import Path

import duckdb

from pipeline.catalogue import read_measures
from pipeline.errors import AuditError
from pipeline.policy import Policy
from reports import compare_tables, compare_words, definitions, page, wording
from reports.compare_asked import MONTH, Asked
from reports.compare_sides import Shows, source, the_sides

_SAFE_NAME = re.compile(r"[A-Za-z0-9_-]{1,40}")


def write_comparison(
    stores: Mapping[str, duckdb.DuckDBPyConnection], asked: Asked, month: str | None, out: Path, policy: Policy
) -> Path:
    """Writes `oxygen-comparison-….html` into the folder `out` and returns its path.

    stores: measured stores by name, that of --store first; they are only read. month: YYYY-MM; null: the last that is
    complete in all of them; no matter where months are compared. The same stores, names and policy give the same bytes.
    Raises AuditError when a store holds no such month, the month no such ward or site, or `out` cannot be written.
    """
    measures = read_measures()
    sides = the_sides([source(name, con, policy) for name, con in stores.items()], asked, month, measures, policy)
    groups = compare_tables.groups_spoken_of(sides)
    values = {
        "banner": _banner(sides),
        "kind": asked.kind,
        "title": wording.listed_in_words([side.name for side in sides]),
        "when": "" if asked.kind == MONTH else wording.month_in_words(sides[0].month),
        "sides": sides,
        "remarks": compare_words.remarks(sides),
        "blocks": compare_tables.blocks(sides),
        "pairs": [compare_tables.pair(sides[0], other, groups, measures) for other in sides[1:]],
        "measures": measures,
        "sources": list({side.source.name: side.source for side in sides}.values()),
        "policy": policy,
        "thresholds": definitions.thresholds(policy),
    }
    text = page.render("compare.html.j2", **values)
    path = out / file_name(asked, sides)
    try:
        out.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise AuditError(f"The page cannot be written: {error.strerror}. Give another folder with --out.") from error
    return path


def file_name(asked: Asked, sides: list[Shows]) -> str:
    """The name of the page: its month, and the names of its sides where they are plain, else a hash of them."""
    if asked.kind == MONTH:
        return f"oxygen-comparison-{'-and-'.join(side.month for side in sides)}.html"
    names = "-and-".join(_safe(side.name) for side in sides)
    return f"oxygen-comparison-{sides[0].month}-{names}.html"


def _safe(name: str) -> str:
    return name if _SAFE_NAME.fullmatch(name) else hashlib.sha256(name.encode()).hexdigest()[:12]


def _banner(sides: list[Shows]) -> str:
    found = {side.source.name: side.source.banner for side in sides if side.source.banner}
    if len({side.source.name for side in sides}) == 1:
        return next(iter(found.values()), "")
    return "; ".join(f"{name}: {text}" for name, text in found.items())
