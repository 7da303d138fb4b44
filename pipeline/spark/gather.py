"""Makes an ordinary store of what was spread and what Spark measured of it, so that every report can be made."""

from collections.abc import Callable, Sequence
from pathlib import Path

import duckdb
import polars as pl

from pipeline.errors import StoreError
from pipeline.measure import MEASURED_TABLES
from pipeline.spark.inputs import Source, loads_fingerprint, refuse_repeated_stays, refuse_what_does_not_fit
from pipeline.spark.numbering import numbered
from pipeline.spark.outputs import RUN_TABLE
from pipeline.spark.spread import FACTS, LOAD_TABLES
from pipeline.store import create_tables, open_store, owner_only, set_fact, transaction
from pipeline.vocabulary import TABLES

_ORDER = {"conditions": "condition_no", "spans": "condition_no, started_at"}


def gather_store(
    store: Path, spread: Sequence[Path], measured: Path, tell: Callable[[str], None] = lambda _: None
) -> None:
    """Makes the store: the extracts and their loads from `spread`, every measured table from `measured`.

    spread: the folders that were measured, in the same order. The store is as if their extracts had been loaded into it
    one after the other and measured there: it is measured again when another policy, tool or load asks for it.
    Raises StoreError when the store is there already, or the folders are not those that were measured.
    """
    if store.exists():
        raise StoreError(
            f"There is a store at {store} already, and it is never written over. Give a new name with --store."
        )
    run = _run_facts(measured)
    sources = _sources(spread)
    _refuse_other_folders(run, sources)
    with open_store(store, create=True) as connection, owner_only(), transaction(connection):
        numbers = _numbers(spread) if len(spread) > 1 else None
        if numbers is not None:
            connection.register("numbers", numbers)
        for table in TABLES:
            tell(f"gathering: {table}")
            _insert_charted(connection, table, sources, numbers)
        _insert_loads(connection, sources)
        for table in MEASURED_TABLES:
            tell(f"gathering: {table}")
            _insert_measured(connection, table, measured)
        _set_facts(connection, sources, run)


def _files(folder: Path, table: str) -> list[str]:
    return sorted(str(path) for path in (folder / table).rglob("*.parquet"))


def _pairs(folder: Path, table: str) -> dict[str, str]:
    with duckdb.connect() as connection:
        query = "select name, value from read_parquet(?, hive_partitioning = false)"
        return dict(connection.execute(query, [_files(folder, table)]).fetchall())


def _run_facts(measured: Path) -> dict[str, str]:
    if not _files(measured, RUN_TABLE):
        raise StoreError(
            f"The folder {measured} holds no finished run. Measure first: bandaudit spark FOLDER --out {measured} "
            "(into a new folder when a run was broken off)."
        )
    return _pairs(measured, RUN_TABLE)


def _sources(spread: Sequence[Path]) -> list[Source]:
    sources = []
    with duckdb.connect() as connection:
        for folder in spread:
            if not _files(folder, FACTS):
                raise StoreError(
                    f"The folder {folder} was not written by `bandaudit spread`, or not to its end. "
                    "Write it first: bandaudit spread --store FILE --out FOLDER"
                )
            facts = _pairs(folder, FACTS)
            ledger = connection.execute(
                "select load_no, table_name, file_sha256 from read_parquet(?, hive_partitioning = false)",
                [_files(folder, "load_ledger")],
            ).fetchall()
            sources.append(Source(str(folder), facts, loads_fingerprint(facts, ledger)))
    refuse_what_does_not_fit(sources)
    return sources


def _refuse_other_folders(run: dict[str, str], sources: Sequence[Source]) -> None:
    measured = [value for name, value in sorted(run.items(), key=_number_of_source) if name.startswith("source_")]
    if measured != [source.fingerprint for source in sources]:
        raise StoreError(
            f"{len(measured)} folders were measured, and they are not the {len(sources)} given, or not in this order. "
            "Give the folders of the command `bandaudit spark`, in its order."
        )


