"""Keys hashed anew: the hash is HMAC-SHA-256, keys that match go on matching, and nothing of the original is left.

Outside checks: the test cases of RFC 4231 (as published, section 4) and the standard library's `hmac`.
"""

import hashlib
import hmac
import json
import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import AuditError
from pipeline.intake.check import typed
from pipeline.intake.ragged import RaggedRow
from pipeline.intake.rekey import (
    KEY_COLUMNS,
    hmac_sha256,
    key_fingerprint,
    read_key,
    rekeyed,
    without_cells_as_read,
    without_text,
)
from pipeline.vocabulary import TABLES

SECRET = b"0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"
OTHER_SECRET = b"x" + SECRET[1:]
POSIX = pytest.mark.skipif(os.name != "posix", reason="permissions of other systems are not looked at")

# RFC 4231, section 4: key, data, HMAC-SHA-256 (case 5 is published cut to 128 bits).
RFC_4231 = {
    "1": (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    "2": (b"Jefe", b"what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
    "3": (b"\xaa" * 20, b"\xdd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
    "4": (bytes(range(1, 26)), b"\xcd" * 50, "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"),
    "5": (b"\x0c" * 20, b"Test With Truncation", "a3b6167473100ee06e0c796c2955552b"),
    "6": (
        b"\xaa" * 131,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    ),
    "7": (
        b"\xaa" * 131,
        b"This is a test using a larger than block-size key and a larger than block-size data. The key needs to be "
        b"hashed before being used by the HMAC algorithm.",
        "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
    ),
}


@pytest.fixture(scope="module")
def connection() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as opened:
        yield opened


def by_the_standard_library(column: str, key_text: str, secret: bytes = SECRET) -> str:
    return hmac.new(secret, column.encode() + b"\0" + key_text.encode(), "sha256").hexdigest()[:32]


# --- the hash ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", RFC_4231)
def test_the_hash_is_that_of_the_published_test_cases(connection: duckdb.DuckDBPyConnection, case: str) -> None:
    key, data, published = RFC_4231[case]
    [found] = hmac_sha256(connection, key, pl.Series([data], dtype=pl.Binary))
    assert len(found) == 64
    assert found[: len(published)] == published


@settings(deadline=None)
@given(
    st.binary(min_size=32, max_size=200),
    st.lists(st.text(max_size=300), unique=True, max_size=5),
    st.binary(max_size=20),
)
def test_the_hash_is_that_of_the_standard_library(secret: bytes, texts: list[str], label: bytes) -> None:
    messages = pl.Series([text.encode() for text in texts], dtype=pl.Binary)
    with duckdb.connect() as fresh:
        found = hmac_sha256(fresh, secret, messages, label).to_list()
    assert found == [hmac.new(secret, label + text.encode(), "sha256").hexdigest() for text in texts]


# --- the columns ------------------------------------------------------------------------------------------------


def test_the_keys_are_the_two_of_the_extract() -> None:
    assert KEY_COLUMNS == ("stay_id", "patient_key")


def test_every_key_becomes_its_hash_and_the_rest_stays_as_it_was(connection: duckdb.DuckDBPyConnection) -> None:
    piece = pl.DataFrame(
        {
            "row_number": [2, 3, 4, 5],
            "stay_id": ["S-1", "Süd 7", "S-1", None],
            "site": ["S-1", "north", None, "north"],
            "patient_key": ["P-1", None, "P-2", "S-1"],
        }
    )
    found = rekeyed(connection, piece, SECRET)
    assert found.columns == piece.columns
    assert found.drop(KEY_COLUMNS).equals(piece.drop(KEY_COLUMNS))
    for name in KEY_COLUMNS:
        assert found[name].to_list() == [key and by_the_standard_library(name, key) for key in piece[name].to_list()]
    assert all(re.fullmatch(r"[0-9a-f]{32}", key) for name in KEY_COLUMNS for key in found[name].drop_nulls())


def test_equal_texts_of_a_stay_and_a_patient_have_unlike_hashes(connection: duckdb.DuckDBPyConnection) -> None:
    found = rekeyed(connection, pl.DataFrame({"stay_id": ["17"], "patient_key": ["17"]}), SECRET)
    assert found["stay_id"][0] != found["patient_key"][0]


def test_another_secret_gives_other_hashes(connection: duckdb.DuckDBPyConnection) -> None:
    piece = pl.DataFrame({"stay_id": ["S-1", "S-2"]})
    ours, theirs = (set(rekeyed(connection, piece, key)["stay_id"]) for key in (SECRET, OTHER_SECRET))
    assert len(ours) == len(theirs) == 2
    assert not ours & theirs


def test_a_piece_without_keys_or_without_rows_passes_through(connection: duckdb.DuckDBPyConnection) -> None:
    piece = pl.DataFrame({"row_number": [2], "ward": ["Hazel"]})
    assert rekeyed(connection, piece, SECRET).equals(piece)
    empty = pl.DataFrame(schema={"row_number": pl.Int64, "stay_id": pl.String, "patient_key": pl.Int64})
    assert rekeyed(connection, empty, SECRET).schema == empty.schema | {"patient_key": pl.String}


# Every way in which one and the same key may come: blanks about it, as a number in Parquet, repeated and packed.
FORMS = {
    "text": pl.Series(["1001", "1002", None]),
    "blanks": pl.Series([" 1001", "1002\t ", "  "]),
    "whole": pl.Series([1001, 1002, None], dtype=pl.Int32),
    "decimal": pl.Series([1001.0, 1002.0, None], dtype=pl.Float64),
    "packed": pl.Series(["1001", "1002", None], dtype=pl.Categorical),
    "empty": pl.Series(["1001", "1002", ""]),
}


@pytest.mark.parametrize("form", FORMS)
def test_keys_match_after_hashing_as_they_match_without(connection: duckdb.DuckDBPyConnection, form: str) -> None:
    """The rows that `typed` joins by key are those that it joins by hash."""
    piece = pl.DataFrame({"row_number": [2, 3, 4], "stay_id": FORMS[form]})
    plain = typed(piece, TABLES["wards"], "Europe/London")["stay_id"].to_list()
    assert plain == ["1001", "1002", None]
    hashed = typed(rekeyed(connection, piece, SECRET), TABLES["wards"], "Europe/London")["stay_id"].to_list()
    assert hashed == [key and by_the_standard_library("stay_id", key) for key in plain]


@settings(deadline=None)
@given(st.lists(st.text(max_size=12), min_size=1, max_size=8))
def test_cells_are_the_same_key_after_hashing_exactly_when_they_are_before(texts: list[str]) -> None:
    piece = pl.DataFrame({"row_number": range(len(texts)), "stay_id": texts}, schema_overrides={"stay_id": pl.String})
    with duckdb.connect() as fresh:
        hashed = rekeyed(fresh, piece, SECRET)
    before, after = (typed(rows, TABLES["wards"], "UTC")["stay_id"].to_list() for rows in (piece, hashed))
    assert [a == b for a in before for b in before] == [a == b for a in after for b in after]
    assert [key is None for key in before] == [key is None for key in after]


def test_nothing_is_left_in_the_connection() -> None:
    with duckdb.connect() as fresh:
        rekeyed(fresh, pl.DataFrame({"stay_id": ["S-1"]}), SECRET)
        assert fresh.execute("select count(*) from duckdb_views() where not internal").fetchall() == [(0,)]
        assert fresh.execute("select count(*) from duckdb_tables()").fetchall() == [(0,)]


# --- rows kept aside --------------------------------------------------------------------------------------------


def test_rows_kept_aside_carry_no_original_key(connection: duckdb.DuckDBPyConnection) -> None:
    """The last two rows have their cells one column on and in disorder, as rows kept aside often do."""
    devices = pl.DataFrame(
        {
            "row_number": [2, 3, 4, 5],
            "stay_id": ["S-1001", "S-1001", None, "2026-01-05 10:00"],
            "started_at": ["2026-01-05 10:00", "2026-01-05 11:00", "S-1001", "S-1001"],
            "device": ["nasal_cannula", "nasal_cannula", "2026-01-05 10:00", "S-1001"],
            "flow_l_min": ["2", "200", "1001", "2"],
        }
    )
    table = TABLES["devices"]
    rows = without_cells_as_read(typed(rekeyed(connection, devices, SECRET), table, "Europe/London"), table)
    assert rows["rule"].to_list() == [None, "out_of_range", "missing_required", "not_a_time"]
    assert rows["cells"].to_list()[0] is None
    for cells in rows["cells"].drop_nulls():
        assert "1001" not in cells
        assert list(json.loads(cells)) == list(table.column_names)
    kept = json.loads(rows["cells"][1])
    assert kept["stay_id"] == by_the_standard_library("stay_id", "S-1001")
    assert kept["started_at"] == "2026-01-05T11:00:00Z"
    assert (kept["device"], kept["flow_l_min"]) == ("nasal_cannula", None)


def test_text_of_rows_kept_aside_is_left_out(connection: duckdb.DuckDBPyConnection) -> None:
    wards = pl.DataFrame({"row_number": [2], "stay_id": ["Hazel"], "ward": ["S-1001"], "entered_at": ["soon"]})
    rows = without_cells_as_read(typed(rekeyed(connection, wards, SECRET), TABLES["wards"], "UTC"), TABLES["wards"])
    assert json.loads(rows["cells"][0]) == {
        "stay_id": by_the_standard_library("stay_id", "Hazel"),
        "ward": None,
        "entered_at": None,
    }


def test_rows_of_another_length_keep_their_number_and_lose_their_text() -> None:
    [row] = without_text([RaggedRow(7, 3, "S-1001,2026-01-05,x")])
    assert (row.row_number, row.cells) == (7, 3)
    assert "1001" not in row.text
    assert "file" in row.text


# --- the key file -----------------------------------------------------------------------------------------------


def key_file(folder: Path, content: bytes, mode: int = 0o600) -> Path:
    path = folder / "key.txt"
    path.write_bytes(content)
    path.chmod(mode)
    return path


@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n"])
def test_a_key_is_the_bytes_of_its_file_but_for_the_newline_at_the_end(tmp_path: Path, end: bytes) -> None:
    assert read_key(key_file(tmp_path, SECRET + end)) == SECRET


def test_a_key_may_be_any_bytes(tmp_path: Path) -> None:
    key = bytes(range(200, 256)) + b"\0\n\n inside"
    assert read_key(key_file(tmp_path, key)) == key


@pytest.mark.parametrize(("length", "good"), [(31, False), (32, True), (33, True)])
@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n"])
def test_a_key_has_32_bytes_at_least_without_the_newline(tmp_path: Path, length: int, good: bool, end: bytes) -> None:
    path = key_file(tmp_path, b"k" * length + end)
    if good:
        assert len(read_key(path)) == length
    else:
        with pytest.raises(AuditError, match="at least 32 bytes"):
            read_key(path)


def faulty(folder: Path, fault: str) -> Path:
    if fault == "missing":
        return folder / "no-such-file"
    if fault == "folder":
        return folder
    content = {"empty": b"", "newline": b"\n", "short": b"PASSWORD", "long": b"PASSWORD" * 10_000}[fault]
    return key_file(folder, content)


@pytest.mark.parametrize("fault", ["missing", "folder", "empty", "newline", "short", "long"])
def test_a_file_that_is_no_key_is_refused_with_what_to_do(tmp_path: Path, fault: str) -> None:
    path = faulty(tmp_path, fault)
    with pytest.raises(AuditError) as raised:
        read_key(path)
    message = str(raised.value)
    assert str(path) in message
    assert "secrets.token_hex(32)" in message
    assert "chmod 600" in message
    assert message.lower().endswith("nothing was stored.")
    assert "PASSWORD" not in message


@POSIX
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o620, 0o666, 0o610])
def test_a_key_that_others_may_read_or_change_is_refused(tmp_path: Path, mode: int) -> None:
    path = key_file(tmp_path, SECRET, mode)
    with pytest.raises(AuditError) as raised:
        read_key(path)
    assert f"chmod 600 {path}" in str(raised.value)
    assert SECRET.decode() not in str(raised.value)


@POSIX
@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_a_key_that_only_its_owner_may_read_is_taken(tmp_path: Path, mode: int) -> None:
    assert read_key(key_file(tmp_path, SECRET, mode)) == SECRET


@POSIX
def test_a_device_is_not_read_as_a_key() -> None:
    assert stat.S_ISCHR(os.stat(os.devnull).st_mode)
    with pytest.raises(AuditError, match="not an ordinary file"):
        read_key(Path(os.devnull))


@POSIX
def test_a_pipe_that_nobody_writes_into_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe", 0o600)
    with pytest.raises(AuditError, match="not an ordinary file"):
        read_key(tmp_path / "pipe")


# --- the check value --------------------------------------------------------------------------------------------


def test_the_check_value_tells_keys_apart_and_is_neither_the_key_nor_a_plain_hash_of_it() -> None:
    assert key_fingerprint(SECRET) == key_fingerprint(SECRET) != key_fingerprint(OTHER_SECRET)
    assert re.fullmatch(r"[0-9a-f]{16}", key_fingerprint(SECRET))
    assert not hashlib.sha256(SECRET).hexdigest().startswith(key_fingerprint(SECRET))
    assert key_fingerprint(SECRET) == hmac.new(SECRET, b"check value", "sha256").hexdigest()[:16]


def test_no_key_of_an_extract_hashes_to_the_check_value(connection: duckdb.DuckDBPyConnection) -> None:
    piece = pl.DataFrame({"stay_id": ["check value", ""], "patient_key": ["check value", "value"]})
    hashes = [key for column in rekeyed(connection, piece, SECRET) for key in column.drop_nulls()]
    assert len(hashes) == 3
    assert not any(key.startswith(key_fingerprint(SECRET)) for key in hashes)
