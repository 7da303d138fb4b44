"""Writes a first measure with its cases: a draft that is valid, to be changed into the measure that is wanted."""

from importlib import resources
from pathlib import Path
from typing import NamedTuple

from pipeline.catalogue import read_measures
from pipeline.errors import MeasureFileError
from pipeline.measure_file import name_of_file_faults
from pipeline.store import sql_text

_PLACE_OF_A_DRAFT = "order = 1000\n"
_STEP = 10


class Draft(NamedTuple):
    """The two files written, and where they belong if they stand elsewhere (empty: they are in place)."""

    measure: Path
    cases: Path
    where_it_belongs: str


def write_draft(name: str, kind: str, folder: Path | None = None) -> Draft:
    """Writes NAME.sql and NAME.toml of this kind; without a folder where they belong in a copy of the repository.

    Raises MeasureFileError when no measure may have the name, when one has it, when a file is there already (nothing is
    ever overwritten), or when there is no place to write to.
    """
    _refuse_name(name)
    belongs = (
        "put the first into sql/measures/ and the second into tests/measures/ of a copy of the repository, and run the "
        "tool from there. A measure is part of the tool, so that its cases are run with all others."
    )
    if folder is None:
        root = _repository()
        if root is None:
            raise MeasureFileError(
                "This tool is installed from a package, and measures are added in a copy of the repository. Run the "
                "command there, or say with --out DIR where to write the two files; `bandaudit try` runs a measure "
                "that stands anywhere. Nothing was written."
            )
        measure, cases, belongs = root / "sql" / "measures", root / "tests" / "measures", ""
    else:
        measure = cases = folder
    draft = Draft(measure / f"{name}.sql", cases / f"{name}.toml", belongs)
    text = sql_text("drafts", kind).replace(_PLACE_OF_A_DRAFT, f"order = {_next_place()}\n", 1)
    _write_both({draft.measure: text, draft.cases: _cases(kind)})
    return draft


def _refuse_name(name: str) -> None:
    faults = name_of_file_faults(name)
    if faults:
        raise MeasureFileError(f"No measure can be named so: {'; '.join(faults)}. Nothing was written.")
    if name in {measure.id for measure in read_measures()}:
        raise MeasureFileError(f"A measure {name} is there already. Choose another name; nothing was written.")


def _repository() -> Path | None:
    """The copy of the repository that the tool is run from; null when it is installed from a package."""
    root = Path(str(resources.files("sql"))).parent
    is_one = (root / "pyproject.toml").is_file() and (root / "tests" / "measures").is_dir()
    return root if is_one else None


def _next_place() -> int:
    return max(measure.order for measure in read_measures()) // _STEP * _STEP + _STEP


def _cases(kind: str) -> str:
    return resources.files("sql").joinpath("drafts", f"{kind}.toml").read_text(encoding="utf-8")


def _write_both(texts: dict[Path, str]) -> None:
    written: list[Path] = []
    try:
        for path, text in texts.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("x", encoding="utf-8", newline="\n") as file:
                written.append(path)
                file.write(text)
    except OSError as error:
        for half in written:
            half.unlink()
        why = "it is there already" if isinstance(error, FileExistsError) else error.strerror
        raise MeasureFileError(
            f"The file {path} cannot be written: {why}. Nothing was written, and no file is ever overwritten. Choose "
            "another name, or another folder with --out."
        ) from error
