"""The same seed gives the same frames and the same bytes, in every process."""

import os
import subprocess
import sys
from pathlib import Path

from polars.testing import assert_frame_equal

from synthetic_data.cohort import Cohort, simulate
from synthetic_data.extract import write_extract, write_truth

_WRITE = """
import sys
from pathlib import Path
from synthetic_data.cohort import simulate
from synthetic_data.extract import write_extract, write_truth
cohort = simulate(seed=5, stays=80)
write_extract(cohort, Path(sys.argv[1]) / "extract")
write_truth(cohort, Path(sys.argv[1]) / "truth")
"""


def _bytes_in(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_two_runs_in_one_process_give_the_same_frames(small: Cohort) -> None:
    again = simulate(seed=5, stays=80)
    for name, frame in small.tables.items():
        assert_frame_equal(frame, again.tables[name])
    assert_frame_equal(small.truth_band_time, again.truth_band_time)
    assert_frame_equal(small.truth_episodes, again.truth_episodes)


def test_another_process_with_another_hash_seed_writes_the_same_bytes(small: Cohort, tmp_path: Path) -> None:
    write_extract(small, tmp_path / "here" / "extract")
    write_truth(small, tmp_path / "here" / "truth")
    subprocess.run(
        [sys.executable, "-c", _WRITE, str(tmp_path / "there")],
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "4711", "TZ": "Asia/Tokyo"},
        cwd=Path(__file__).parents[2],
    )
    here, there = _bytes_in(tmp_path / "here"), _bytes_in(tmp_path / "there")
    assert len(here) > 10
    assert here.keys() == there.keys()
    assert [name for name in here if here[name] != there[name]] == []


def test_another_seed_gives_another_cohort(small: Cohort) -> None:
    other = simulate(seed=6, stays=80)
    assert not other.tables["readings"].equals(small.tables["readings"])
