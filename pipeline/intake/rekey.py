"""Hashes the keys of an extract anew under a secret key, so that a store cannot be joined back without it.

Whoever holds the hospital's list of pseudonyms could hash all of them and compare, were a plain hash used; with
HMAC-SHA-256 (RFC 2104, FIPS 198-1) this takes the secret as well. A key of the extract becomes the first 32 hexadecimal
digits, 128 bits, of

    HMAC-SHA-256(secret, column name, a zero byte, the key's text in UTF-8)

The column name keeps a stay and a patient apart whose keys happen to be the same text. 128 bits are half of the hash,
the least that RFC 2104 (section 5) allows; among a thousand million keys two meet with a chance of about one in 10^21.
The other half would be stored in every table and buy nothing.
"""

import hashlib
import hmac
import os
import stat
from pathlib import Path

import duckdb
import polars as pl

from pipeline.errors import AuditError
from pipeline.intake.ragged import RaggedRow
from pipeline.intake.read import as_text
from pipeline.vocabulary import TABLES, Column, Kind, Table

KEY_COLUMNS = tuple(
    dict.fromkeys(column.name for table in TABLES.values() for column in table.columns if column.kind is Kind.KEY)
)
SHORTEST_KEY_BYTES = 32
LONGEST_KEY_BYTES = 65_536
HASH_DIGITS = 32
FINGERPRINT_DIGITS = 16
# No column of the extract has this name, so a fingerprint is never the hash of a key.
_FINGERPRINT_LABEL = b"check value"
_BLOCK_BYTES = 64
_NOT_FOR_OTHERS = 0o077
_NOT_KEPT = "not kept, since it may hold keys: see this row of the file"
_HOW_TO_MAKE_ONE = (
    'Make one, once: python -c "import secrets; print(secrets.token_hex(32))" > key.txt '
    "and chmod 600 key.txt; keep it safe and apart from the store. Nothing was stored."
)


def read_key(path: Path) -> bytes:
    """The secret in a key file: its bytes, without the newline at the end if there is one.

    Raises AuditError, which never shows what the file holds, when it cannot be read, is not an ordinary file, may be
    read by others than its owner (where the system knows such permissions), or holds fewer than 32 bytes.
    """
    try:
        mode = path.stat().st_mode
        # A pipe or a device might never come to an end.
        content = _beginning(path) if stat.S_ISREG(mode) else None
    except OSError as error:
        raise AuditError(
            f"The key file {path} given with --rekey cannot be read: {error.strerror}. {_HOW_TO_MAKE_ONE}"
        ) from error
    if content is None:
        raise AuditError(f"The key file {path} given with --rekey is not an ordinary file. {_HOW_TO_MAKE_ONE}")
    if os.name == "posix" and mode & _NOT_FOR_OTHERS:
        raise AuditError(
            f"The key file {path} may be read or changed by others than its owner. If nobody else has seen it, take "
            f"that away with: chmod 600 {path} and load again; nothing was stored."
        )
    # Windows ends a line with two characters; the same key must give the same hashes there.
    key = content.removesuffix(b"\n").removesuffix(b"\r")
    if len(key) < SHORTEST_KEY_BYTES:
        raise AuditError(
            f"The key file {path} holds no key of at least {SHORTEST_KEY_BYTES} bytes: it is empty or too short, and a "
            f"short key can be found by trying. {_HOW_TO_MAKE_ONE}"
        )
    if len(content) > LONGEST_KEY_BYTES:
        raise AuditError(
            f"The key file {path} is longer than {LONGEST_KEY_BYTES:,} bytes, so it is hardly a key. Check the path "
            f"given with --rekey. {_HOW_TO_MAKE_ONE}"
        )
    return key


def _beginning(path: Path) -> bytes:
    with path.open("rb") as stream:
        return stream.read(LONGEST_KEY_BYTES + 1)


