"""What a person at a terminal is told of long work, and that nobody else is."""

import io
import os

import pytest

from pipeline.progress import Progress, Step, in_words


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True

    def lines(self) -> list[str]:
        """What stands on the screen at the end: a carriage return goes back to the start of the line."""
        shown = []
        for line in self.getvalue().split("\n"):
            cells = ""
            for part in line.split("\r"):
                cells = part + cells[len(part) :]
            shown.append(cells.rstrip())
        return shown


class Clock:
    """Time that passes when it is told to."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(autouse=True)
def _a_terminal_that_can_go_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr("shutil.get_terminal_size", lambda: os.terminal_size((100, 24)))


def test_one_line_is_written_over_until_the_step_is_done(clock: Clock) -> None:
    terminal = Terminal()
    tell = Progress(terminal, clock)
    for done in range(0, 12_000_001, 2_000_000):
        tell(Step("measuring the stays", done, 12_000_000, "readings"))
        clock.now += 10
    tell("writing the report")
    assert terminal.lines() == [
        "measuring the stays: 12,000,000 of 12,000,000 readings, 100 %",
        "writing the report",
        "",
    ]
    assert "4,000,000 of 12,000,000 readings, 33 %, about 40 s left" in terminal.getvalue()


def test_a_step_that_is_not_finished_leaves_its_line_to_the_next(clock: Clock) -> None:
    terminal = Terminal()
    tell = Progress(terminal, clock)
    tell(Step("reading a.csv.gz", 250_000))
    clock.now += 1
    tell(Step("reading a.csv.gz", 500_000))
    tell("storing")
    assert terminal.lines() == ["reading a.csv.gz: 500,000 rows", "storing", ""]


def test_it_writes_a_few_times_a_second_at_the_most(clock: Clock) -> None:
    terminal = Terminal()
    tell = Progress(terminal, clock)
    for done in range(1000):
        tell(Step("reading", done, 1001))
        clock.now += 0.01
    assert 20 < terminal.getvalue().count("\r") <= 40


def test_the_end_of_a_step_is_always_shown(clock: Clock) -> None:
    terminal = Terminal()
    tell = Progress(terminal, clock)
    tell(Step("reading", 1, 10))
    tell(Step("reading", 10, 10))
    assert terminal.lines() == ["reading: 10 of 10 rows, 100 %", ""]


def test_a_line_is_never_longer_than_the_terminal_is_wide(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shutil.get_terminal_size", lambda: os.terminal_size((20, 24)))
    terminal = Terminal()
    Progress(terminal, clock)(Step("reading a-file-with-a-long-name.csv", 1, 10))
    assert terminal.getvalue() == "reading a-file-with"


def test_a_terminal_that_cannot_go_back_gets_each_step_once(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "dumb")
    terminal = Terminal()
    tell = Progress(terminal, clock)
    for done in range(5):
        tell(Step("reading", done, 5))
        clock.now += 10
    tell("storing")
    assert terminal.getvalue() == "reading\nstoring\n"


def test_nothing_is_written_where_nobody_is_looking(clock: Clock) -> None:
    stream = io.StringIO()
    tell = Progress(stream, clock)
    tell(Step("reading", 1, 10))
    tell("storing")
    assert stream.getvalue() == ""


@pytest.mark.parametrize(
    ("step", "seconds", "done_since", "words"),
    [
        (Step("storing"), 5, 0, "storing"),
        (Step("reading", 1_000, 0), 5, 1_000, "reading: 1,000 rows"),
        (Step("reading", 999, 1000), 1, 999, "reading: 999 of 1,000 rows, 99 %"),
        (Step("reading", 500, 1000, is_guess=True), 1, 500, "reading: 500 of about 1,000 rows, 50 %"),
        # More than was guessed.
        (Step("reading", 1500, 1000, is_guess=True), 9, 1500, "reading: 1,500 of about 1,000 rows, 100 %"),
        # Time left: the rest at the speed so far, which counts from where the step was taken up.
        (Step("x", 500, 1000), 10, 100, "x: 500 of 1,000 rows, 50 %, about 50 s left"),
        (Step("x", 500, 1000), 10, 500, "x: 500 of 1,000 rows, 50 %, about 10 s left"),
        (Step("x", 500, 1000), 600, 500, "x: 500 of 1,000 rows, 50 %, about 10 min left"),
        (Step("x", 1, 1000), 10, 1, "x: 1 of 1,000 rows, 0 %, about 2 h 46 min left"),
        (Step("x", 0, 1000), 10, 0, "x: 0 of 1,000 rows, 0 %"),
        (Step("x", 3, 4, "months"), 9, 3, "x: 3 of 4 months, 75 %, about 5 s left"),
    ],
)
def test_a_step_in_words(step: Step, seconds: float, done_since: int, words: str) -> None:
    assert in_words(step, seconds, done_since) == words
