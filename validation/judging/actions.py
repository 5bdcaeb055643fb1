"""Open actions: what a person still has to supply or to decide, each with its source; owner and date are filled in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Action:
    """One open action. `source`: the rule, requirement or record behind it. `owner`, `due`: None until stated."""

    id: str
    text: str
    source: str
    owner: str | None = None
    due: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types, as `results.json` holds it."""
        return {"id": self.id, "text": self.text, "source": self.source, "owner": self.owner, "due": self.due}


def numbered(pairs: Iterable[tuple[str, str]]) -> tuple[Action, ...]:
    """Actions from (source, text), numbered in order: A1, A2 ..."""
    return tuple(Action(f"A{number}", text, source) for number, (source, text) in enumerate(pairs, start=1))
