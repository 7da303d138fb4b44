"""Makes the next of many while the one before is worked on."""

from collections.abc import Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

_Made = TypeVar("_Made")


def one_ahead(items: Iterator[_Made]) -> Generator[_Made]:
    """The same items in their order: while one is in use, a thread makes the next.

    What goes wrong in making one is raised where it is asked for. Close this iterator when it is not used to its end:
    then the thread has finished too.
    """
    end = object()
    with ThreadPoolExecutor(max_workers=1) as thread:
        coming = thread.submit(next, items, end)
        while (made := coming.result()) is not end:
            coming = thread.submit(next, items, end)
            yield made  # type: ignore[misc]
