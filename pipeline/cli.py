"""The command line: parses, calls, prints. No logic of the audit lives here.

Modules that take long to import are imported by the command that needs them, so that `--help` answers at once.
"""

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import EXIT_DONE, EXIT_USER_MUST_CHANGE, AuditError

if TYPE_CHECKING:
    import duckdb

    from pipeline.policy import Policy

_UNCHANGED = "The store is as it was before this command."
_MEASURED_SO_FAR = "What was measured so far is kept: the same command goes on from there."
_RETROSPECTIVE = (
    "A retrospective audit of oxygen therapy. It is not a monitor and gives no advice for any one patient; "
    "local policy and licensed practice decide."
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command and returns its exit code: 0 done, 2 the user must change something."""
    if_stopped = _UNCHANGED
    try:
        options = _parser().parse_args(arguments)
        if_stopped = getattr(options, "if_stopped", _UNCHANGED)
        with _within_limit(options):
            options.run(options)
        sys.stdout.flush()
    except AuditError as error:
        print(f"bandaudit: {error}", file=sys.stderr)
        return EXIT_USER_MUST_CHANGE
    except KeyboardInterrupt:
        print(f"\nbandaudit: stopped by you. {if_stopped}", file=sys.stderr)
        return EXIT_USER_MUST_CHANGE
    except BrokenPipeError:
        # Whoever read what is printed has gone (`| head`). What is still to be printed must not be tried again.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_USER_MUST_CHANGE
    return EXIT_DONE


def _parser() -> argparse.ArgumentParser:
    from pipeline import spark_commands
    from pipeline.analyst_commands import add_commands

    parser = argparse.ArgumentParser(prog="bandaudit", description=_RETROSPECTIVE)
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    demo = commands.add_parser("demo", help="make up a hospital, load it, measure it and write its report")
    demo.add_argument("--out", type=Path, default=Path("bandaudit-demo"), help="folder to write (default: %(default)s)")
    demo.set_defaults(run=_demo)

    load = commands.add_parser("load", help="read an extract into a store")
    load.add_argument("extract", type=Path, metavar="EXTRACT", nargs="?", help="folder with the files of the extract")
    load.add_argument("--mapping", type=Path, metavar="FILE", help="what a hospital's own names and units mean (TOML)")
    load.add_argument("--database", metavar="URL", help="read the SELECTs of the mapping from PostgreSQL instead")
    load.add_argument("--rekey", type=Path, metavar="FILE", help="hash stays and patients anew under the key in FILE")
    load.add_argument("--corrections", action="store_true", help="only rows kept aside before, now corrected")
    load.add_argument("--strict", action="store_true", help="refuse an extract that as a whole is outside its limits")
    load.add_argument("--timezone", metavar="ZONE", help="zone of times without offset (default: Europe/London)")
    load.add_argument("--as-of", metavar="TIME", help="when stays still open end (default: latest time in the extract)")
    load.add_argument("--replace", action="store_true", help="stays of this extract replace stored ones whole")
    load.set_defaults(run=_load)

    sketch = commands.add_parser("sketch-mapping", help="write a first mapping from the headers and values of a folder")
    sketch.add_argument("folder", type=Path, metavar="FOLDER", help="folder with the hospital's files")
    sketch.add_argument("--out", type=Path, metavar="FILE", help="file to write (default: to the screen)")
    sketch.set_defaults(run=_sketch_mapping)

    report = commands.add_parser("report", help="write the page for one month")
    report.add_argument("--month", metavar="YYYY-MM", help="default: the last complete month")
    report.add_argument("--out", type=Path, required=True, help="folder to write")
    report.add_argument("--changes", type=Path, metavar="FILE", help="what was changed on the wards, and when (TOML)")
    report.add_argument(
        "--compare", nargs="+", metavar="WHAT", help="two months, wards or sites, or other stores: side by side instead"
    )
    report.set_defaults(run=_report)

    present = commands.add_parser("present", help="write the pages for a governance board, small numbers hidden")
    present.add_argument("--month", metavar="YYYY-MM", help="default: the last complete month")
    present.add_argument("--out", type=Path, required=True, help="folder to write")
    present.add_argument("--changes", type=Path, metavar="FILE", help="what was changed on the wards, and when (TOML)")
    present.set_defaults(run=_present)

    case = commands.add_parser("case", help="write the page for one stay, for a team that reviews it")
    case.add_argument("--stay", metavar="KEY", required=True, help="its stay_id, as in the list of episodes")
    case.add_argument("--out", type=Path, required=True, help="folder to write")
    case.set_defaults(run=_case)

    export = commands.add_parser("export", help="write every table as CSV and Parquet")
    export.add_argument("--out", type=Path, required=True, help="folder to write")
    export.add_argument("--format", choices=("csv", "parquet"), help="only this form (default: both)")
    export.set_defaults(run=_export)

    for command in (load, report, present, case, export):
        command.add_argument("--store", type=Path, required=True, help="the store file")
        command.add_argument("--memory-limit", metavar="SIZE", help="for all of the program, for example 4GB")
    for command in (report, present, case, export):
        command.set_defaults(if_stopped=_MEASURED_SO_FAR)
        command.add_argument("--policy", type=Path, metavar="FILE", help="own thresholds over the usual ones (TOML)")

    measures = commands.add_parser("measures", help="list the measures with title, unit and source")
    measures.set_defaults(run=_measures)
    add_commands(commands, _progress)
    spark_commands.add_commands(commands, _progress)
    return parser


def _within_limit(options: argparse.Namespace) -> AbstractContextManager[None]:
    """Holds the command to its --memory-limit, if it has one."""
    if getattr(options, "memory_limit", None) is None:
        return nullcontext()
    from pipeline.memory import bytes_of, limited

    return limited(bytes_of(options.memory_limit))


def _progress() -> Callable[[str], None]:
    """Says on stderr what is being done and how far it is; nothing when stderr is not a terminal."""
    from pipeline.progress import Progress

    return Progress()


def _demo(options: argparse.Namespace) -> None:
    from synthetic_data.cohort import simulate
    from synthetic_data.extract import write_extract, write_truth

    tell = _progress()
    extract, store = options.out / "extract", options.out / "demo.duckdb"
    tell("making up a hospital: twelve months, six wards")
    cohort = simulate()
    write_extract(cohort, extract)
    write_truth(cohort, options.out / "truth")
    # The demo always starts from nothing; the file is its own.
    store.unlink(missing_ok=True)
    run = ["--store", str(store)]
    _check(main(["load", str(extract), *run]))
    _check(main(["report", *run, "--out", str(options.out / "report")]))


def _check(exit_code: int) -> None:
    if exit_code != EXIT_DONE:
        raise AuditError("The demo stopped at the message above.")


def _load(options: argparse.Namespace) -> None:
    from pipeline.intake.load import load_extract
    from pipeline.intake.mapping.declaration import read_mapping
    from pipeline.intake.printed import print_load
    from pipeline.intake.rekey import read_key
    from pipeline.store import open_store

    mapping = read_mapping(options.mapping) if options.mapping else None
    key = read_key(options.rekey) if options.rekey else None
    result = None
    try:
        with open_store(options.store, create=True) as connection:
            result = load_extract(
                connection,
                options.extract,
                options.timezone,
                options.as_of,
                options.replace,
                _progress(),
                mapping=mapping,
                database=options.database,
                strict=options.strict,
                key=key,
                corrections=options.corrections,
            )
    except KeyboardInterrupt:
        # Once there is a result, the rows are stored, and that is what must be told.
        if result is None:
            raise
    print_load(result, options.store, in_part=options.corrections)


def _sketch_mapping(options: argparse.Namespace) -> None:
    from pipeline.intake.sketch.draft import sketch_mapping

    text = sketch_mapping(options.folder)
    if options.out is None:
        print(text, end="")
        return
    try:
        with options.out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise AuditError(
            f"The file {options.out} cannot be written: {error.strerror}. A mapping that is there already is never "
            "overwritten. Give another name with --out."
        ) from error
    print(f"The sketch is at {options.out}. Correct it, above all where it says GUESS; then:")
    print(f"Next: bandaudit load {options.folder} --mapping {options.out} --store FILE")


def _measured(options: argparse.Namespace, connection: "duckdb.DuckDBPyConnection") -> "Policy":
    from pipeline.measure import measure_store
    from pipeline.policy import read_policy

    policy = read_policy(options.policy)
    measure_store(connection, policy, _progress())
    return policy


def _report(options: argparse.Namespace) -> None:
    if options.compare:
        from pipeline.compare_command import compare

        print(f"The comparison is at {compare(options, _progress())}\nThe audit team's copy: not for presentation.")
        return

    from pipeline.declared_changes import NONE_DECLARED, read_declared_changes
    from pipeline.store import open_store
    from reports.month import write_month_report

    declared = read_declared_changes(options.changes) if options.changes else NONE_DECLARED
    with open_store(options.store) as connection:
        policy = _measured(options, connection)
        _progress()("writing the report")
        path = write_month_report(connection, options.out, options.month, policy, declared)
    print(f"The report is at {path}")


def _present(options: argparse.Namespace) -> None:
    from pipeline.declared_changes import NONE_DECLARED, read_declared_changes
    from pipeline.store import open_store
    from reports.present import write_presentation

    declared = read_declared_changes(options.changes) if options.changes else NONE_DECLARED
    with open_store(options.store) as connection:
        policy = _measured(options, connection)
        _progress()("writing the pages for the board")
        html, pptx = write_presentation(connection, options.out, options.month, policy, declared)
    print(f"The pages are at {html}\nThe slides are at {pptx}\nNo patient, stay or small count is in them.")


def _case(options: argparse.Namespace) -> None:
    from pipeline.store import open_store
    from reports.case import write_case

    with open_store(options.store) as connection:
        policy = _measured(options, connection)
        _progress()("drawing the stay")
        path = write_case(connection, options.out, options.stay, policy)
    print(f"The page of the stay is at {path}\nIt holds one patient's times of care: for the audit team only.")


def _export(options: argparse.Namespace) -> None:
    from pipeline.catalogue import read_measures
    from pipeline.export import FORMATS, export_tables
    from pipeline.kept_aside import write_kept_aside
    from pipeline.store import open_store

    with open_store(options.store) as connection:
        _measured(options, connection)
        formats = [options.format] if options.format else FORMATS
        paths = export_tables(connection, options.out, read_measures(), formats)
        kept_aside = write_kept_aside(connection, options.out)
    print(f"{len(paths)} files written to {options.out}")
    if kept_aside:
        print(f"Rows kept aside, to be corrected and loaded with --corrections: {kept_aside[0].parent}")


def _measures(options: argparse.Namespace) -> None:
    from pipeline.catalogue import read_measures

    for measure in read_measures():
        print(f"{measure.id}\n  {measure.title} ({measure.unit})\n  Source: {' '.join(measure.source.split())}")


if __name__ == "__main__":
    sys.exit(main())
