"""The exact versions in pyproject.toml, taken from the lock file that uv makes (and that is not kept: it names hosts).

uv run python -m tests.pinned --write
"""

import re
import sys
import tomllib
from pathlib import Path

from packaging.version import Version

ROOT = Path(__file__).parents[1]
_LIST = re.compile(r"(?<=\nconstraint-dependencies = \[\n).*?(?=^\]$)", re.DOTALL | re.MULTILINE)


def pinned() -> dict[str, str]:
    """Name and version of every pinned package; environment markers are left out."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    pins = project["tool"]["uv"]["constraint-dependencies"]
    return dict(pin.split(";")[0].strip().split("==") for pin in pins)


def locked() -> list[str]:
    """`name==version` of every package in uv.lock but the project itself, sorted.

    Of a package locked in several versions the lowest: it is the one the oldest Python of the project can run.
    """
    packages = tomllib.loads((ROOT / "uv.lock").read_text(encoding="utf-8"))["package"]
    lowest: dict[str, Version] = {}
    for package in packages:
        if "registry" in package["source"]:
            found = Version(package["version"])
            lowest[package["name"]] = min(found, lowest.get(package["name"], found))
    return [f"{name}=={lowest[name]}" for name in sorted(lowest)]


if __name__ == "__main__" and "--write" in sys.argv:
    file = ROOT / "pyproject.toml"
    lines = "".join(f'    "{pin}",\n' for pin in locked())
    file.write_text(_LIST.sub(lambda _: lines, file.read_text(encoding="utf-8")), encoding="utf-8")
