"""The tool runs the same from an installed wheel as from a checkout."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_the_demo_runs_from_a_wheel_with_every_file_it_needs(tmp_path: Path) -> None:
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path / "dist")]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    [wheel] = (tmp_path / "dist").glob("*.whl")
    installed = tmp_path / "installed"
    zipfile.ZipFile(wheel).extractall(installed)

    where = "import pipeline, reports, sql, synthetic_data as s; print(pipeline.__file__, reports.__file__, s.__file__)"
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    run = {"cwd": tmp_path, "env": environment, "capture_output": True, "text": True}
    found = subprocess.run([sys.executable, "-c", where], check=True, **run).stdout.split()  # type: ignore[call-overload]
    assert all(path.startswith(str(installed)) for path in found)

    demo = subprocess.run([sys.executable, "-m", "pipeline.cli", "demo", "--out", "demo"], check=False, **run)  # type: ignore[call-overload]
    assert demo.returncode == 0, demo.stderr
    assert list(tmp_path.glob("demo/report/*.html"))
