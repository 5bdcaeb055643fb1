"""What one route through the program makes of a published example."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

Data = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Computed:
    """What one route through the program makes of an example.

    Attributes
    ----------
    route : the functions taken
    values : by the name of the printed value
    how : for values formed as the source formed them (from rounded steps): what was done
    held_to : for values compared with something other than the printed value: reference text, tolerance, why
    extra : values that the source does not print, compared with an independent recomputation in the file
    """

    route: str
    values: Mapping[str, float]
    how: Mapping[str, str] = field(default_factory=dict)
    held_to: Mapping[str, tuple[str, float, str]] = field(default_factory=dict)
    extra: Mapping[str, float] = field(default_factory=dict)
