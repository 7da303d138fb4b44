"""The notebook and the snippet of DEVELOPERS.md run as they stand, offline, on a store that they do not change."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.store_files import fingerprint_of, write_measured_store

ROOT = Path(__file__).parents[2]
NOTEBOOK = ROOT / "synthetic_data" / "explore_store.ipynb"
CONTENT = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
# What Jupyter asks of the last line of a cell, without Jupyter; a network is refused.
_RUN = """
import ast, json, os, socket, sys

def refuse(*_, **__):
    print("a network was reached for", file=sys.stderr)
    os._exit(3)

for name in ("connect", "connect_ex", "sendto", "bind", "listen"):
    setattr(socket.socket, name, refuse)
for name in ("getaddrinfo", "create_connection", "gethostbyname"):
    setattr(socket, name, refuse)

space, shown = {"__name__": "__main__"}, []
for cell in json.loads(sys.stdin.read()):
    tree = ast.parse(cell)
    last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
    exec(compile(tree, "cell", "exec"), space)
    value = None if last is None else eval(compile(ast.Expression(last.value), "cell", "eval"), space)
    bundle = getattr(value, "_repr_mimebundle_", None)
    if bundle is not None:
        made = bundle(None, None)
        made = made[0] if isinstance(made, tuple) else made
        shown.append({kind: str(text) for kind, text in made.items()})
    elif hasattr(value, "height"):
        shown.append({"rows": value.height, "columns": value.columns, "values": value.rows()})
print(json.dumps(shown))
"""


def run(cells: list[str], folder: Path) -> list[dict[str, object]]:
    command = [sys.executable, "-c", _RUN]
    done = subprocess.run(command, input=json.dumps(cells), capture_output=True, text=True, cwd=folder, check=False)
    assert done.returncode == 0, done.stderr
    return list(json.loads(done.stdout.splitlines()[-1]))


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    (tmp_path / "bandaudit-demo").mkdir()
    return write_measured_store(tmp_path / "bandaudit-demo" / "demo.duckdb")


def code_cells() -> list[str]:
    return ["".join(cell["source"]) for cell in CONTENT["cells"] if cell["cell_type"] == "code"]


def test_the_notebook_runs_offline_and_draws_its_chart_here(demo: Path, tmp_path: Path) -> None:
    """In a folder below the one where the demo was run, as Jupyter does."""
    (tmp_path / "synthetic_data").mkdir()
    before = fingerprint_of(demo)
    tables, chart, pooled = run(code_cells(), tmp_path / "synthetic_data")
    assert tables["columns"] == ["table_name", "columns"]
    assert {"timeline", "measure_rows"} <= {row[0] for row in tables["values"]}  # type: ignore[attr-defined]
    svg = str(chart["image/svg+xml"])
    assert svg.startswith("<svg")
    assert "% of observed time" in svg
    assert "2025-12" in svg
    assert pooled["columns"] == ["month", "percent"]
    assert all(0 <= row[1] <= 100 for row in pooled["values"])  # type: ignore[attr-defined]
    assert fingerprint_of(demo) == before


def test_the_notebook_holds_no_output_and_is_small() -> None:
    assert (CONTENT["nbformat"], CONTENT["nbformat_minor"]) == (4, 5)
    assert len({cell["id"] for cell in CONTENT["cells"]}) == len(CONTENT["cells"])
    for cell in CONTENT["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            assert cell["execution_count"] is None
        assert cell["metadata"] == {}
    assert NOTEBOOK.stat().st_size < 10_000


def test_the_notebook_names_no_place_on_a_machine_and_no_address() -> None:
    text = NOTEBOOK.read_text(encoding="utf-8")
    assert not re.search(r"""["'(]/\w|[A-Z]:\\|://""", text)


def test_the_notebook_finds_the_store_where_the_demo_was_run_as_well(demo: Path, tmp_path: Path) -> None:
    opening, tables = code_cells()[:2]
    [found] = run([opening.replace("import altair as alt\n", ""), tables], tmp_path)
    assert found["rows"] > 30  # type: ignore[operator]


def test_the_snippet_of_the_guide_runs(demo: Path, tmp_path: Path) -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    [section] = re.findall(r"^## Read a store with other tools\n(.*?)^## ", guide, re.DOTALL | re.MULTILINE)
    [snippet] = re.findall(r"```python\n(.*?)```", section, re.DOTALL)
    before = fingerprint_of(demo)
    [months] = run([snippet + "\nmonths"], tmp_path)
    assert months["columns"] == ["month", "patients", "share_within"]
    assert months["rows"] > 3  # type: ignore[operator]
    assert fingerprint_of(demo) == before
