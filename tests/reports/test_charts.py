"""Labels that are too long are cut, and what is left can be drawn."""

import altair as alt
import pytest

from reports import charts

HOSPITAL = "\N{HOSPITAL}"


def drawn(name: str) -> str:
    rows = charts.values([{"row": "0", "value": 1}])
    axis = charts.names_axis({"0": name})
    return charts.svg(alt.Chart(rows).mark_point().encode(alt.X("value:Q"), alt.Y("row:N", axis=axis)), "a label")


@pytest.mark.parametrize("letters", range(24))
def test_a_name_is_never_cut_through_a_character(letters: int) -> None:
    """Wherever the cut falls: which depends on the fonts of the machine."""
    assert "\N{HORIZONTAL ELLIPSIS}" in drawn("w" * letters + 30 * HOSPITAL)


def test_a_name_that_fits_keeps_its_characters() -> None:
    assert f"Ward 7 {HOSPITAL}" in drawn(f"Ward 7 {HOSPITAL}")
    assert charts.can_be_cut("Respiratory high care and a long name", 20) == "Respiratory high care and a long name"


def test_a_box_stands_for_what_could_be_cut_in_two() -> None:
    box = "\N{WHITE VERTICAL RECTANGLE}"
    assert charts.can_be_cut(3 * HOSPITAL + " a name too long", 120) == 3 * box + " a name too long"
