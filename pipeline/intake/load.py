"""Loads one extract into the store in one transaction, and writes the ledger."""

from collections.abc import Callable
from dataclasses import dataclass, field
from dataclasses import replace as replaced
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline.errors import ExtractError, StoreError
from pipeline.intake.contracts.expectations import batches_made
from pipeline.intake.contracts.judge import failures, judge, refusal, write_verdicts
from pipeline.intake.ledger import all_known, counts, kept_aside, write_ledger, write_notes
from pipeline.intake.mapping.declaration import ExtractMapping
from pipeline.intake.rekey import key_fingerprint
from pipeline.intake.settle import settle
from pipeline.intake.stage import create_incoming, stage_source
from pipeline.intake.storing import changes_anything, number_of, store_rows
from pipeline.intake.times import local_to_utc
from pipeline.intake.ways_in import opened_extract
from pipeline.store import fact, owner_only, set_fact, transaction
from pipeline.vocabulary import TABLES, Kind

DEFAULT_ZONE = "Europe/London"
# Read within about a second. A smaller extract that is refused is refused before anything is made ready to judge it.
_BYTES_OF_A_LARGE_EXTRACT = 16 * 2**20
_KEY_FACT = "rekey_check"


@dataclass(frozen=True)
class LoadResult:
    """What a load did.

    files: one row per source with table_name, file_name and the counts of the ledger.
    kept_aside: one row per source, column and rule with `rows` and `examples` (row numbers).
    changed: whether the store differs from before. as_of: UTC, where stays still open end.
    told: sentences on what was met and is no row kept aside. outside_limits: one line per contract that the load as a
    whole does not meet, or that could not be judged.
    """

    files: pl.DataFrame
    kept_aside: pl.DataFrame
    changed: bool
    known_before: bool
    as_of: datetime
    zone: str
    stays_replaced: int
    strangers: list[str]
    unused_columns: dict[str, tuple[str, ...]]
    told: list[str]
    outside_limits: list[str] = field(default_factory=list)


def load_extract(
    connection: duckdb.DuckDBPyConnection,
    folder: Path | None,
    zone: str | None = None,
    as_of: str | None = None,
    replace: bool = False,
    tell: Callable[[str], None] = lambda _: None,
    mapping: ExtractMapping | None = None,
    database: str | None = None,
    strict: bool = False,
    key: bytes | None = None,
    corrections: bool = False,
) -> LoadResult:
    """Reads, checks and stores an extract: all of it, or nothing when an AuditError is raised.

    folder, mapping, database: where the rows come from, see `ways_in.py`. zone: time zone of times without offset
    (default: the mapping's, else the store's, else Europe/London). as_of: ISO time at which stays still open end
    (default: the latest time accepted in this load). replace: stays of this extract that differ from stored ones
    replace them whole. strict: a load that does not meet a contract is refused. key: stays and patients are hashed anew
    under it, see `rekey.py`. corrections: only rows that were kept aside before, corrected: any table may be missing,
    and the load is not judged as a whole.
    """
    _refuse_other_key(connection, key)
    zone = _settled_zone(connection, mapping.timezone if zone is None and mapping else zone)
    stated_as_of = _parsed_as_of(as_of, zone)
    # Rows that do not fit into memory are written beside the store for the time being.
    with owner_only(), batches_made(meanwhile=_is_large(folder)) as batches_for:
        create_incoming(connection)
        with opened_extract(folder, mapping, database, tell, corrections) as opened:
            staged = []
            for number, source in enumerate(opened.sources):
                staged.append(stage_source(connection, source, number, zone, key, tell))
        tell("checking rows against each other and against the store")
        settle(connection, replace)
        horizon = stated_as_of or _latest_time(connection)
        result = LoadResult(
            files=counts(connection, staged),
            kept_aside=kept_aside(connection, staged),
            changed=changes_anything(connection, horizon),
            known_before=all_known(connection, staged),
            as_of=horizon,
            zone=zone,
            stays_replaced=number_of(connection, "replaced_stays"),
            strangers=opened.strangers,
            unused_columns={source.name: source.unused_columns for source in staged if source.unused_columns},
            told=opened.sentences(with_words=key is None),
        )
        if not result.changed and result.known_before:
            return result
        tell("judging the extract as a whole")
        verdicts = None if corrections else judge(connection, zone, horizon, batches_for)
        if strict and verdicts is not None and (text := refusal(verdicts)):
            raise ExtractError(text)
        tell("storing")
        with transaction(connection):
            if result.changed:
                store_rows(connection, horizon)
                set_fact(connection, "data_version", str(int(fact(connection, "data_version") or 0) + 1))
            if key is not None:
                set_fact(connection, _KEY_FACT, key_fingerprint(key))
            write_ledger(connection, staged, result.files, zone, horizon, result.stays_replaced, key is None)
            if verdicts is not None:
                write_verdicts(connection, verdicts)
            write_notes(connection, result.told)
            set_fact(connection, "zone", zone)
    return result if verdicts is None else replaced(result, outside_limits=failures(verdicts))


