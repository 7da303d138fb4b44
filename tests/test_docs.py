"""What the documents say is so: commands run, tables and columns exist, pinned versions are the installed ones."""

import re
import shlex
import shutil
import subprocess
import sys
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.intake.mapping.declaration import read_mapping
from pipeline.store import open_store, sql_text
from pipeline.vocabulary import TABLES
from synthetic_data.cohort import simulate
from synthetic_data.extract import write_extract
from tests.documented import (
    columns_of_the_store,
    documented,
    reasons,
    tables_in_markdown,
    words_documented,
    words_in_markdown,
)
from tests.pinned import pinned

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
_BLOCKS = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
COMMANDS = [line.strip() for block in _BLOCKS for line in block.splitlines() if line.strip()]

STORED = columns_of_the_store()


def test_the_readme_has_the_two_commands_of_a_fresh_machine() -> None:
    assert COMMANDS[:2] == ["pip install uv && uv run bandaudit demo", "uv run pytest"]


def test_every_bandaudit_command_of_the_readme_runs_in_the_order_given(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    # The demo's own hospital is made up in full by tests/test_wheel.py.
    monkeypatch.setattr("synthetic_data.cohort.simulate", partial(simulate, stays=150))
    cohort = simulate(stays=150)
    write_extract(cohort, tmp_path / "extract-2026-06", dirty=False)
    write_extract(cohort, tmp_path / "extract-2026-07", dirty=False)
    # Another hospital: its store is compared with the first.
    write_extract(simulate(seed=2, stays=150), tmp_path / "hospital-export", dirty=False)
    (tmp_path / "thresholds.toml").write_text("[parameters]\nreading_carry_hours = 4\n", encoding="utf-8")
    (tmp_path / "corrected").mkdir()
    shutil.copy(tmp_path / "extract-2026-07" / "wards.csv", tmp_path / "corrected")
    calls = [shlex.split(command.split("uv run bandaudit ")[1]) for command in COMMANDS if "bandaudit" in command]
    told = [
        "demo",
        "load",
        "load",
        "report",
        "present",
        "case",
        "export",
        "measures",
        "new-measure",
        "try",
        "load",
        "try-policy",
        "sketch-mapping",
        "load",
        "load",
        "report",
        "report",
        "report",
    ]
    assert [call[0] for call in calls] == told
    [key] = [command for command in COMMANDS if "> key.txt" in command]
    subprocess.run(key.replace("python", sys.executable, 1), shell=True, check=True)
    for call in calls:
        assert main(call) == 0, capsys.readouterr().err
    assert list(tmp_path.glob("bandaudit-demo/report/*.html"))
    assert len(list(tmp_path.glob("audit-pages/oxygen-audit-2026-06.html"))) == 1
    assert len(list(tmp_path.glob("audit-pages/oxygen-comparison-*.html"))) == 3
    assert list(tmp_path.glob("audit-cases/*S00012*.html"))
    assert list(tmp_path.glob("trial/policy-change-2026-06-*.html"))
    assert len(list(tmp_path.glob("board/*2026-06*"))) == 2


def test_the_mapping_of_the_readme_loads_the_files_it_describes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = next(block for block in re.findall(r"```toml\n(.*?)```", README, re.DOTALL) if "[readings.only]" in block)
    (tmp_path / "mapping.toml").write_text(text, encoding="utf-8")
    files = {
        "spells-06.csv": "Spell No;Pseudonym;Adm date;Adm time;Sex\n1;P1;2026-06-01;08:00;F\n",
        "obs-06.csv": "Spell No;Obs time;Sats;Obs type\n1;01/06/2026 09:00;91,0;SPO2\n1;01/06/2026 09:00;37,1;TEMP\n",
        "o2-prescriptions.csv": "Spell No;Started;From;To\n1;2026-06-01 08:30;88;92\n",
        "bloods.csv": "Spell No;Sample time;pH;CO2\n1;2026-06-01 09:30;7,34;52,5\n",
    }
    (tmp_path / "hospital").mkdir()
    for name, content in files.items():
        (tmp_path / "hospital" / name).write_text(content, encoding="utf-8")
    store = tmp_path / "s.duckdb"
    code = main(
        ["load", str(tmp_path / "hospital"), "--mapping", str(tmp_path / "mapping.toml"), "--store", str(store)]
    )
    assert code == 0, capsys.readouterr().err
    with open_store(store) as connection:
        assert connection.execute("select taken_at::varchar, spo2_percent from readings").fetchall() == [
            ("2026-06-01 08:00:00", 91.0)
        ]
        # 52.5 mmHg x 0.133322 (NIST SP 811)
        assert connection.execute("select round(pco2_kpa, 3), sample_type from gases").fetchall() == [
            (6.999, "arterial")
        ]


def test_the_warehouse_mapping_of_the_readme_can_be_read(tmp_path: Path) -> None:
    text = next(block for block in re.findall(r"```toml\n(.*?)```", README, re.DOTALL) if "[database.select]" in block)
    (tmp_path / "mapping.toml").write_text(text, encoding="utf-8")
    mapping = read_mapping(tmp_path / "mapping.toml")
    assert set(mapping.select) == {name for name, table in TABLES.items() if table.required}
    assert mapping.password_env == "WAREHOUSE_PASSWORD"


def test_the_readme_lists_every_table_and_column_that_comes_in() -> None:
    for table in TABLES.values():
        [row] = re.findall(rf"^\| `{table.name}` \| (.*) \|$", README, re.MULTILINE)
        listed = re.findall(r"`(\w+)(\*?)`", re.sub(r"\([^)]*\)", "", row))
        assert listed == [(column.name, "*" if column.required else "") for column in table.columns]


def test_the_readme_lists_every_device_and_flag() -> None:
    for code in TABLES["devices"].column("device").codes + TABLES["flags"].column("flag").codes:
        assert f"`{code}`" in README


def test_developers_md_lists_the_tables_and_columns_of_the_store() -> None:
    assert documented() == tables_in_markdown(), "run: uv run python -m tests.documented --write"


def test_developers_md_lists_the_words_that_columns_hold() -> None:
    assert words_documented() == words_in_markdown(), "run: uv run python -m tests.documented --write"
    assert words_documented().count("\n") > 10


@pytest.mark.parametrize("table", STORED)
def test_every_column_of_the_store_says_why_it_is_needed(table: str) -> None:
    """And nothing that is not there: in its file of sql/tables/, behind the column, `-- ` and the reason."""
    why = reasons(sql_text("tables", table))
    assert list(why) == list(STORED[table])
    assert not [name for name, reason in why.items() if len(reason.split()) < 2]


def test_a_column_without_a_reason_is_seen() -> None:
    table = (
        "-- One row per ward.\ncreate table wards (\n    ward varchar not null, -- figures by ward\n    bed varchar\n);"
    )
    assert reasons(table) == {"ward": "figures by ward"}
    view = "create view v as\nselect\n    a.x, -- why x\n    a.y::varchar as z, -- why z\n    a.w\nfrom a;"
    assert reasons(view) == {"x": "why x", "z": "why z"}


def test_every_column_of_the_extract_that_the_store_holds_is_listed_with_its_reason() -> None:
    """`stay_id` is kept once, in stays; elsewhere the store's own number stands for it."""
    for table in TABLES.values():
        kept = {"stay_no" if name == "stay_id" and table.name != "stays" else name for name in table.column_names}
        assert kept <= set(STORED[table.name])


def test_a_column_said_to_be_in_no_figure_is_in_none() -> None:
    said = {
        name
        for table in STORED
        for name, reason in reasons(sql_text("tables", table)).items()
        if reason.endswith("in no figure of the report")
    }
    assert said == {"age_band", "sex", "specialty"}
    makers = [*ROOT.glob("sql/measures/*"), *ROOT.glob("sql/derived/*"), *ROOT.glob("reports/**/*.py")]
    makers += [file for file in ROOT.glob("pipeline/**/*.py") if "intake" not in file.parts]
    makers.remove(ROOT / "pipeline" / "vocabulary.py")
    assert len(makers) > 40
    words = {word for file in makers for word in re.findall(r"\w+", file.read_text(encoding="utf-8"))}
    assert not said & words


def test_the_installed_versions_are_the_pinned_ones() -> None:
    found = {}
    for name in pinned():
        try:
            found[name] = version(name)
        except PackageNotFoundError:  # pinned for another system or Python
            continue
    assert "polars" in found
    assert found == {name: pin for name, pin in pinned().items() if name in found}
