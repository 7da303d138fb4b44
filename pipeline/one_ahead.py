"""Makes the next of many while the one before is worked on."""

from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

_Item = TypeVar("_Item")
_Made = TypeVar("_Made")


def one_ahead(make: Callable[[_Item], _Made], items: Iterable[_Item]) -> Generator[_Made]:
    """What `make` makes of each item, in their order: while one is in use, a thread makes the next.

    What `make` raises is raised where its result is asked for. Close the iterator when it is not used to its end: then
    the thread has finished too.
    """
    with ThreadPoolExecutor(1) as thread:
        coming: Future[_Made] | None = None
        for item in items:
            after = thread.submit(make, item)
            if coming is not None:
                yield coming.result()
            coming = after
        if coming is not None:
            yield coming.result()
