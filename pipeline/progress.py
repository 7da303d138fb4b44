"""Says on stderr what is being done and how far it is; nothing where nobody is looking."""

import os
import shutil
import sys
import time
from collections.abc import Callable
from typing import TextIO

_SECONDS_BETWEEN = 0.25
# Before that, a speed says little.
_SECONDS_BEFORE_A_GUESS = 2.0


class Step(str):
    """What is being done, in words; and how far it is, where that can be said.

    done: how much of it is done; of: of how much in all (0: not known); what: of what, as a plural; is_guess: whether
    `of` is only about right.
    """

    done: int
    of: int
    what: str
    is_guess: bool

    def __new__(cls, words: str, done: int = 0, of: int = 0, what: str = "rows", is_guess: bool = False) -> "Step":
        step = super().__new__(cls, words)
        step.done, step.of, step.what, step.is_guess = done, of, what, is_guess
        return step


class Progress:
    """To be called with each step: writes a line for it on a terminal, and writes a `Step` over in place as it goes on.

    stream: default stderr; where it is no terminal, nothing is written. Where a terminal cannot go back in a line
    (TERM=dumb), a step is named once. Time left is what the rest takes at the speed of the step so far.
    """

    def __init__(self, stream: TextIO | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        self._stream, self._clock = stream or sys.stderr, clock
        self._is_shown = self._stream.isatty()
        self._in_place = os.environ.get("TERM", "") not in ("", "dumb")
        self._step, self._began_at, self._shown_at, self._width = Step(""), 0.0, 0.0, 0

    def __call__(self, words: str) -> None:
        if not self._is_shown:
            return
        is_new = str(words) != str(self._step)
        if is_new:
            self.end_line()
            self._step, self._began_at = words if isinstance(words, Step) else Step(words), self._clock()
        if isinstance(words, Step) and self._in_place:
            self._write_over(words, is_new)
        elif is_new:
            self._stream.write(f"{words}\n")
        self._stream.flush()

    def end_line(self) -> None:
        """Leaves the line as it is, so that what is written next has one of its own."""
        if self._width:
            self._stream.write("\n")
        self._width = 0

    def _write_over(self, step: Step, is_new: bool) -> None:
        now, is_over = self._clock(), 0 < step.of == step.done
        if not (is_new or is_over or now - self._shown_at >= _SECONDS_BETWEEN):
            return
        line = in_words(step, now - self._began_at, step.done - self._step.done)
        # A line that is broken into two cannot be written over.
        line = line[: shutil.get_terminal_size().columns - 1]
        self._stream.write("\r" * bool(self._width) + line.ljust(self._width))
        self._shown_at, self._width = now, len(line)
        if is_over:
            self.end_line()


def in_words(step: Step, seconds: float, done_since: int) -> str:
    """The line of a step that has taken so many seconds to do `done_since` of what it counts."""
    if not step.of:
        return f"{step}: {step.done:,} {step.what}" if step.done else str(step)
    about = "about " if step.is_guess else ""
    line = f"{step}: {step.done:,} of {about}{step.of:,} {step.what}, {min(100, 100 * step.done // step.of)} %"
    if step.done < step.of and done_since > 0 and seconds >= _SECONDS_BEFORE_A_GUESS:
        line += f", about {_duration((step.of - step.done) * seconds / done_since)} left"
    return line


def _duration(seconds: float) -> str:
    if seconds < 55:
        return f"{max(5, 5 * round(seconds / 5))} s"
    minutes = max(1, round(seconds / 60))
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
