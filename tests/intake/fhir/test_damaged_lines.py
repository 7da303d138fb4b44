"""Every file of NDJSON, however damaged, ends in rows or in a clear message, and every line is accounted for."""

import gzip
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import ExtractError
from pipeline.intake.check import typed
from pipeline.intake.fhir.codes import FHIR_RULES
from pipeline.intake.fhir.folder import fhir_files, fhir_sources
from pipeline.vocabulary import TABLES
from tests.intake.fhir.resources import (
    SNOMED,
    Resource,
    component,
    concept,
    encounter,
    kept_aside,
    line,
    observation,
    patient,
    pieces,
    quantity,
    rows,
    saturation,
    stop,
    write,
)

CONDITION = {"resourceType": "Condition", "id": "c1", "code": concept("13645005", system=SNOMED)}


# --- lines ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bad", "rule"),
    [
        (line(saturation())[:-20], "not_json"),
        (b"words of a note", "not_json"),
        (b'{"resourceType":"Observation","status":"\xe9"}', "not_json"),
        (b'{"resourceType":"Observation","note":' + b"[" * 5000, "not_json"),
        (b"[]", "not_a_resource"),
        (b"94", "not_a_resource"),
        (b"{}", "not_a_resource"),
        (b'{"resourceType":null}', "not_a_resource"),
        (line(saturation(valueQuantity={"value": "94"})), "not_a_resource"),
        (line(saturation() | {"code": "59408-5"}), "not_a_resource"),
        (line(saturation(valueQuantity={"value": 1e308 * 10})), "not_json"),
        (line(saturation()).replace(b":95", b":1e999"), "not_a_resource"),
    ],
    ids=[
        "cut",
        "words",
        "latin-1",
        "deep",
        "list",
        "number",
        "empty",
        "no type",
        "number as text",
        "code as text",
        "infinite",
        "too large",
    ],
)
def test_a_line_that_cannot_be_read_is_kept_aside_under_its_number(bad: bytes, rule: str, tmp_path: Path) -> None:
    resources = [saturation(), bad, saturation(effectiveDateTime="2026-01-05T10:05:00Z")]
    assert kept_aside(tmp_path, *resources) == [("readings", 2, rule, None)]
    assert sorted(row["row_number"] for row in rows(tmp_path, *resources)["readings"]) == [1, 2, 3]
    assert "words" not in str(rows(tmp_path, *resources))


def test_blank_lines_are_no_rows_but_have_numbers(tmp_path: Path) -> None:
    assert [row["row_number"] for row in rows(tmp_path, b"", saturation(), b"  \r", encounter())["readings"]] == [2]