def _refuse_other_key(connection: duckdb.DuckDBPyConnection, key: bytes | None) -> None:
    """Raises StoreError unless every load of the store hashes its keys alike: under this key, or none at all."""
    stored, given = fact(connection, _KEY_FACT), key and key_fingerprint(key)
    if stored is None and given is not None and fact(connection, "zone") is not None:
        raise StoreError(
            "The store already holds stays under the extract's own keys, but --rekey was given. Leave it out, or load "
            "everything into a new store with --rekey; nothing was stored."
        )
    if stored is not None and given is None:
        raise StoreError(
            "The keys of this store were hashed anew when it was first loaded. Give the same key file with --rekey; "
            "nothing was stored."
        )
    if stored is not None and stored != given:
        raise StoreError(
            "The key file given with --rekey is not the one that this store was loaded with. Give that one, or load "
            "into a new store; nothing was stored."
        )


def _is_large(folder: Path | None) -> bool:
    """Whether an extract takes long enough to read that getting ready to judge it meanwhile is worth the while."""
    if folder is None:
        return True
    try:
        return sum(path.stat().st_size for path in folder.iterdir() if path.is_file()) > _BYTES_OF_A_LARGE_EXTRACT
    except OSError:
        # Whoever reads it says what is wrong with it.
        return False


def _settled_zone(connection: duckdb.DuckDBPyConnection, zone: str | None) -> str:
    stored = fact(connection, "zone")
    if zone is not None and not _is_zone(zone):
        raise ExtractError(
            f"'{zone}' is not a known time zone. Give a name of the tz database, for example "
            f"--timezone {DEFAULT_ZONE}; nothing was stored."
        )
    if stored and zone and stored != zone:
        raise StoreError(
            f"The store counts its months in {stored}, but --timezone {zone} was given. One store has one zone. "
            "Leave --timezone out, or load into another store; nothing was stored."
        )
    return zone or stored or DEFAULT_ZONE


def _is_zone(zone: str) -> bool:
    try:
        ZoneInfo(zone)
        # The names that frames know are fewer: posix/Europe/London is none of them.
        pl.Series([datetime(2026, 1, 1)]).dt.replace_time_zone(zone)
    except (KeyError, ValueError, OSError, pl.exceptions.PolarsError):
        return False
    return True


def _parsed_as_of(text: str | None, zone: str) -> datetime | None:
    if text is None:
        return None
    at = local_to_utc(pl.Series([text.strip()]), zone)["utc"].item()
    if at is None:
        raise ExtractError(
            "--as-of is not a time. Give date and time of day, for example --as-of 2026-06-30T23:59 (not one that the "
            "clocks went forward over); nothing was stored."
        )
    return at


def _latest_time(connection: duckdb.DuckDBPyConnection) -> datetime:
    latest = " union all ".join(
        f"select max(greatest({', '.join(c.name for c in table.columns if c.kind is Kind.TIME)})) as latest_at "
        f"from incoming_{table.name} where rule is null"
        for table in TABLES.values()
    )
    [(at,)] = connection.execute(f"select max(latest_at) from ({latest})").fetchall()
    if at is None:
        raise ExtractError(
            "Not one row of the extract can be used: every row of every table was kept aside or the files hold no "
            "rows. Check that the files hold data, the date format (YYYY-MM-DD HH:MM) and the stay keys; nothing was "
            "stored."
        )
    return at
