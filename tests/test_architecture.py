"""The house keeps its shape: floors, lengths, names, no network, no traces of the machine it was built on."""

import ast
import inspect
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import duckdb
import pytest

from pipeline import errors
from pipeline.catalogue import read_measures
from pipeline.store import create_tables
from tests.stores import empty_store

ROOT = Path(__file__).parent.parent
PACKAGES = ("pipeline", "reports", "sql", "synthetic_data")
# From the ground up: a module imports from floors below its own, and from its own room.
FLOORS = (
    ("pipeline.errors",),
    ("pipeline.memory", "pipeline.one_ahead", "pipeline.progress", "pipeline.spill"),
    ("pipeline.policy", "pipeline.vocabulary", "pipeline.declared_changes", "sql"),
    ("pipeline.physiology",),
    ("pipeline.store",),
    ("pipeline.intake",),
    ("pipeline.devices_in_force",),
    ("pipeline.layers",),
    ("pipeline.reading_runs",),
    ("pipeline.timeline",),
    ("pipeline.episodes",),
    ("pipeline.events",),
    ("pipeline.pathway",),
    ("pipeline.coded_words",),
    ("pipeline.event_tables",),
    ("pipeline.batch",),
    ("pipeline.measure_select",),
    ("pipeline.measure_file",),
    ("pipeline.measure_rows",),
    ("pipeline.catalogue",),
    ("pipeline.provenance",),
    ("pipeline.statistics", "pipeline.control_charts", "pipeline.run_rules", "pipeline.funnel"),
    ("pipeline.before_after", "pipeline.monthly_signal"),
    ("pipeline.stay_batches",),
    ("pipeline.batch_tables",),
    ("pipeline.fill",),
    ("pipeline.rollup",),
    ("pipeline.month_rollup",),
    ("pipeline.pooled_months",),
    ("pipeline.new_measure",),
    ("pipeline.measure",),
    ("pipeline.measured_copy", "pipeline.trial_warnings"),
    ("pipeline.trial",),
    ("pipeline.change_effects", "pipeline.comparable", "pipeline.comparison", "pipeline.ward_funnel"),
    ("pipeline.where_pooled",),
    ("pipeline.export", "pipeline.kept_aside", "pipeline.spark"),
    ("reports", "synthetic_data"),
    ("pipeline.compare_command",),
    ("pipeline.analyst_commands", "pipeline.spark_commands"),
    ("pipeline.cli",),
)
# Pure functions over frames: nothing here reads or writes.
PURE = (
    "pipeline.physiology",
    "pipeline.devices_in_force",
    "pipeline.layers",
    "pipeline.reading_runs",
    "pipeline.timeline",
)
PURE_TOO = (
    "pipeline.episodes",
    "pipeline.events",
    "pipeline.pathway",
    "pipeline.batch",
    "pipeline.statistics",
    "pipeline.vocabulary",
)
PURE_FIGURES = (
    "pipeline.control_charts",
    "pipeline.run_rules",
    "pipeline.funnel",
    "pipeline.before_after",
    "pipeline.monthly_signal",
)
READS_OR_WRITES = {"duckdb", "io", "os", "pathlib", "shutil", "tempfile", "sqlite3", "pyarrow"}
REACHES_A_NETWORK = {"aiohttp", "ftplib", "http", "httpx", "requests", "smtplib", "socket", "urllib", "urllib3"}
SLOW = {
    "altair",
    "duckdb",
    "fastexcel",
    "great_expectations",
    "lxml",
    "pptx",
    "py4j",
    "pyspark",
    "jinja2",
    "msgspec",
    "numpy",
    "pandas",
    "polars",
    "pyarrow",
    "scipy",
    "sqlglot",
    "vl_convert",
}
MOST_LINES = 320


def modules() -> dict[str, Path]:
    """Every module of the packages by its dotted name, empty ones apart."""
    found = {}
    for package in PACKAGES:
        for file in sorted((ROOT / package).rglob("*.py")):
            parts = file.relative_to(ROOT).with_suffix("").parts
            if file.stat().st_size:
                found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = file
    return found


MODULES = modules()


def imported_names(tree: ast.AST) -> set[str]:
    """Full names of everything imported anywhere in a tree: `from a import b` gives a and a.b."""
    names = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports name the whole path"
            names |= {str(node.module)} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


IMPORTS = {name: imported_names(ast.parse(file.read_text(encoding="utf-8"))) for name, file in MODULES.items()}
OWN_IMPORTS = {name: {other for other in names if other in MODULES} for name, names in IMPORTS.items()}


def room_of(module: str) -> tuple[int, str]:
    """The floor and the room of a module; a room is a module or a package named in FLOORS."""
    for floor, rooms in enumerate(FLOORS):
        for room in rooms:
            if module == room or module.startswith(f"{room}."):
                return floor, room
    pytest.fail(f"{module} stands on no floor: give it one in FLOORS of {Path(__file__).name}")


# --- floors -----------------------------------------------------------------------------------------------------


