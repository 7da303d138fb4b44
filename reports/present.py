"""The pages a team presents to its governance board: one list of contents, written as HTML and as slides."""

from pathlib import Path

import duckdb
from markupsafe import Markup

from pipeline.declared_changes import NONE_DECLARED, DeclaredChanges
from pipeline.policy import Policy
from reports import page, present_charts, wording
from reports.present_band import answer, months
from reports.present_changes import changes
from reports.present_events import high_oxygen, pathway
from reports.present_figures import OTHER, RETAINER, Presented, presented
from reports.present_sheets import Sheet
from reports.present_trust import definitions, discuss, trust
from reports.present_wards import where

_STYLE = Path(__file__).with_name("present.css")


def write_presentation(
    con: duckdb.DuckDBPyConnection,
    out: Path,
    month: str | None,
    policy: Policy,
    declared: DeclaredChanges = NONE_DECLARED,
) -> tuple[Path, Path]:
    """Writes `oxygen-audit-YYYY-MM-board.html` and `.pptx` into the folder `out` and returns their paths.

    con: a store that has been measured; it is only read. month: YYYY-MM in the store's zone; null: the last complete
    calendar month. declared: what was changed on the wards, and when. Counts of patients under `small_count_below`, and
    what they could be worked back from, are in neither file. The same store, month, policy and changes give the same
    bytes of both.
    Raises AuditError when the store holds no such month, or no complete one; ChangesError when a change names a ward
    that the store does not hold.
    """
    # Slow to import, and no other page needs it.
    from reports.present_slides import slides

    of = presented(con, month, policy, declared)
    made = sheets(of)
    out.mkdir(parents=True, exist_ok=True)
    html, pptx = (out / f"oxygen-audit-{of.month}-board.{kind}" for kind in ("html", "pptx"))
    html.write_text(html_text(of, made), encoding="utf-8", newline="\n")
    pptx.write_bytes(slides(made, footer(of), f"Oxygen audit, {wording.month_in_words(of.month)}", of.until))
    return html, pptx


def sheets(of: Presented) -> list[Sheet]:
    """All pages in the order they are presented in."""
    return [
        answer(of),
        months(of, RETAINER),
        months(of, OTHER),
        *changes(of),
        *where(of),
        high_oxygen(of),
        pathway(of),
        trust(of),
        discuss(of),
        definitions(of),
    ]


def footer(of: Presented) -> str:
    """What stands under every page."""
    hidden = f" Counts of 1 to {of.most_hidden} patients are not shown." if of.most_hidden else ""
    return (
        f"Oxygen audit, {wording.month_in_words(of.month)}. Retrospective: charted data of a month gone by, not a "
        "bedside monitor and "
        f"not advice for any one patient.{hidden}"
    )


def html_text(of: Presented, made: list[Sheet]) -> str:
    """The pages as one HTML file that prints a page a sheet."""
    return page.render(
        "present.html.j2",
        month=of.month,
        sheets=made,
        footer=footer(of),
        draw=present_charts.draw,
        sheet_style=Markup(_STYLE.read_text(encoding="utf-8")),
    )
