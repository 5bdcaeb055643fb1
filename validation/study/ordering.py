"""The order in which labels are listed, whatever the order of the rows."""

from __future__ import annotations

import re


def natural_order(label: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts "S2" before "S10": runs of digits compare as numbers."""
    parts = re.split(r"(\d+)", label)
    return tuple((1, int(part), part) if part.isdecimal() else (0, 0, part) for part in parts if part)