def test_the_walk_through_the_modules_finds_them() -> None:
    assert len(MODULES) > 40
    assert OWN_IMPORTS["pipeline.timeline"] >= {"pipeline.policy", "pipeline.layers"}
    assert "pipeline.rollup" in OWN_IMPORTS["reports.month"]


@pytest.mark.parametrize("module", MODULES)
def test_a_module_imports_only_from_floors_below_and_its_own_room(module: str) -> None:
    floor, room = room_of(module)
    wrong = {
        other
        for other in OWN_IMPORTS[module]
        for floor_there, room_there in [room_of(other)]
        if room_there != room and floor_there >= floor
    }
    assert not wrong


def test_no_circle_of_imports() -> None:
    TopologicalSorter(OWN_IMPORTS).prepare()


def test_nothing_imports_tests() -> None:
    assert not {module for module, names in IMPORTS.items() if any(name.split(".")[0] == "tests" for name in names)}


@pytest.mark.parametrize("module", [m for m in MODULES if room_of(m)[1] in (*PURE, *PURE_TOO, *PURE_FIGURES)])
def test_formulas_and_the_kernel_neither_read_nor_write(module: str) -> None:
    assert not {name.split(".")[0] for name in IMPORTS[module]} & READS_OR_WRITES
    calls = [node.func for node in ast.walk(tree_of(module)) if isinstance(node, ast.Call)]
    assert not [call.id for call in calls if isinstance(call, ast.Name) and call.id in ("open", "print")]


def tree_of(module: str) -> ast.Module:
    return ast.parse(MODULES[module].read_text(encoding="utf-8"))


def test_only_the_room_of_spark_imports_it() -> None:
    importing = {
        module
        for module, names in IMPORTS.items()
        if {name.split(".")[0] for name in names} & {"pyspark", "py4j", "sqlglot"}
    }
    assert importing
    assert {room_of(module)[1] for module in importing} == {"pipeline.spark"}


def test_only_the_store_opens_a_database_file() -> None:
    openers = set()
    for module in MODULES:
        for node in ast.walk(tree_of(module)):
            if (
                isinstance(node, ast.Call)
                and ast.unparse(node.func) == "duckdb.connect"
                and (node.args or node.keywords)
            ):
                openers.add(module)
    assert openers == {"pipeline.store"}


# --- shape ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("module", MODULES)
def test_a_module_is_short_enough_to_read(module: str) -> None:
    lines = MODULES[module].read_text(encoding="utf-8").count("\n")
    assert lines <= MOST_LINES


@pytest.mark.parametrize("module", MODULES)
def test_a_module_opens_by_saying_what_it_is_for(module: str) -> None:
    assert ast.get_docstring(tree_of(module))


def test_no_module_is_a_drawer_for_everything() -> None:
    drawers = {"utils", "util", "helpers", "helper", "manager", "common", "misc"}
    assert not {module for module in MODULES if drawers & set(re.split(r"[._]", module))}


def test_the_tree_of_errors_in_words_is_the_tree_of_classes() -> None:
    """The docstring draws each class under the one it comes from, four characters a level."""
    drawn: dict[str, str] = {}
    above: list[str] = []
    for line in inspect.getdoc(errors).splitlines():  # type: ignore[union-attr]
        found = re.match(r"^\s{4}([│├└─ ]*)(\w*Error)\b", line)
        if found:
            level = len(found[1]) // 4
            above = [*above[:level], found[2]]
            drawn[found[2]] = above[level - 1] if level else "Exception"
    classes = {
        name: kind.__base__.__name__  # type: ignore[union-attr]
        for name, kind in inspect.getmembers(errors, inspect.isclass)
        if issubclass(kind, Exception)
    }
    assert drawn == classes
    assert len(drawn) > 5
    assert {errors.EXIT_DONE, errors.EXIT_FAULT_OF_OURS, errors.EXIT_USER_MUST_CHANGE} == {0, 1, 2}


# --- the command line answers at once ---------------------------------------------------------------------------


def test_the_command_line_imports_nothing_slow_at_its_top() -> None:
    tops = [node for node in tree_of("pipeline.cli").body if isinstance(node, ast.Import | ast.ImportFrom)]
    names = {name for node in tops for name in imported_names(node)}
    assert {name.split(".")[0] for name in names} <= {*sys.stdlib_module_names, "pipeline"}
    assert {name for name in names if name in MODULES} == {"pipeline.errors"}


@pytest.mark.parametrize("arguments", [["--help"], ["report", "--help"], ["load"]], ids=" ".join)
def test_help_and_a_slip_of_the_keyboard_are_answered_without_loading_what_is_slow(arguments: list[str]) -> None:
    code = (
        "import json, sys\n"
        "from pipeline.cli import main\n"
        "try:\n"
        f"    main({arguments!r})\n"
        "except SystemExit:\n"
        "    pass\n"
        "print(json.dumps(sorted({name.split('.')[0] for name in sys.modules})))\n"
    )
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    text, loaded = (answer.stdout + answer.stderr), json.loads(answer.stdout.splitlines()[-1])
    assert "usage: bandaudit" in text
    assert not SLOW & set(loaded)


