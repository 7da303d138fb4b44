"""Damaged extracts of every form through `bandaudit load`: stored with an exact balance, or refused with a message.

Each example takes a small valid extract and damages some of its files, byte by byte or cell by cell. What must hold
whatever comes out: no traceback; exit code 0 or 2; nothing stored after a refusal; every row read accounted for and
every row kept aside stored with its reason; loading the same files again changes nothing.
"""

import contextlib
import gzip
import io
import tempfile
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.cli import main
from tests.intake.extracts import ORDINARY, csv_text, query
from tests.intake.fhir.resources import component, concept, encounter, line, observation, patient, quantity, saturation
from tests.intake.fhir.resources import stop as place
from tests.intake.test_omop_command import FILES as OMOP
from tests.intake.test_sketch_command import corrected, hospital

FHIR_FILES: dict[str, bytes] = {
    "Encounter.ndjson": line(encounter(location=[place("w1", "2026-01-05T08:00:00Z")])) + b"\n",
    "Patient.ndjson": line(patient("P1")) + b"\n",
    "Observation.ndjson.gz": b"\n".join(
        [
            line(saturation(component=[component("3151-8", quantity(2, "L/min"))])),
            line(saturation(91, effectiveDateTime="2026-01-05T11:00:00Z")),
            line(observation(concept("9279-1"), quantity(18, "/min"))),
            line(observation(concept("2019-8"), quantity(6, "kPa"))),
        ]
    ),
    "targets.csv": b"stay_id,prescribed_at,lower_percent,upper_percent\nS1,2026-01-05T08:10:00Z,88,92\n",
}
CANONICAL = {f"{name}.csv": csv_text([row], row).encode() for name, row in ORDINARY.items()}


def packed(content: str | bytes) -> bytes:
    raw = content.encode() if isinstance(content, str) else content
    return gzip.decompress(raw) if raw.startswith(b"\x1f\x8b") else raw


@pytest.fixture(scope="module")
def forms(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Mapping[str, bytes], str | None]]:
    """By form: the files, unpacked, and the mapping if there is one."""
    from pipeline.intake.sketch.draft import sketch_mapping

    folder = hospital(tmp_path_factory.mktemp("own") / "x")
    mapped = {path.name: path.read_bytes() for path in folder.iterdir()}
    return {
        "canonical": (CANONICAL, None),
        "fhir": (FHIR_FILES, None),
        "omop": ({name: packed(content) for name, content in OMOP.items()}, None),
        "mapped": (mapped, corrected(sketch_mapping(folder))),
    }


# Signs that mean something to a reader, numbers and times at the edges, and text of the hostile kind.
# fmt: off
PIECES = st.sampled_from([
    b'"', b",", b";", b"\t", b"\n", b"\r", b"\r\n", b"{", b"}", b"[", b"]", b":", b"null", b"true", b"\x00", b"\xff",
    b"\xef\xbb\xbf", b"\x1e", b"\xe2\x80\xa8", b"\xc2\xa0", b"\\u0000", b"\\ud800", b"1e400", b"-0", b"NaN", b"inf",
    b"9" * 40, b"-1", b"0.5", b"2026-02-30 10:00", b"9999-12-31T23:59:59Z", b"0001-01-01 00:00", b"1970-01-01",
    b"2026-03-29 01:30", b"=1+1", b"'", b"a" * 5000, b"[" * 2000, b"\xf0\x9f\x98\x80", b"S1", b"1.0",
]) | st.binary(min_size=1, max_size=8)
# fmt: on
DAMAGE = st.tuples(st.sampled_from(["insert", "replace", "cell", "cut", "repeat", "end"]), st.floats(0, 1), PIECES)


def damaged(content: bytes, damages: list[tuple[str, float, bytes]]) -> bytes:
    """Mostly behind the header, whose damage is soon told."""
    for kind, where, piece in damages:
        start = content.find(b"\n") + 1 if where > 0.1 else 0
        at = start + int(where * (len(content) - start))
        if kind == "end":
            content = content[: max(at, 1)]
        elif kind == "cell":
            cells = content[start:].split(b",")
            cells[int(where * (len(cells) - 1))] = piece
            content = content[:start] + b",".join(cells)
        elif kind == "repeat":
            content = content[:at] + content[at : at + 40] + content[at:]
        else:
            behind = {"insert": at, "replace": at + len(piece), "cut": at + 20}[kind]
            content = content[:at] + (b"" if kind == "cut" else piece) + content[behind:]
    return content


@pytest.mark.parametrize("form", ["canonical", "fhir", "omop", "mapped"])
@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck), print_blob=False)
@given(data=st.data())
def test_a_damaged_extract_is_stored_with_an_exact_balance_or_refused_with_a_message(
    forms: dict[str, tuple[Mapping[str, bytes], str | None]], form: str, data: st.DataObject
) -> None:
    files, mapping = forms[form]
    chosen = data.draw(
        st.dictionaries(st.sampled_from(sorted(files)), st.lists(DAMAGE, min_size=1, max_size=4), max_size=2)
    )
    with tempfile.TemporaryDirectory() as home:
        folder, store, options = Path(home) / "x", Path(home) / "s", list[str]()
        folder.mkdir()
        for name, content in files.items():
            written = damaged(content, chosen.get(name, []))
            (folder / name).write_bytes(gzip.compress(written) if name.endswith(".gz") else written)
        if mapping is not None:
            (Path(home) / "mapping.toml").write_text(mapping, encoding="utf-8")
            options = ["--mapping", str(Path(home) / "mapping.toml")]
        code, out, err = run(folder, store, options)
        if code == 2:
            assert err.startswith("bandaudit: ")
            assert not store.exists()
            return
        assert (code, err) == (0, "")
        assert_accounted_for(store)
        code, out, err = run(folder, store, options)
        assert (code, err) == (0, "")
        assert "nothing has changed" in out


def run(folder: Path, store: Path, options: list[str]) -> tuple[int, str, str]:
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(io.StringIO()) as err:
        code = main(["load", str(folder), "--store", str(store), *options])
    return code, out.getvalue(), err.getvalue()


def assert_accounted_for(store: Path) -> None:
    [(read, sorted_out, aside, told)] = query(
        store,
        "select sum(rows_read), sum(rows_stored + rows_already_stored + rows_repeated + rows_kept_aside), "
        "sum(rows_kept_aside), (select count(*) from rejected_rows where reason <> '') from load_ledger",
    )
    assert read == sorted_out
    assert aside == told
    for table in ("stays", "readings", "gases", "devices"):
        [(held, stored)] = query(
            store,
            f"select (select count(*) from {table}), "
            f"(select coalesce(sum(rows_stored), 0) from load_ledger where table_name = '{table}')",
        )
        assert held == stored