def key_fingerprint(key: bytes) -> str:
    """A check value that a store may hold, by which a later load under another key, or under none, is known.

    16 hexadecimal digits, 64 bits, of the HMAC of a fixed label: enough that two keys are not taken for each other, and
    no step towards the key or towards the hash of a stay or patient. A plain SHA-256 of the key would not do: of a key
    longer than 64 bytes, that hash is all that HMAC uses (RFC 2104, section 2), so storing it would give the key away;
    and a listing of files with their SHA-256 sums would show which file is the key.
    """
    return hmac.digest(key, _FINGERPRINT_LABEL, "sha256").hex()[:FINGERPRINT_DIGITS]


def rekeyed(connection: duckdb.DuckDBPyConnection, piece: pl.DataFrame, key: bytes) -> pl.DataFrame:
    """The rows of a piece of a file with every key replaced by its hash; other columns as they were.

    piece: cells as read, one row per row of the file; it may have any of the columns `stay_id` and `patient_key`, as
    text or numbers. They come back as text: 32 hexadecimal digits, null where the cell is empty or blank. Surrounding
    blanks are dropped before hashing and numbers written as in `check.typed`, so keys that match there match here.
    connection: only computes; nothing is written.
    """
    names = [name for name in KEY_COLUMNS if name in piece.columns]
    cleaned = piece.with_columns(as_text(name, piece.schema[name]).str.strip_chars() for name in names)
    replaced = []
    for name in names:
        originals = cleaned[name].unique().drop_nulls()
        originals = originals.filter(originals != "")
        label = name.encode() + b"\0"
        hashes = hmac_sha256(connection, key, originals.cast(pl.Binary), label).str.slice(0, HASH_DIGITS)
        replaced.append(pl.col(name).replace_strict(originals, hashes, default=None, return_dtype=pl.String))
    return cleaned.with_columns(replaced)


def hmac_sha256(
    connection: duckdb.DuckDBPyConnection, key: bytes, messages: pl.Series, label: bytes = b""
) -> pl.Series:
    """HMAC-SHA-256 of each message with `label` before it, in the order of the messages, as 64 hexadecimal digits.

    messages: Binary, each of them once, none null. Source of the formula: RFC 2104, section 2: H(K ^ opad, H(K ^ ipad,
    text)), with a key longer than a block hashed first.
    """
    block = (key if len(key) <= _BLOCK_BYTES else hashlib.sha256(key).digest()).ljust(_BLOCK_BYTES, b"\0")
    inner = bytes(byte ^ 0x36 for byte in block) + label
    outer = bytes(byte ^ 0x5C for byte in block)
    connection.register("rekey_messages", pl.DataFrame({"place": range(len(messages)), "message": messages}))
    try:
        hashed = connection.sql(
            "select sha256($2 || unhex(sha256($1 || message))) as hash from rekey_messages order by place",
            params=[inner, outer],
        ).pl()
    finally:
        connection.unregister("rekey_messages")
    return hashed["hash"]


def without_cells_as_read(rows: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Typed rows whose `cells`, in rows that broke a rule, hold nothing but what is certain not to be a key.

    rows: as `check.typed` gives them for a piece that was `rekeyed`. A row breaks a rule most often where its columns
    have moved, and then a key may stand anywhere. Kept are the hashed keys, numbers in range, times, and known codes;
    left out (null) are text, and what was not a number, time or code or was out of range. The file, row number, column
    and rule still say what is wrong; it is corrected where the original keys are.
    """
    if "cells" not in rows.columns:
        return rows
    certain = pl.struct(_certain(column).alias(column.name) for column in table.columns).struct.json_encode()
    return rows.with_columns(cells=pl.when(pl.col("cells").is_not_null()).then(certain))


def _certain(column: Column) -> pl.Expr:
    value = pl.col(column.name)
    if column.kind is Kind.KEY:
        return value
    if column.kind is Kind.TIME:
        return value.dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    if column.kind is Kind.CODE:
        return pl.when(value.is_in(column.codes)).then(value)
    if column.kind is Kind.NUMBER and column.lowest is not None:
        return pl.when(value.is_between(column.lowest, column.highest)).then(value.cast(pl.String))
    return pl.lit(None, dtype=pl.String)


def without_text(ragged: list[RaggedRow]) -> list[RaggedRow]:
    """Rows of another length than the header without their text: where in it a key stands cannot be known."""
    return [RaggedRow(row.row_number, row.cells, _NOT_KEPT) for row in ragged]