@pytest.mark.parametrize("start", [b"\xef\xbb\xbf", b""], ids=["byte-order mark", "plain"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n"], ids=["lf", "crlf"])
@pytest.mark.parametrize("last", [True, False], ids=["ended", "not ended"])
def test_marks_and_line_ends_make_no_difference(start: bytes, end: bytes, last: bool, tmp_path: Path) -> None:
    text = start + line(saturation()) + end + line(encounter()) + (end if last else b"")
    (tmp_path / "a.ndjson").write_bytes(text)
    assert {table: frame["row_number"].to_list() for (table, _), frame in pieces(tmp_path).items()} == {
        "stays": [2],
        "readings": [1],
    }


def test_lines_longer_than_a_block_are_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.intake.fhir.folder._BLOCK_BYTES", 7)
    found = rows(tmp_path, saturation(94), b"", saturation(95, effectiveDateTime="2026-01-05T10:05:00Z"), b"?")
    assert [(row["row_number"], row.get("spo2_percent")) for row in found["readings"]] == [
        (1, "94.0"),
        (3, "95.0"),
        (4, None),
    ]


def test_shares_of_the_encounters_give_the_same_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    resources = [
        resource
        for number in range(50)
        for resource in (
            saturation(94, encounter={"reference": f"Encounter/S{number}"}),
            observation(concept("9279-1"), quantity(18, "/min"), encounter={"reference": f"Encounter/S{number}"}),
            observation(concept("2744-1"), quantity(7.3, "1"), encounter={"reference": f"Encounter/S{number}"}),
            observation(concept("2019-8"), quantity(7, "kPa"), encounter={"reference": f"Encounter/S{number}"}),
        )
    ]
    whole = rows(tmp_path, *resources, saturation(93, encounter=None))
    monkeypatch.setattr("pipeline.intake.fhir.folder._BYTES_A_SHARE", 5000)
    monkeypatch.setattr("pipeline.intake.fhir.folder._PARTS_AT_A_TIME", 10)
    monkeypatch.setattr("pipeline.intake.fhir.folder._BLOCK_BYTES", 3000)
    in_shares = rows(tmp_path, *resources, saturation(93, encounter=None))
    assert {table: sorted(found, key=lambda row: row["row_number"]) for table, found in in_shares.items()} == whole
    assert len(whole["gases"]) == 50
    assert len(whole["readings"]) == 51


# --- files ------------------------------------------------------------------------------------------------------


def refusal(folder: Path) -> str:
    with pytest.raises(ExtractError) as refused:
        fhir_sources(folder)
    return str(refused.value)


@pytest.mark.parametrize("text", [b"", b"\n \r\n"], ids=["nothing", "blank lines"])
def test_an_empty_file_is_refused_by_name(text: bytes, tmp_path: Path) -> None:
    (tmp_path / "Observation.ndjson").write_bytes(text)
    assert "Observation.ndjson is empty" in refusal(tmp_path)


def test_a_file_of_json_over_several_lines_is_refused(tmp_path: Path) -> None:
    (tmp_path / "Observation.ndjson").write_text(json.dumps(saturation(), indent=2))
    said = refusal(tmp_path)
    assert "holds a FHIR resource. Expected NDJSON" in said
    assert "95" not in said


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_utf_16_is_refused(encoding: str, tmp_path: Path) -> None:
    (tmp_path / "Observation.ndjson").write_bytes(line(saturation()).decode().encode(encoding))
    assert "UTF-16" in refusal(tmp_path)


def test_a_file_cut_short_is_refused(tmp_path: Path) -> None:
    packed = gzip.compress(b"".join(line(saturation(id=f"o{n}")) + b"\n" for n in range(100)))
    for text in (packed[:-30], packed[: len(packed) // 2], b"no gzip", b"\x1f\x8b"):
        (tmp_path / "Observation.ndjson.gz").write_bytes(text)
        assert "Observation.ndjson.gz cannot be read to its end" in refusal(tmp_path)


def test_a_line_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.intake.fhir.folder._LONGEST_LINE_BYTES", 1000)
    monkeypatch.setattr("pipeline.intake.fhir.folder._BLOCK_BYTES", 500)
    (tmp_path / "Observation.ndjson").write_bytes(line(saturation()) + b"\n" + b'{"a":"' + b"a" * 5000)
    assert "line 2" in refusal(tmp_path)


def test_lines_that_are_not_used_are_told(tmp_path: Path) -> None:
    heart_rate = observation(concept("8867-4"), quantity(80, "/min"))
    write(tmp_path, {"Condition.ndjson": [CONDITION, b"?"], "Observation.ndjson": [heart_rate] * 3 + [saturation()]})
    sentences: list[str] = []
    assert list(pieces(tmp_path, sentences)) == [("readings", "Observation.ndjson")]
    assert sentences == [
        "The file Condition.ndjson holds no type of FHIR resource that the audit uses.",
        "3 observations of other kinds in the file Observation.ndjson were not used.",
    ]


def test_a_folder_is_one_of_fhir_when_it_holds_ndjson(tmp_path: Path) -> None:
    assert not fhir_files(tmp_path)
    assert not fhir_files(tmp_path / "nowhere")
    (tmp_path / "readings.csv").touch()
    (tmp_path / ".hidden.ndjson").touch()
    (tmp_path / "folder.ndjson").mkdir()
    assert not fhir_files(tmp_path)
    (tmp_path / "Observation.NDJSON.gz").touch()
    assert fhir_files(tmp_path)


# --- hostile input ----------------------------------------------------------------------------------------------

RESOURCES: list[Resource] = [
    patient("P1"),
    encounter(location=[stop("w1", "2026-01-05T08:00:00Z"), stop("b1")], partOf={"reference": "Encounter/S2"}),
    {"resourceType": "Location", "id": "b1", "name": "bed", "partOf": {"reference": "Location/w1"}},
    {"resourceType": "Organization", "id": "h1", "name": "North site"},
    {"resourceType": "Device", "id": "d1", "type": concept("336623009", system=SNOMED)},
    saturation(component=[component("3151-8", quantity(2, "L/min"))], device={"reference": "Device/d1"}),
    observation(concept("9279-1"), quantity(18, "/min"), effectivePeriod={"start": "2026-01-05T10:00:00Z"}),
    observation(concept("24336-0"), component=[component("2744-1", quantity(7.3, "[pH]"))]),
    observation(concept("2019-8"), quantity(7, "kPa"), method=concept("428285009", system=SNOMED)),
]
WORDS = st.sampled_from(
    [
        "",
        " ",
        "\x00",
        "\ud800",
        "94",
        "Encounter/S1",
        "2026-01-05T10:00:00Z",
        "9" * 400,
        "kPa",
        "{",
        "#",
        "?",
        "_history/",
    ]
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | st.text() | WORDS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text() | WORDS, inner, max_size=3),
    max_leaves=6,
)
EASY = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


@st.composite
def mutated(draw: st.DrawFn) -> list[bytes]:
    """Lines of valid resources in which some elements were taken out, doubled or replaced by anything."""
    lines = []
    for resource in draw(st.lists(st.sampled_from(RESOURCES), min_size=1, max_size=8)):
        copy = json.loads(json.dumps(resource))
        for _ in range(draw(st.integers(0, 3))):
            mutate(draw, copy)
        lines.append(json.dumps(copy, ensure_ascii=draw(st.booleans())).encode("utf-8", "surrogatepass"))
    return lines


def mutate(draw: st.DrawFn, element: Any) -> None:
    while True:
        keys: list[Any] = list(element) if isinstance(element, dict) else list(range(len(element)))
        if not keys:
            return
        key = draw(st.sampled_from(keys))
        if isinstance(element[key], dict | list) and draw(st.integers(0, 3)):
            element = element[key]
            continue
        change = draw(st.sampled_from(["out", "anything", "doubled"]))
        if change == "out":
            del element[key]
        elif change == "doubled" and isinstance(element, list):
            element.append(element[key])
        else:
            element[key] = draw(JSON)
        return


def assert_accounted_for(folder: Path) -> None:
    """The sources give rows of the agreed form that the load can type, or one clear error is raised."""
    try:
        found = pieces(folder)
    except ExtractError:
        assert refusal(folder).endswith("nothing was stored.")
        return
    for (table, _), frame in found.items():
        assert set(frame["rule"].drop_nulls()) <= set(FHIR_RULES)
        assert set(frame["fault_column"].drop_nulls()) <= set(TABLES[table].column_names)
        assert frame["row_number"].min() >= 1
        assert typed(frame.drop("rule", "fault_column"), TABLES[table], "Europe/London").height == frame.height


@given(lines=mutated())
@EASY
def test_changed_elements_never_break_the_reader(lines: list[bytes], tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("mutated")
    write(folder, {"all.ndjson": lines})
    assert_accounted_for(folder)


@given(changes=st.lists(st.tuples(st.integers(0, 10**6), st.binary(max_size=4)), min_size=1, max_size=20))
@EASY
def test_changed_bytes_never_break_the_reader(
    changes: list[tuple[int, bytes]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    text = bytearray(b"\n".join(map(line, RESOURCES)))
    for place, new in changes:
        at = place % len(text)
        text[at : at + len(new)] = new
    folder = tmp_path_factory.mktemp("bytes")
    (folder / "all.ndjson").write_bytes(text)
    assert_accounted_for(folder)


@given(changes=st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), min_size=1, max_size=5))
@EASY
def test_changed_bytes_of_gzip_never_break_the_reader(
    changes: list[tuple[int, int]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    packed = bytearray(gzip.compress(b"\n".join(map(line, RESOURCES)), mtime=0))
    for place, new in changes:
        packed[place % len(packed)] = new
    folder = tmp_path_factory.mktemp("gzip")
    (folder / "all.ndjson.gz").write_bytes(packed)
    assert_accounted_for(folder)
