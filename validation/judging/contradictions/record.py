"""What a contradiction is, and what the rules look at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from validation.judging.requirements import RequirementResult
from validation.study.model import Study
from validation.study.quantity import At, Evaluation, Quantity
from validation.words import fixed, significant


@dataclass(frozen=True, slots=True)
class Place:
    """Where a contradiction rests: a quantity at its place, a key of the plan, or a file of the study."""

    quantity: str = ""
    at: At = None
    plan: str = ""
    file: str = ""

    def to_dict(self) -> dict[str, Any]:
        if self.quantity:
            return {"quantity": self.quantity, "at": self.at}
        return {"plan": self.plan} if self.plan else {"file": self.file}


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two statements of one study that cannot both hold, or one that nothing supports.

    `text` says which, with the numbers; `need` what a person has to decide or supply. `kind`: whether it restricts the
    proposed conclusion, is an open action, or both.
    """

    rule: str
    text: str
    need: str
    kind: Literal["restriction", "action", "both"]
    places: tuple[Place, ...]

    @property
    def restricts(self) -> bool:
        return self.kind != "action"

    @property
    def acts(self) -> bool:
        return self.kind != "restriction"

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types, as `results.json` holds it."""
        return {
            "rule": self.rule,
            "text": self.text,
            "need": self.need,
            "kind": self.kind,
            "places": [place.to_dict() for place in self.places],
        }


@dataclass(frozen=True)
class Basis:
    """The judged study as the rules see it; `range` is the proposed range, None where there is none."""

    study: Study
    rows: Sequence[RequirementResult]
    evaluations: Mapping[str, Evaluation]
    range: tuple[float, float] | None

    def quantity(self, key: str, at: At) -> Quantity | None:
        """A judged quantity at its place; None where the study does not have it."""
        evaluation = self.evaluations.get(key.partition(".")[0])
        return None if evaluation is None else evaluation.get(key, at)

    def every(self, key: str) -> list[Quantity]:
        """The judged quantities of a key, at all their places."""
        evaluation = self.evaluations.get(key.partition(".")[0])
        return [] if evaluation is None else [q for q in evaluation.judged if q.key == key]

    def in_use(self, level: float) -> bool:
        """Whether a level is inside the proposed range; every level where there is none."""
        return self.range is None or self.range[0] <= level <= self.range[1]


def size_text(value: float, unit: str) -> str:
    """ "4.0 %", "32 d": two significant digits, whole numbers whole."""
    number = fixed(value, 0) if value == int(value) and abs(value) < 1e6 else significant(value, 2)
    return f"{number} {unit}".strip()


def per_cent(share: float) -> str:
    """A share of one as "0.51 %"."""
    return f"{significant(100 * share, 2)} %"
