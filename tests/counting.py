"""How much work a call does, counted and never timed: the same on every machine and under any load."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any


def calls_in(work: Callable[[], object]) -> int:
    """How many functions, of Python and of C, are called while `work` runs."""
    calls = 0

    def count(frame: FrameType, event: str, argument: Any) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    before = sys.getprofile()
    sys.setprofile(count)
    try:
        work()
    finally:
        sys.setprofile(before)
    return calls
