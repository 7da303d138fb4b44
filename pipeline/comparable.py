"""Whether several stores may stand side by side: not the same patients twice, and measured by the same thresholds."""

from collections.abc import Mapping, Sequence
from itertools import combinations
from pathlib import Path

import duckdb

from pipeline.errors import AuditError, listed
from pipeline.policy import Policy

# Of the smaller store's stays, in both: from here on the two are taken for one hospital. A few shared keys are chance.
_TOO_MANY_IN_BOTH = 0.05
_SHOWN = 8


def store_names(paths: Sequence[Path]) -> list[str]:
    """A short name for each store: that of its file without the ending, with its folder where two are alike.

    >>> store_names([Path("a/north.duckdb"), Path("b/south.duckdb")])
    ['north', 'south']
    >>> store_names([Path("a/audit.duckdb"), Path("b/audit.duckdb"), Path("x/a/audit.duckdb")])
    ['a/audit', 'b/audit', 'a/audit (3)']
    """
    stems = [path.stem for path in paths]
    in_folder = [
        f"{path.absolute().parent.name}/{path.stem}" if stems.count(path.stem) > 1 else path.stem for path in paths
    ]
    return [
        f"{name} ({place})" if name in in_folder[: place - 1] else name for place, name in enumerate(in_folder, start=1)
    ]


def check_files(paths: Sequence[Path]) -> None:
    """Raises AuditError when two of the paths are the same file. Files that are not there are left to the store."""
    for one, other in combinations(paths, 2):
        if one.exists() and other.exists() and one.samefile(other):
            raise AuditError(
                f"{one} and {other} are the same store, so there is nothing to compare. The store given with --store "
                "is one side already: give only the others with --compare, and each once."
            )


def check_not_the_same(stores: Mapping[str, duckdb.DuckDBPyConnection]) -> None:
    """Raises AuditError when two stores hold the same stays: an input file in both, or one stay in twenty.

    stores: by name. The same patients on both sides would make two alike that are one.
    """
    for (one, first), (other, second) in combinations(stores.items(), 2):
        files, others = _input_files(first), _input_files(second)
        same = sorted(files[key] for key in files.keys() & others.keys())
        if same:
            what = f"Both were loaded from the same {'file' if len(same) == 1 else 'files'}: {listed(same)}."
        elif _in_both(first, second) >= _TOO_MANY_IN_BOTH:
            what = "One stay in twenty or more is in both, with the same key and the same times."
        else:
            continue
        raise AuditError(
            f"The stores {one} and {other} hold the same stays, so they are not two hospitals to compare. {what} "
            "Nothing was changed. To compare two months, wards or sites of one hospital, name those: "
            "--compare 2026-05 2026-06. Otherwise load each hospital's extracts into a store of its own."
        )


def _input_files(con: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], str]:
    """The name of every file of which rows are in the store, by its table and fingerprint."""
    rows = con.execute("""
        select
            table_name,
            file_sha256,
            min(file_name)
        from load_ledger
        where rows_stored + rows_already_stored > 0
        group by
            table_name,
            file_sha256
    """).fetchall()
    return {(table, sha256): name for table, sha256, name in rows}


def _in_both(first: duckdb.DuckDBPyConnection, second: duckdb.DuckDBPyConnection) -> float:
    """Stays that are in both, as a fraction of the smaller store's."""
    query = "select stay_id, patient_key, admitted_at, discharged_at from stays"
    stays = [con.sql(query).pl() for con in (first, second)]
    smaller = min(frame.height for frame in stays)
    columns = stays[0].columns
    return stays[0].join(stays[1], on=columns, how="semi", nulls_equal=True).height / smaller if smaller else 0.0


def check_policies(
    stores: Mapping[str, tuple[Path, duckdb.DuckDBPyConnection]], policy: Policy, own_file: Path | None
) -> None:
    """Raises AuditError when a store was last measured by other thresholds than these, and names every difference.

    stores: path and connection by name. A store that was never measured is as good as measured by these. A threshold
    that only one version of the tool knows is no difference of policy: measuring anew gives every store the same.
    """
    differences = {name: _differences(con, policy) for name, (_, con) in stores.items()}
    differing = [name for name, found in differences.items() if found]
    if not differing:
        return
    lines = "\n".join(f"  {name}: {listed(differences[name], _SHOWN)}" for name in differing)
    here = f"the policy file {own_file}" if own_file else "the tool's own thresholds, since no --policy was given"
    again = f" --policy {own_file}" if own_file else ""
    raise AuditError(
        f"Not every store was last measured by the policy of this command ({here}), and figures under different "
        f"thresholds cannot be compared:\n{lines}\n"
        "Nothing was changed. If the stores share another policy, give its file with --policy. Otherwise agree on one, "
        "measure by it and look at the report first:\n"
        + "\n".join(f"  bandaudit report --store {stores[name][0]}{again} --out FOLDER" for name in differing)
    )


def _differences(con: duckdb.DuckDBPyConnection, policy: Policy) -> list[str]:
    """Each threshold that the store was last measured by and the policy has otherwise, with both values."""
    tables = "select 1 from information_schema.tables where table_name = 'policy_values'"
    if not con.execute(tables).fetchall():
        return []
    measured = dict(con.execute("select name, value from policy_values").fetchall())
    return [
        f"{entry.name} {measured[entry.name]:g} instead of {entry.value:g} {entry.unit}"
        for entry in policy.parameters
        if entry.name in measured and measured[entry.name] != float(entry.value)
    ]
