"""Texts that would spoil a page that took them for more than text, and a small hospital whose data is made of them."""

from pathlib import Path

import duckdb
import polars as pl

from pipeline.cli import main
from synthetic_data.cohort import simulate
from synthetic_data.extract import write_extract

# A script that runs writes its name here; see `ran` in seen.py.
RUN = "window.ran=(window.ran||0)+1"
SCRIPT = f"<script>{RUN}</script>"
HANDLER = f"\"><img src=x onerror='{RUN}'>'"
TEMPLATE = "{{ 7*7 }}{% raw %}${7*7}<%= 7*7 %>"
# Right-to-left override, isolates left open, and characters of no width within a word.
TURNED = "al\u202ereb\u2067mun A\u200bl\u200dder\ufeff"
LONG_WORD = "W" * 78
MANY_SCRIPTS = "\U0001fac1 שלום العناية 👩‍⚕️ & Co"
WARDS = (SCRIPT, HANDLER, TEMPLATE, TURNED, LONG_WORD, MANY_SCRIPTS)
SITE = f"</title></style><svg onload='{RUN}'>"
SPECIALTY = f'<a href="javascript:{RUN}">x</a>'
FILE = f"{LONG_WORD}<img src=x onerror={RUN}>.csv"
NOTE = f"</li><iframe srcdoc='{SCRIPT}'>"
CHANGES = f"""
[[change]]
date = 2026-01-05
what = '''"><script>{RUN}</script> {{{{ 7*7 }}}}'''

[[change]]
date = 2026-03-01
ward = '''{LONG_WORD}'''
what = "{"X" * 110}"

[[change]]
date = 2026-04-10
ward = "{TURNED}"
what = "\u202e<img src=x onerror={RUN}>"
"""


def hostile_store(folder: Path, stays: int = 250) -> Path:
    """A store loaded from an extract in which every text is hostile; a year of months, six wards."""
    extract, store = folder / "extract", folder / "store.duckdb"
    write_extract(simulate(stays=stays), extract)
    _rewritten(extract / "wards.csv", ward=WARDS)
    _rewritten(extract / "stays.csv", site=(SITE, "North"), specialty=(SPECIALTY,))
    if main(["load", str(extract), "--store", str(store)]) != 0:
        raise AssertionError("The hostile extract was refused.")
    with duckdb.connect(str(store)) as con:
        con.execute("insert into load_notes values (1, ?)", [NOTE])
        # Only a mapping can name files freely.
        for table in ("load_ledger", "rejected_rows"):
            con.execute(f"update {table} set file_name = ? where table_name = 'stays'", [FILE])
    return store


def _rewritten(file: Path, **texts: tuple[str, ...]) -> None:
    """Each distinct value of a column becomes one of these texts."""
    rows = pl.read_csv(file, infer_schema=False)
    for column, wanted in texts.items():
        known = rows[column].drop_nulls().unique().sort().to_list()
        into = {value: wanted[place % len(wanted)] for place, value in enumerate(known)}
        rows = rows.with_columns(pl.col(column).replace(into))
    rows.write_csv(file)


def changes_file(folder: Path) -> Path:
    """The hostile declared changes as a file."""
    file = folder / "changes.toml"
    file.write_text(CHANGES, encoding="utf-8")
    return file
