"""The safety list of DEVELOPERS.md: each guard named there exists, pages look back, and nothing speaks of causes."""

import ast
import re
import tomllib
from html import unescape
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TESTS = ROOT / "tests"
ROWS = 22


def safety_rows() -> dict[int, str]:
    """The rows of the table by number."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    [section] = re.findall(r"^## What would hurt someone.*?(?=^## )", text, re.DOTALL | re.MULTILINE)
    return {int(number): row for number, row in re.findall(r"^\| (\d+) \| (.*) \|$", section, re.MULTILINE)}


def guards_named(row: str) -> list[tuple[str, str]]:
    return re.findall(r"`([\w/]+\.(?:py|toml))::([^`]+)`", row)


def sentences_quoted(row: str) -> list[tuple[str, str]]:
    return re.findall(r"“([^”]+)” in `([^`]+)`", row)


def names_in(file: Path) -> set[str]:
    """Names of the tests of a module, or of the cases of a measure."""
    if file.suffix == ".toml":
        return {case["name"] for case in tomllib.loads(file.read_text(encoding="utf-8"))["case"]}
    tree = ast.parse(file.read_text(encoding="utf-8"))
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")}


def words_of(file: Path) -> str:
    """What a reader sees of a template, a document, or the sentences of a module; blanks as one."""
    text = file.read_text(encoding="utf-8")
    if file.suffix == ".py":
        return " ".join(" ".join(_strings(text)).split())
    if file.suffix == ".j2":
        text = unescape(re.sub(r"<[^>]+>|{%.*?%}", " ", text, flags=re.DOTALL))
    return " ".join(text.split())


def _strings(code: str) -> list[str]:
    """Every text of a module, an f-string as one text without what is filled in."""
    tree = ast.parse(code)
    in_f_strings = {
        id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in ast.walk(node)
    } - {id(node) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr)}
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            found.append("".join(str(part.value) for part in node.values if isinstance(part, ast.Constant)))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in in_f_strings:
            found.append(node.value)
    return found


# --- the list ---------------------------------------------------------------------------------------------------


def test_every_row_is_there_and_has_an_error_a_guard_and_something_that_holds_it() -> None:
    rows = safety_rows()
    assert list(rows) == list(range(1, ROWS + 1))
    for number, row in rows.items():
        cells = row.split(" | ")
        assert len(cells) == 3, number
        assert guards_named(cells[2]), number


@pytest.mark.parametrize("number", range(1, ROWS + 1))
def test_what_holds_a_guard_exists(number: int) -> None:
    row = safety_rows()[number]
    named = guards_named(row)
    assert row.count("::") == len(named)
    assert not [f"{path}::{name}" for path, name in named if name not in names_in(TESTS / path)]
    assert row.count("” in `") == len(sentences_quoted(row))
    assert not [text for text, path in sentences_quoted(row) if text not in words_of(ROOT / path)]


def test_rows_without_a_full_guard_are_counted_in_the_text() -> None:
    missing = [number for number, row in safety_rows().items() if "**Missing:**" in row]
    text = " ".join((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split())
    in_words = {0: "Every row is guarded", 1: "one row says what is missing", 2: "two rows say what is missing"}
    assert in_words[len(missing)] in text


# --- every page looks back --------------------------------------------------------------------------------------


def test_every_page_says_that_it_looks_back() -> None:
    templates = ROOT / "reports" / "templates"
    pages = [file for file in templates.glob("*.html.j2") if '{% extends "page.html.j2" %}' in file.read_text("utf-8")]
    assert "month.html.j2" in {file.name for file in pages}
    for page in pages:
        included = re.findall(r'{% include "([^"]+)" %}', page.read_text(encoding="utf-8"))
        words = " ".join(words_of(file) for file in (page, *(templates / name for name in included)))
        assert "Retrospective" in words, page.name
        assert re.search(r"(?:not a|no|never a) bedside monitor", words), page.name
        assert re.search(r"(?:not|never) advice for (?:any one|this or another|one) patient", words), page.name


# --- no words of cause ------------------------------------------------------------------------------------------

_CAUSE = re.compile(
    r"\b(?:caus(?:ed|es|ing)|(?:because of|due to|owing to|as a result of)(?: the| too much| high| excess)* oxygen"
    r"|led to|resulted in|brought about)\b",
    re.IGNORECASE,
)
_DENIED = re.compile(r"\b(?:never|not|no|nothing|nor)\b[^.:;!?]{0,30}$", re.IGNORECASE)


def claims_of_cause(words: str) -> list[str]:
    """The places at which something is called the cause, with what stands around them; denials apart."""
    return [
        words[max(0, place.start() - 40) : place.end() + 40]
        for place in _CAUSE.finditer(words)
        if not _DENIED.search(words[: place.start()])
    ]


def told_files() -> list[Path]:
    """Every file whose words reach a reader: measures, pages, the code that writes them, and the documents."""
    found = [*(ROOT / "sql" / "measures").glob("*.sql"), *(ROOT / "reports").rglob("*.j2")]
    found += [*(ROOT / "reports").rglob("*.py"), *(ROOT / "pipeline" / "pathway").glob("*.py")]
    return [*found, ROOT / "pipeline" / "vocabulary.py", ROOT / "README.md"]


@pytest.mark.parametrize("file", told_files(), ids=lambda file: str(file.relative_to(ROOT)))
def test_no_words_of_cause(file: Path) -> None:
    assert claims_of_cause(words_of(file)) == []


def test_the_search_for_words_of_cause_finds_them_and_lets_denials_pass() -> None:
    for claim in (
        "The rise was caused by oxygen.",
        "pCO2 rose because of too much oxygen",
        "acidosis due to oxygen",
        "High oxygen led to acidosis.",
        "Never mind the gas: oxygen caused it.",
    ):
        assert claims_of_cause(claim), claim
    for denial in (
        "Followed by, never caused by: the sickest",
        "was not thereby caused by it",
        "Cut because it was late",
    ):
        assert not claims_of_cause(denial), denial
    assert len(told_files()) > 40
    followed = [file for file in told_files() if "never caused by" in words_of(file)]
    assert len(followed) >= 3
