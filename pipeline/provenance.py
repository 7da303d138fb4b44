"""What a figure was made from: tool, policy, measures, input files, as-of and zone; the same on every page and export.

No time of day is among it: the same inputs, policy and tool give the same bytes whenever they are run.
"""

import hashlib
from dataclasses import dataclass
from datetime import datetime

import duckdb
import polars as pl

from pipeline.catalogue import fingerprint, read_measures
from pipeline.store import fact, tool_version

_DIGITS = 12


@dataclass(frozen=True)
class Provenance:
    """inputs: one (table, file, SHA-256) for each file that was loaded, sorted; as_of: the latest of the loads, in UTC.

    inputs_fingerprint: twelve hexadecimal digits that change whenever any file of any table does, whatever its name.
    """

    tool_version: str
    policy_fingerprint: str
    measures_fingerprint: str
    zone: str
    as_of: datetime | None
    inputs: tuple[tuple[str, str, str], ...]

    @property
    def inputs_fingerprint(self) -> str:
        files = sorted({f"{table} {sha256}" for table, _, sha256 in self.inputs})
        return hashlib.sha256("\n".join(files).encode()).hexdigest()[:_DIGITS]

    @property
    def as_of_text(self) -> str:
        """ISO 8601 in UTC with `Z`; empty before any load."""
        return "" if self.as_of is None else f"{self.as_of:%Y-%m-%dT%H:%M:%SZ}"

    def in_short(self) -> dict[str, str]:
        """All of it but the single files, by name."""
        return {
            "tool": f"bandaudit {self.tool_version}",
            "policy_fingerprint": self.policy_fingerprint,
            "measures_fingerprint": self.measures_fingerprint,
            "inputs_fingerprint": self.inputs_fingerprint,
            "as_of": self.as_of_text,
            "zone": self.zone,
        }

    def rows(self) -> pl.DataFrame:
        """One row per fact and per input file: `what`, `name` of the file (null for a fact) and `value`."""
        short = [(what, None, value) for what, value in self.in_short().items()]
        files = [(f"sha256_of_{table}", name, sha256) for table, name, sha256 in self.inputs]
        return pl.DataFrame(short + files, schema=dict.fromkeys(("what", "name", "value"), pl.String), orient="row")


def provenance(connection: duckdb.DuckDBPyConnection, policy_fingerprint: str | None = None) -> Provenance:
    """What the figures of a measured store were made from. policy_fingerprint: null for the policy last measured by."""
    inputs = connection.execute("""
        select distinct
            table_name,
            file_name,
            file_sha256
        from load_ledger
        order by
            table_name,
            file_name,
            file_sha256
    """).fetchall()
    [(as_of,)] = connection.execute("select max(as_of) from load_ledger").fetchall()
    return Provenance(
        tool_version(),
        policy_fingerprint or fact(connection, "measured_policy") or "",
        fingerprint(read_measures()),
        fact(connection, "zone") or "",
        as_of,
        tuple(inputs),
    )
