"""Two JSON values compared: every place at which they differ, in a sentence."""

from __future__ import annotations

from collections.abc import Iterator
from math import isclose
from typing import Any

#: Same inputs, same library versions: the numbers agree to this; what is smaller than the second is rounding.
RELATIVE, NOTHING = 1e-9, 1e-15


def differences(recorded: Any, rebuilt: Any, place: str = "", *, nothing: float = NOTHING) -> Iterator[str]:
    """Every place at which two JSON values differ, in a sentence; numbers may differ by `RELATIVE` or `nothing`."""
    if isinstance(recorded, dict) and isinstance(rebuilt, dict):
        for name in dict.fromkeys([*rebuilt, *recorded]):
            where = f"{place}, {name}" if place else str(name)
            if name not in recorded:
                yield f"{where} is missing; the inputs give {short_text(rebuilt[name])}."
            elif name not in rebuilt:
                yield f"{where} is not what the inputs give; recorded {short_text(recorded[name])}."
            else:
                yield from differences(recorded[name], rebuilt[name], where, nothing=nothing)
    elif isinstance(recorded, list) and isinstance(rebuilt, list):
        yield from _of_lists(recorded, rebuilt, place, nothing)
    elif not agrees(recorded, rebuilt, nothing):
        yield f"{place}: recorded {short_text(recorded)}, the inputs give {short_text(rebuilt)}.".replace("..", ".")


def _of_lists(recorded: list[Any], rebuilt: list[Any], place: str, nothing: float) -> Iterator[str]:
    """Members are identified by their name where each has its own, else by their position."""
    old, new = ([row_name(item) for item in items] for items in (recorded, rebuilt))
    named = all(new) and len(set(new)) == len(new)
    if not named:
        if len(recorded) != len(rebuilt):
            yield f"{place}: {len(recorded)} recorded, the inputs give {len(rebuilt)}."
        for position, (a, b) in enumerate(zip(recorded, rebuilt, strict=False), start=1):
            yield from differences(a, b, f"{place} {position}", nothing=nothing)
        return
    if sorted(old) == sorted(new) and old != new:
        yield f"{place}: in another order than the inputs give."
    yield from (f"{name} is there twice." for name in sorted({name for name in old if name and old.count(name) > 1}))
    then, now = dict(zip(old, recorded, strict=True)), dict(zip(new, rebuilt, strict=True))
    yield from differences(then, now, "" if place == "quantities" else place, nothing=nothing)


def row_name(item: Any) -> str:
    """ "trueness.bias at 4.0", "R1 at 4.0"; empty where a member of a list has no name of its own."""
    if not isinstance(item, dict):
        return ""
    name = item.get("key", item.get("id"))
    at = item.get("at")
    return "" if name is None else str(name) if at is None else f"{name} at {at}"


def agrees(old: Any, new: Any, nothing: float = NOTHING) -> bool:
    """Equal and of one kind, or numbers that agree to `RELATIVE`."""
    if isinstance(old, int | float) and isinstance(new, int | float) and bool not in (type(old), type(new)):
        return isclose(old, new, rel_tol=RELATIVE, abs_tol=nothing)
    return type(old) is type(new) and bool(old == new)


def short_text(value: Any) -> str:
    """A value in a sentence, of a length that a line holds."""
    if isinstance(value, list) and len(value) < 4 and not any(isinstance(item, list | dict) for item in value):
        value = " to ".join(map(str, value)) or "nothing"
    text = f"{len(value)} members" if isinstance(value, list | dict) else "nothing" if value is None else str(value)
    return text if len(text) <= 200 else f"{text[:197]}..."


def count_values(value: Any) -> int:
    """How many single values there are."""
    if isinstance(value, dict | list):
        return sum(count_values(item) for item in (value.values() if isinstance(value, dict) else value))
    return 1
