"""Work of one process side by side."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager


@contextmanager
def threads(number: int) -> Iterator[ThreadPoolExecutor]:
    """So many threads; where the work was stopped, by a fault or from outside, what they still do is not waited for."""
    pool = ThreadPoolExecutor(number)
    try:
        yield pool
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    pool.shutdown()
