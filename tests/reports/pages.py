"""Every page the tool makes, from one store: what is tested of pages in a browser is tested of each of these.

A new page joins by one line in `MAKERS`.
"""

from collections.abc import Callable
from pathlib import Path

import duckdb

from pipeline.cli import main
from tests.reports.hostile import SCRIPT, TEMPLATE, changes_file

# From a store and a folder to write into, to the HTML file made.
Maker = Callable[[Path, Path], Path]


def _by(*arguments: str) -> Maker:
    """The one page that a command writes; `{changes}` stands for a file of declared changes, `{stay}` for a
    stay, `{policy}` for other thresholds.
    """

    def make(store: Path, out: Path) -> Path:
        known: dict[str, Callable[[Path], object]] = {
            "{changes}": changes_file,
            "{policy}": _other_policy,
            "{stay}": lambda _: _longest_case(store),
        }
        asked = [str(known[argument](out)) if argument in known else argument for argument in arguments]
        policy = out / "policy.toml"
        # Few stays are quicker to make, and with hardly any count hidden every chart is drawn.
        policy.write_text("[parameters.small_count_below]\nvalue = 2\n", encoding="utf-8")
        always = ["--store", str(store), "--out", str(out), "--policy", str(policy)]
        if main([asked[0], *always, *asked[1:]]) != 0:
            raise AssertionError(f"No page was made by: {asked[0]}")
        (page,) = out.glob("*.html")
        return page

    return make


def _other_policy(folder: Path) -> Path:
    file = folder / "other.toml"
    file.write_text("[parameters.reading_carry_hours]\nvalue = 4\n", encoding="utf-8")
    return file


def _longest_case(store: Path) -> str:
    """The stay with most episodes: every part of its page is filled."""
    with duckdb.connect(str(store), read_only=True) as con:
        (key,) = con.execute(
            "select stay_id from high_fio2_episodes group by stay_id order by count(*) desc, stay_id limit 1"
        ).fetchall()[0]
    return str(key)


MAKERS: dict[str, Maker] = {
    "month": _by("report", "--changes", "{changes}"),
    "case": _by("case", "--stay", "{stay}"),
    "board": _by("present", "--changes", "{changes}"),
    "comparison": _by("report", "--month", "2026-04", "--compare", f"ward:{SCRIPT}", f"ward:{TEMPLATE}"),
    "policies": _by("try-policy", "{policy}"),
}


def made(store: Path, folder: Path) -> dict[str, Path]:
    """All pages by name, in the order of the list, each in a folder of its own."""
    found = {}
    for name, make in MAKERS.items():
        (folder / name).mkdir()
        found[name] = make(store, folder / name)
    return found