def _number_of_source(fact: tuple[str, str]) -> int:
    return int(fact[0].removeprefix("source_")) if fact[0].startswith("source_") else 0


def _numbers(spread: Sequence[Path]) -> pl.DataFrame:
    columns = "stay_no, stay_id, patient_key, admitted_at"
    with duckdb.connect() as connection:
        create_tables(connection)
        stays = []
        for folder in spread:
            if files := _files(folder, "stays"):
                query = f"select {columns} from read_parquet($files, hive_partitioning = false)"
                stays.append(connection.sql(query, params={"files": files}).pl())
            else:
                stays.append(connection.sql(f"select {columns} from stays").pl())
    refuse_repeated_stays(stays)
    return numbered(stays)


def _insert_charted(
    connection: duckdb.DuckDBPyConnection, table: str, sources: Sequence[Source], numbers: pl.DataFrame | None
) -> None:
    """Rows in the order of stay and time, as loads store them. numbers: see `numbered`; null where none changes."""
    columns = [name for name in connection.table(table).columns if name != "stay_no"]
    parts, files = [], {}
    for source, folder in enumerate(sources):
        if found := _files(Path(folder.folder), table):
            files[f"files_{source}"] = found
            renumbered = f"join numbers on numbers.source = {source} and numbers.old_no = charted.stay_no"
            parts.append(f"""
                select
                    {"charted" if numbers is None else "numbers"}.stay_no,
                    {", ".join(f'charted."{name}"' for name in columns)}
                from read_parquet($files_{source}, hive_partitioning = false) as charted
                {"" if numbers is None else renumbered}
            """)
    if parts:
        every = " union all ".join(parts)
        query = f"insert into {table} by name select * from ({every}) order by stay_no, {TABLES[table].at}"
        connection.execute(query, files)


def _insert_loads(connection: duckdb.DuckDBPyConnection, sources: Sequence[Source]) -> None:
    offset = 0
    for source in sources:
        for table in LOAD_TABLES:
            if files := _files(Path(source.folder), table):
                connection.execute(
                    f"""
                    insert into {table} by name
                    select {_columns(connection, table, load_no=offset)}
                    from read_parquet(?, hive_partitioning = false)
                    """,
                    [files],
                )
        [(offset,)] = connection.execute("select coalesce(max(load_no), 0) from load_ledger").fetchall()


def _insert_measured(connection: duckdb.DuckDBPyConnection, table: str, measured: Path) -> None:
    # A table without rows has no folders to be placed in.
    files = _files(measured, table)
    columns = _columns(connection, table)
    if files:
        connection.execute(
            f"""
            insert into {table} by name
            select {columns}
            from read_parquet(?, hive_partitioning = true, hive_types_autocast = false)
            order by {_ORDER.get(table, "all")}
            """,
            [files],
        )


def _columns(connection: duckdb.DuckDBPyConnection, table: str, **added: int) -> str:
    """The columns of a table of the store, a number added to some."""
    columns = connection.table(table).columns
    return ", ".join(f'"{name}" + {added[name]} as "{name}"' if name in added else f'"{name}"' for name in columns)


def _set_facts(connection: duckdb.DuckDBPyConnection, sources: Sequence[Source], run: dict[str, str]) -> None:
    """The facts of the first source, and those that `measure_store` leaves when it is done."""
    for name, value in sources[0].facts.items():
        if not name.startswith("measure"):
            set_fact(connection, name, value)
    data_version = str(sum(int(source.facts["data_version"]) for source in sources))
    policy, tool = run["policy_fingerprint"], run["tool_version"]
    [(highest,)] = connection.execute("select coalesce(max(stay_no), 0) from stays").fetchall()
    facts = {
        "data_version": data_version,
        "measured_policy": policy,
        "measured_with": f"{policy}:{tool}",
        "measured_up_to": str(highest),
        "measured_state": f"{data_version}:{policy}:{run['measures_fingerprint']}:{tool}",
    }
    for name, value in (facts | {name: run[name] for name in run if name.startswith("measure ")}).items():
        set_fact(connection, name, value)
