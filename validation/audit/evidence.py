"""The records of an audit: what it reads, what it finds, and where that stands in the dossier."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

from validation.judging.outcomes import Judgement
from validation.judging.requirements import RequirementResult
from validation.judging.sensitivity import Variant
from validation.study.audit_plan import AuditFacts
from validation.study.experiments import EXPERIMENTS
from validation.study.model import ExperimentData, Reading, Study
from validation.study.plan import Plan
from validation.study.quantity import Quantity

Status = Literal["answered", "in part", "gap"]


@dataclass(frozen=True, slots=True)
class Place:
    """Where in the dossier: words, and the anchor that they lead to."""

    text: str
    anchor: str

    def to_dict(self) -> dict[str, str]:
        """Plain JSON types."""
        return {"text": self.text, "anchor": self.anchor}


@dataclass(frozen=True, slots=True)
class Missing:
    """What is not there, as a sentence, and the key of the plan (or the column or file) that would answer it."""

    text: str
    key: str

    def to_dict(self) -> dict[str, str]:
        """Plain JSON types."""
        return {"text": self.text, "key": self.key}


@dataclass(frozen=True, slots=True)
class Finding:
    """Facts of the record, as sentences; what is missing; and the places of the facts, the best one first."""

    facts: tuple[str, ...] = ()
    missing: tuple[Missing, ...] = ()
    places: tuple[Place, ...] = ()

    @property
    def status(self) -> Status:
        """Answered takes facts, a place to look at, and nothing missing."""
        if not self.facts or not self.places:
            return "gap"
        return "in part" if self.missing else "answered"


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to a question, or the row of a clause.

    `id` is "Q7" or the number of the clause; `subject` the question, or what the clause asks for.
    """

    id: str
    subject: str
    finding: Finding
    from_memory: bool = False

    @property
    def status(self) -> Status:
        """Whether the record answers it."""
        return self.finding.status

    @property
    def text(self) -> str:
        """The facts, then what is missing."""
        return " ".join([*self.finding.facts, *(item.text for item in self.finding.missing)])

    @property
    def keys(self) -> tuple[str, ...]:
        """What would answer what is missing, each once."""
        return tuple(dict.fromkeys(item.key for item in self.finding.missing))

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {
            "id": self.id,
            "subject": self.subject,
            "status": self.status,
            "text": self.text,
            "places": [place.to_dict() for place in self.finding.places],
            "missing": [item.to_dict() for item in self.finding.missing],
            "from_memory": self.from_memory,
        }


@dataclass(frozen=True, slots=True)
class SelfTestFacts:
    """The self-test report of a dossier: its hash, whether it holds, and of which program it is.

    Attributes
    ----------
    sha256, intact : of its content as it states it, and whether the content has it
    checks, failed : how many
    differs : what its program or its versions have other than the dossier, in words
    """

    sha256: str
    intact: bool
    checks: int
    failed: int
    differs: tuple[str, ...] = ()


@dataclass(frozen=True)
class AuditRecord:
    """What an audit reads: the study, its verdicts, their variants, and the content of results.json so far."""

    study: Study
    judgement: Judgement
    variants: Sequence[Variant] = ()
    results: Mapping[str, Any] = field(default_factory=dict)
    selftest: SelfTestFacts | None = None

    @property
    def plan(self) -> Plan:
        return self.study.plan

    @property
    def stated(self) -> AuditFacts:
        """The plan's `audit:` block."""
        return self.study.plan.audit

    @property
    def sheets(self) -> Iterator[ExperimentData]:
        """The worksheets of this study with readings; results from before it are left aside."""
        for name, data in self.study.experiments.items():
            if data.readings and not EXPERIMENTS[name].traits.earlier:
                yield data

    @property
    def readings(self) -> Iterator[Reading]:
        """Their rows."""
        return (reading for data in self.sheets for reading in data.readings)

    @property
    def first_day(self) -> date | None:
        """The day of the first dated reading."""
        return min((reading.time.date() for reading in self.readings if reading.time is not None), default=None)

    def rows(self, *quantities: str) -> list[RequirementResult]:
        """The verdict rows on these quantities."""
        return [row for row in self.judgement.requirements if row.quantity in quantities]

    def values(self, key: str) -> list[Quantity]:
        """The quantities of this key."""
        return [quantity for quantity in self.judgement.quantities if quantity.key == key]


PLAN = Place("What was asked", "plan")
VERDICTS = Place("Verdicts", "verdicts")
STATEMENTS = Place("Statements for an assessment", "audit-statements")
ORDER = Place("Order of measurement", "audit-order")
REGISTER = Place("Amendments", "register")
MEANS = Place("People, equipment, standards", "means")
RAW = Place("Raw data", "raw-data")
FIRMNESS = Place("How firm the verdicts are", "sensitivity")
SOFTWARE = Place("Software, and how to recompute", "recompute")
RECOMPUTE = SOFTWARE
FITNESS = Place("Fitness and scope", "fitness")
NOT_EVALUATED = Place("Not evaluated", "not-evaluated")


def chapter(name: str, words: str = "") -> Place:
    """The chapter of a characteristic."""
    return Place(words or name.replace("_", " ").capitalize(), name.replace("_", "-"))


def raw_sheet(data: ExperimentData) -> Place:
    """The listing of a worksheet."""
    return Place(f"Raw data, {data.name.replace('_', ' ')}", f"raw-{data.name.replace('_', '-')}")


def raw_row(reading: Reading) -> Place:
    """One row of a worksheet."""
    return Place(f"Row {reading.line}, {reading.reading}", f"row-{reading.experiment.replace('_', '-')}-{reading.line}")


def either(facts: Sequence[str], missing: Sequence[Missing | None], *places: Place) -> Finding:
    """A finding; what is None in `missing` is there."""
    return Finding(tuple(facts), tuple(item for item in missing if item is not None), tuple(dict.fromkeys(places)))


def unless(there: object, text: str, key: str) -> Missing | None:
    """What is missing, unless it is there."""
    return None if there else Missing(text, key)
