"""The command `report --compare`: opens the stores, refuses what does not compare, measures, writes the page."""

import argparse
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

from pipeline.comparable import check_files, check_not_the_same, check_policies, store_names
from pipeline.errors import AuditError
from pipeline.measure import measure_store
from pipeline.policy import read_policy
from pipeline.store import fact, open_store, share_memory
from reports.compare import write_comparison
from reports.compare_asked import STORE, what_is_asked


def compare(options: argparse.Namespace, tell: Callable[[str], None]) -> Path:
    """Does what `report` was asked for with `--compare`, and returns the path of the page.

    Raises AuditError for everything the user can put right; no store is measured before all of it is known to be.
    """
    if options.changes:
        raise AuditError(
            "--changes does not go with --compare: declared changes are drawn in the report of a month. Leave it out."
        )
    policy = read_policy(options.policy)
    with ExitStack() as stack:
        first = stack.enter_context(open_store(options.store))
        if fact(first, "zone") is None:
            # Says that nothing was loaded, which explains more than that a name is unknown.
            measure_store(first, policy)
        asked = what_is_asked(first, options.compare, options.store, options.month)
        paths = [options.store, *(Path(name) for name in asked.names if asked.kind == STORE)]
        check_files(paths)
        opened = [first, *(stack.enter_context(open_store(path)) for path in paths[1:])]
        share_memory(opened)
        stores = dict(zip(store_names(paths), opened, strict=True))
        if len(stores) > 1:
            check_not_the_same(stores)
            check_policies(
                {name: (path, stores[name]) for name, path in zip(stores, paths, strict=True)}, policy, options.policy
            )
        for connection in opened:
            measure_store(connection, policy, tell)
        tell("writing the comparison")
        return write_comparison(stores, asked, options.month, options.out, policy)
