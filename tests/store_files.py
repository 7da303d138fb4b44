"""Store files on disk: made-up stays, loaded and measured, written once for a process and copied from then on."""

import hashlib
import tempfile
from datetime import datetime
from functools import cache
from pathlib import Path

from pipeline.measure import measure_store
from pipeline.policy import read_policy
from pipeline.store import SCHEMA_VERSION, set_fact
from tests.stores import made_up_stays, store_with

# The last complete month of these stores; others are 2025-09, 2025-11 and 2025-12.
LAST_MONTH = "2026-01"
_AS_OF = datetime(2026, 2, 10)


@cache
def _measured(number: int) -> bytes:
    connection = store_with(made_up_stays(number))
    for table in ("stays", "readings", "devices", "targets", "wards", "gases", "flags"):
        connection.execute(
            "insert into load_ledger values (1, ?, ?, ?, ?, 10, 10, 0, 0, 0, 0, 0, 'Europe/London', ?, 'test')",
            [_AS_OF, table, f"{table}.csv", hashlib.sha256(table.encode()).hexdigest(), _AS_OF],
        )
    set_fact(connection, "schema_version", SCHEMA_VERSION)
    measure_store(connection, read_policy())
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "s.duckdb"
        connection.execute(f"attach '{file}' as written")
        connection.execute("copy from database memory to written")
        connection.execute("checkpoint written")
        connection.execute("detach written")
        connection.close()
        return file.read_bytes()


def write_measured_store(path: Path, number: int = 160) -> Path:
    """Writes a store measured by the usual policy to `path`, for its owner only."""
    path.touch(mode=0o600)
    path.write_bytes(_measured(number))
    return path


def fingerprint_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