# --- no network, no machine -------------------------------------------------------------------------------------


def code_files() -> Iterator[Path]:
    for package in PACKAGES:
        for file in sorted((ROOT / package).rglob("*")):
            if file.suffix in (".py", ".sql", ".js", ".css", ".j2", ".toml"):
                yield file


@pytest.mark.parametrize("module", MODULES)
def test_no_module_can_reach_a_network(module: str) -> None:
    assert not {name.split(".")[0] for name in IMPORTS[module]} & REACHES_A_NETWORK


def test_no_code_names_an_address() -> None:
    """But for the names of W3C formats, which are addresses nobody visits."""
    address = re.compile(r"\b(?:https?|ftp|wss?)://(?!www\.w3\.org/)", re.IGNORECASE)
    fetched = re.compile(r"@import|url\(\s*['\"]?//|(?:src|href)\s*=\s*['\"]?//|fetch\(|XMLHttpRequest|importScripts")
    files = list(code_files())
    assert {file.suffix for file in files} >= {".py", ".sql", ".js", ".css", ".j2", ".toml"}
    found = {
        f"{file.relative_to(ROOT)}:{number}"
        for file in files
        for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), start=1)
        if address.search(line) or (file.suffix != ".py" and fetched.search(line))
    }
    assert not found


def tracked_files() -> list[Path]:
    listing = subprocess.run(["git", "ls-files", "-z"], capture_output=True, cwd=ROOT, check=False)
    if listing.returncode:
        pytest.skip("not a git checkout: there is no list of files")
    names = listing.stdout.decode().split("\0")
    return [ROOT / name for name in names if name and (ROOT / name).is_file()]


def test_no_tracked_file_names_a_place_on_a_machine() -> None:
    place = re.compile(r"(?<![\w.}-])/(?:work|tmp|home|root|Users|var/folders)/|\b[A-Z]:\\Users\\")
    found = {
        f"{file.relative_to(ROOT)}:{number}"
        for file in tracked_files()
        for number, line in enumerate(file.read_bytes().decode("utf-8", "replace").splitlines(), start=1)
        if place.search(line)
    }
    assert not found


# --- SQL --------------------------------------------------------------------------------------------------------

SQL_FILES = sorted((ROOT / "sql").rglob("*.sql"))
TABLE_FILES = sorted((ROOT / "sql" / "tables").glob("*.sql"))
DERIVED_FILES = sorted((ROOT / "sql" / "derived").glob("*.sql"))


def sql_code(file: Path) -> str:
    """The text with comments and quoted text blanked out."""
    return re.sub(r"--[^\n]*|/\*.*?\*/|'(?:[^']|'')*'", " ", file.read_text(encoding="utf-8"), flags=re.DOTALL)


def named(files: list[Path]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("file", files, ids=[f"{file.parent.name}/{file.stem}" for file in files])


@named(TABLE_FILES)
def test_a_table_file_makes_the_one_table_it_is_named_after(file: Path) -> None:
    assert re.findall(r"\bcreate\s+(?:table|view)\s+(\w+)", sql_code(file)) == [file.stem]


@named([*TABLE_FILES, *DERIVED_FILES])
def test_an_sql_file_opens_by_saying_what_one_row_is(file: Path) -> None:
    assert file.read_text(encoding="utf-8").startswith("-- One row per ")


@named(SQL_FILES)
def test_no_query_ends_in_select_star(file: Path) -> None:
    code = sql_code(file)
    for place in re.finditer(r"\bselect\s+(?:distinct\s+)?(?:\w+\.)?\*", code, re.IGNORECASE):
        before = code[: place.start()]
        assert before.count("(") > before.count(")"), f"line {before.count(chr(10)) + 1}"


@named(SQL_FILES)
def test_keywords_are_in_small_letters(file: Path) -> None:
    keywords = (
        "select|from|where|with|as|join|left|on|group|order|by|case|when|then|else|end|and|or|not|null|create|table"
    )
    shouted = re.findall(rf"\b(?:{keywords.upper()})\b", sql_code(file))
    assert not shouted


@named(DERIVED_FILES)
def test_a_derived_table_gets_exactly_the_columns_it_has(file: Path) -> None:
    with empty_store() as connection:
        query = connection.sql(file.read_text(encoding="utf-8"))
        assert sorted(query.columns) == sorted(connection.table(file.stem).columns)


def test_the_tables_can_be_made_in_the_order_in_which_they_are_made() -> None:
    with duckdb.connect() as connection:
        create_tables(connection)
        made = {name for (name,) in connection.execute("select table_name from information_schema.tables").fetchall()}
    assert made == {file.stem for file in TABLE_FILES}


def test_measures_and_tables_have_names_of_their_own() -> None:
    assert not {measure.id for measure in read_measures()} & {file.stem for file in TABLE_FILES}
