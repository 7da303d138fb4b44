"""What the load command does about an extract that as a whole is outside its limits; offline, and quick to explain."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.cli import main
from synthetic_data.cohort import simulate
from synthetic_data.extract import write_extract as write_canonical
from tests.intake.extracts import dump, load, query, readings, refused, row, write_extract

Capsys = pytest.CaptureFixture[str]
ROOT = Path(__file__).parents[2]
BANNER = 'class="banner"'


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    """One in five saturations is over 100, which is more than may be kept aside."""
    bad = [row("readings", taken_at=f"2026-01-06 10:{n:02}", spo2_percent="101") for n in range(15)]
    return write_extract(tmp_path / "outside", readings=readings(60) + bad)


def test_strict_refuses_an_extract_outside_its_limits_and_stores_nothing(
    outside: Path, tmp_path: Path, capsys: Capsys
) -> None:
    says = ["outside its limits", "Few rows are kept aside: not met. 20 % of the rows of readings", "without --strict"]
    refused(capsys, outside, tmp_path / "s", "--strict", says=[*says, "Nothing was stored"])
    assert not (tmp_path / "s").exists()

    # Neither is anything changed in a store that is there.
    assert load(capsys, write_extract(tmp_path / "small"), tmp_path / "s").code == 0
    before = dump(tmp_path / "s")
    assert load(capsys, outside, tmp_path / "s", "--strict").code == 2
    assert dump(tmp_path / "s") == before


def test_without_strict_it_is_stored_with_its_verdicts_and_a_banner_on_the_page(
    outside: Path, tmp_path: Path, capsys: Capsys
) -> None:
    outcome = load(capsys, outside, tmp_path / "s")
    assert outcome.code == 0
    assert "every page of the report will say so" in outcome.out
    assert ("kept_aside_by_table", "not met") in query(tmp_path / "s", "select contract, verdict from load_verdicts")
    assert page(tmp_path / "s", "2026-01", tmp_path / "pages").count(BANNER) == 1


def test_an_extract_within_its_limits_passes_strict_and_has_no_banner(tmp_path: Path, capsys: Capsys) -> None:
    write_canonical(simulate(stays=250), tmp_path / "extract", dirty=False)
    outcome = load(capsys, tmp_path / "extract", tmp_path / "s", "--strict")
    assert outcome.code == 0, outcome.err
    assert "outside its limits" not in outcome.out
    assert not query(tmp_path / "s", "from load_verdicts where verdict not in ('met', 'not applicable')")
    assert BANNER not in page(tmp_path / "s", "2026-05", tmp_path / "pages")


def page(store: Path, month: str, out: Path) -> str:
    assert main(["report", "--store", str(store), "--month", month, "--out", str(out)]) == 0
    [path] = out.rglob("*.html")
    return path.read_text(encoding="utf-8")


_OFFLINE = """
import os, socket, sys

def refuse(*_, **__):
    print("a network was reached for", file=sys.stderr)
    os._exit(3)

for name in ("connect", "connect_ex", "sendto", "sendmsg", "listen"):
    setattr(socket.socket, name, refuse)
bind = socket.socket.bind
# A library below great_expectations asks the machine itself whether it knows IPv6, by its own address; nothing is sent.
socket.socket.bind = lambda self, address: bind(self, address) if address == ("::1", 0) else refuse()
for name in ("getaddrinfo", "create_connection", "gethostbyname"):
    setattr(socket, name, refuse)

from pipeline.cli import main

extract, store, out = sys.argv[1:]
assert main(["load", extract, "--store", store]) == 0
assert "great_expectations" in sys.modules
assert os.environ["GX_ANALYTICS_ENABLED"] == "false"
assert "posthog" not in sys.modules
assert main(["report", "--store", store, "--month", "2026-01", "--out", out]) == 0
assert main(["export", "--store", store, "--out", out]) == 0
"""


def test_a_load_a_report_and_an_export_reach_for_no_network_and_leave_nothing_elsewhere(
    outside: Path, tmp_path: Path
) -> None:
    home, pages = tmp_path / "home", tmp_path / "pages"
    home.mkdir()
    done = subprocess.run(
        [sys.executable, "-B", "-c", _OFFLINE, str(outside), str(tmp_path / "s"), str(pages)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={"HOME": str(home), "TMPDIR": str(home), "PATH": os.environ["PATH"]},
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert not list(home.rglob("*"))
    assert list(pages.rglob("*.html"))


def test_help_is_there_within_half_a_second_and_without_the_heavy_libraries() -> None:
    """The best of three runs, so that a busy machine does not decide."""
    code = (
        "import sys\nfrom pipeline.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'great_expectations', 'pandas', 'polars', 'duckdb', 'pyarrow', 'altair', 'adbc_driver_postgresql'}\n"
        "sys.exit(bool(heavy & set(sys.modules)))"
    )
    seconds = []
    for _ in range(3):
        began = time.perf_counter()
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
        seconds.append(time.perf_counter() - began)
        assert (done.returncode, done.stderr) == (0, "")
        assert "sketch-mapping" in done.stdout
    assert min(seconds) < 0.5
