"""The commands for the analyst who adds measures and thinks about other thresholds; a part of the command line.

As there, modules that take long to import are imported by the command that needs them.
"""

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

KINDS = ("share", "rate", "median")


def add_commands(commands: "Commands", progress: Callable[[], Callable[[str], None]]) -> None:
    """Adds `try`, `try-policy` and `new-measure`. progress: makes what says on stderr what is being done."""
    new = commands.add_parser("new-measure", help="write a first measure, with its cases, to be changed into yours")
    new.add_argument("name", metavar="NAME", help="small letters, digits and _; it becomes the name of the file")
    new.add_argument("--kind", choices=KINDS, default=KINDS[0], help="default: %(default)s")
    new.add_argument("--out", type=Path, metavar="DIR", help="write both files there (default: where measures belong)")
    new.set_defaults(run=_new_measure)

    try_ = commands.add_parser("try", help="check a measure file, run it on a store and show what the report would")
    try_.add_argument("file", type=Path, metavar="FILE.sql", help="the measure; it may stand anywhere")
    try_.set_defaults(run=_try, progress=progress)

    policy = commands.add_parser("try-policy", help="show what other thresholds would change, before they are adopted")
    policy.add_argument("file", type=Path, metavar="FILE", help="the new thresholds (TOML)")
    policy.add_argument("--out", type=Path, metavar="DIR", help="write a page as well")
    policy.set_defaults(run=_try_policy, progress=progress)

    for command in (try_, policy):
        command.add_argument("--store", type=Path, required=True, help="the store file; it is only read")
        command.add_argument("--month", metavar="YYYY-MM", help="default: the last complete month")
        command.add_argument("--policy", type=Path, metavar="FILE", help="the thresholds in use now (TOML)")


def _new_measure(options: argparse.Namespace) -> None:
    from pipeline.new_measure import write_draft

    draft = write_draft(options.name, options.kind, options.out)
    measure, cases = (_from_here(path) for path in (draft.measure, draft.cases))
    print(f"The measure is at {measure}\nIts cases are at {cases}")
    print(f"Next: change both; then bandaudit try {measure} --store FILE")
    if draft.where_it_belongs:
        print(f"To have it in the report: {draft.where_it_belongs}")


def _from_here(path: Path) -> Path:
    here = Path.cwd()
    return path.relative_to(here) if path.is_relative_to(here) else path


def _try(options: argparse.Namespace) -> None:
    from pipeline.measured_copy import measured_by
    from pipeline.policy import read_policy
    from pipeline.trial import read_measure_to_try, try_measure
    from reports.tried_measure import in_words

    policy, measure = read_policy(options.policy), read_measure_to_try(options.file)
    with measured_by(options.store, policy, options.progress(), any_measures=True) as store:
        print(in_words(store.connection, try_measure(store.connection, measure, policy), options.month))
        _say_so_if_copied(store.is_copy, options)


def _say_so_if_copied(is_copy: bool, options: argparse.Namespace) -> None:
    if is_copy:
        print(
            f"\nThe store is not measured as it is now under these thresholds: a copy was, and is gone again. "
            f"To measure the store itself, once: bandaudit report --store {options.store} --out FOLDER",
            file=sys.stderr,
        )


def _try_policy(options: argparse.Namespace) -> None:
    from pipeline.policy import read_policy
    from reports.policy_change import compare_policies, write_policy_change
    from reports.policy_change_text import in_words

    present, new = read_policy(options.policy), read_policy(options.file)
    change = compare_policies(options.store, present, new, options.month, options.progress())
    page = None if options.out is None else write_policy_change(change, options.out)
    print(in_words(change))
    if page is not None:
        print(f"\nThe page is at {page}")
