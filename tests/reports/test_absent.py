"""What the page says when tables that may be missing were never loaded: no zero stands for something unseen."""

import re
from collections.abc import Mapping
from html import unescape
from pathlib import Path

import polars as pl
import pytest

from pipeline.catalogue import read_measures
from pipeline.cli import main
from reports.absent import in_words, left_empty
from synthetic_data.cohort import simulate
from synthetic_data.extract import write_extract

OPTIONAL = ("wards", "devices", "gases", "flags")


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, str]:
    """The text of the June page: of a whole extract, without gases, and with nothing but what is required."""
    folder = tmp_path_factory.mktemp("absent")
    cohort = simulate(stays=800)
    found = {}
    for name, left_out in {"whole": (), "no gases": ("gases",), "required": OPTIONAL}.items():
        extract, store = folder / name / "extract", folder / name / "store.duckdb"
        write_extract(cohort, extract, dirty=False)
        for table in left_out:
            [path.unlink() for path in extract.glob(f"{table}*")]
        assert main(["load", str(extract), "--store", str(store)]) == 0
        out = folder / name / "page"
        assert main(["report", "--store", str(store), "--month", "2026-06", "--out", str(out)]) == 0
        found[name] = text_of(next(out.glob("*.html")))
    return found


def text_of(path: Path) -> str:
    words = re.sub(r"<(style|script|svg)\b.*?</\1>|<[^>]+>", " ", path.read_text(encoding="utf-8"), flags=re.DOTALL)
    return " ".join(unescape(words).split())


def test_a_whole_extract_leaves_nothing_untold(pages: Mapping[str, str]) -> None:
    assert "Could not be told" not in pages["whole"]
    assert "could not be made" not in pages["whole"]


def test_without_devices_no_zero_is_shown_for_oxygen_or_episodes(pages: Mapping[str, str]) -> None:
    page = pages["required"]
    assert "Could not be told: anything by ward (no wards were loaded); who was on oxygen" in page
    assert "above it on oxygen for an unknown share" in page
    assert "High inspired oxygen in CO2 retainers: cannot be told. No device records were loaded." in page
    assert not re.search(r"above it on oxygen for 0|CO2 retainers: no episode", page)


def test_without_gases_nobody_is_said_to_have_missed_one(pages: Mapping[str, str]) -> None:
    assert "what blood gases showed, and whether one was repeated in time (no gases were loaded)" in pages["no gases"]
    assert "without a repeat gas within 60 minutes" not in pages["no gases"]
    assert "above it on oxygen for an unknown share" not in pages["no gases"]
    assert "without a repeat gas within 60 minutes" in pages["whole"]


def test_a_table_of_flags_that_was_never_loaded_is_told(pages: Mapping[str, str]) -> None:
    """Else time under resuscitation or end-of-life care would be judged and nobody would know."""
    told = "which time to leave out, and previous CO2 retention (no flags were loaded)"
    assert told in pages["required"]
    assert told not in pages["whole"]


def test_every_measure_that_needs_an_absent_table_says_so(pages: Mapping[str, str]) -> None:
    needing = [measure for measure in read_measures() if measure.needs]
    of_gases = {measure.id for measure in needing if "gases" in measure.needs}
    assert of_gases >= {
        "repeat_gas_in_time",
        "minutes_to_repeat_gas",
        "acidosis_after_episode",
        "co2_rise_after_excess",
    }
    assert len(needing) > len(of_gases) + 10
    # Each in the table of all measures and in its own section.
    assert pages["required"].count("could not be made: no ") == 2 * len(needing)
    assert pages["no gases"].count("could not be made: no gases were loaded") == 2 * len(of_gases)


def test_only_figures_above_the_band_on_oxygen_are_left_empty() -> None:
    row = {
        "month": "2026-06",
        "share_below": 0.1,
        "share_above_on_oxygen": 0.0,
        "share_above_on_oxygen_change_low": 0.0,
    }
    frame = pl.DataFrame([row])
    assert left_empty(frame, ["gases"]).to_dicts() == [row]
    emptied = {**row, "share_above_on_oxygen": None, "share_above_on_oxygen_change_low": None}
    assert left_empty(frame, ["devices"]).to_dicts() == [emptied]


def test_nothing_absent_gives_no_remark() -> None:
    assert in_words([]) == ""
