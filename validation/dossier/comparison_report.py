"""What a comparison of two dossiers holds: records alone, neither computed nor worded here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isclose
from typing import Any, Literal

from validation.study.folder import HISTORY

StepOutcome = Literal["met", "not met", "not shown", "not judged"]

#: The quantity in which a step between standards lots shows on results.
STEP_KEY = "trueness.bias"
#: Why a verdict is not repeated, where the new study has no such requirement.
NOT_SET = "not set in the new study"
#: What happened to an input, and the words that head a list of such files.
INPUT_CHANGES = {
    "changed": "Changed inputs",
    "added": "Inputs added",
    "gone": "Inputs gone",
    "only in the new study": "Only in the new study",
    "not in the new study": "Not in the new study",
}


@dataclass(frozen=True, slots=True)
class DossierFacts:
    """What a comparison reads of a dossier, finished or about to be.

    `lot` is the standards lot in use as the plan states it, `lot_record` its file; empty where not stated. `amended`
    holds by worksheet which readings amendments touched, and how.
    """

    name: str
    results: Mapping[str, Any]
    inputs: Mapping[str, str]
    manifest_hash: str = ""
    versions: Mapping[str, str] = field(default_factory=dict)
    lot: str = ""
    lot_record: str = ""
    amended: Mapping[str, frozenset[tuple[str, ...]]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class NumberChange:
    """One quantity in both dossiers; `combined` is the standard uncertainty of the difference, None where unknown.

    `cause` says which input moved it, empty where it did not move.
    """

    key: str
    at: Any
    unit: str
    old: float | None
    new: float | None
    difference: float | None
    combined: float | None
    ratio: float | None
    interval: tuple[float, float] | None
    allowed: float | None = None
    outcome: StepOutcome = "not judged"
    reason: str = ""
    cause: str = ""

    @property
    def moved(self) -> bool:
        """Whether the two values differ beyond the last digit that counts."""
        return self.old != self.new and not _same_number(self.old, self.new)

    def to_dict(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class RecomputedNumber:
    """A number of the parent that this version of the program computes differently, by a method that changed since."""

    key: str
    at: Any
    unit: str
    parent: float | None
    today: float | None
    method: str

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Unrepeated:
    """A requirement of the old study whose verdicts, or some of them, the new one does not give."""

    id: str
    quantity: str
    why: str
    outcomes: Mapping[str, tuple[Any, ...]]

    def to_dict(self) -> dict[str, Any]:
        places = {outcome: list(places) for outcome, places in self.outcomes.items()}
        return {"id": self.id, "quantity": self.quantity, "why": self.why, "outcomes": places}


@dataclass(frozen=True, slots=True)
class CauseGroup:
    """What one cause moved: the numbers listed one by one, and those that are counted."""

    cause: str
    listed: tuple[NumberChange, ...]
    counted: tuple[NumberChange, ...]


@dataclass(frozen=True, slots=True)
class ComparisonReport:
    """What changed between two dossiers.

    `verdicts` are those that both give and that differ; `verdicts_same` counts the others; `verdicts_added` and
    `verdicts_not_repeated` are given by one only. `step_note` says why no step between lots is judged.
    `recomputed` are numbers of a parent of another version with those of this version.
    """

    old: DossierFacts
    new: DossierFacts
    conclusions: tuple[Mapping[str, Any], Mapping[str, Any]]
    verdicts: tuple[dict[str, Any], ...]
    verdicts_same: int
    verdicts_added: tuple[dict[str, Any], ...]
    verdicts_not_repeated: tuple[Unrepeated, ...]
    inputs: tuple[dict[str, Any], ...]
    numbers: tuple[NumberChange, ...]
    not_repeated: tuple[dict[str, Any], ...]
    added: tuple[dict[str, Any], ...]
    versions: tuple[str, ...]
    step_limit: str
    step_note: str
    cause: str
    recomputed: tuple[RecomputedNumber, ...] = ()

    @property
    def changed(self) -> bool:
        """Whether any input, number or verdict differs."""
        verdicts = self.verdicts or self.verdicts_added or self.verdicts_not_repeated
        numbers = self.not_repeated or self.added or self.moved
        return bool(verdicts or numbers or any(i["change"] != "same" for i in self.inputs))

    @property
    def steps(self) -> tuple[NumberChange, ...]:
        """The rows judged against the allowed step."""
        return tuple(number for number in self.numbers if number.allowed is not None)

    @property
    def moved(self) -> tuple[NumberChange, ...]:
        return tuple(number for number in self.numbers if number.moved)

    @property
    def same_study(self) -> bool:
        """Two issues of one study, rather than two studies."""
        return bool(self.old.results["study"]["id"] == self.new.results["study"]["id"])

    def inputs_by_change(self) -> dict[str, list[str]]:
        """File names by what happened to them; without what the program keeps in history/."""
        by_change: dict[str, list[str]] = {name: [] for name in (*INPUT_CHANGES, "same")}
        for item in self.inputs:
            if not item["file"].startswith(f"{HISTORY}/"):
                by_change[item["change"]].append(item["file"])
        return {change: files for change, files in by_change.items() if files}

    def step_record(self) -> dict[str, Any] | None:
        """`results.json` `step`: the step since the parent with what it was computed from; None without one."""
        if not self.steps:
            return None
        before = {(q["key"], q["at"]): q for q in self.old.results["quantities"]}
        names = ("value", "standard_uncertainty", "degrees_of_freedom", "interval", "confidence")
        rows = [
            {
                "at": n.at,
                "parent": {name: before[n.key, n.at][name] for name in names},
                "difference": n.difference,
                "interval": None if n.interval is None else list(n.interval),
                "allowed": n.allowed,
                "outcome": n.outcome,
                "reason": n.reason,
            }
            for n in self.steps
        ]
        return {
            "quantity": STEP_KEY,
            "parent": self.old.manifest_hash,
            "since": self.old.name,
            "lots": [self.old.lot, self.new.lot],
            "allowed": self.step_limit,
            "rows": rows,
        }

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {
            "format": 1,
            "old": {"name": self.old.name, "manifest_sha256": self.old.manifest_hash, "lot": self.old.lot},
            "new": {"name": self.new.name, "manifest_sha256": self.new.manifest_hash, "lot": self.new.lot},
            "changed": self.changed,
            "cause": self.cause,
            "conclusion": {"old": self.conclusions[0], "new": self.conclusions[1]},
            "verdicts": list(self.verdicts),
            "verdicts_same": self.verdicts_same,
            "verdicts_added": list(self.verdicts_added),
            "verdicts_not_repeated": [item.to_dict() for item in self.verdicts_not_repeated],
            "inputs": list(self.inputs),
            "numbers": [number.to_dict() for number in self.numbers],
            "not_repeated": list(self.not_repeated),
            "added": list(self.added),
            "versions": list(self.versions),
            "allowed_step": self.step_limit,
            "step_note": self.step_note,
            "recomputed": [number.to_dict() for number in self.recomputed],
        }


def _same_number(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and isclose(a, b, rel_tol=1e-12, abs_tol=1e-15)
