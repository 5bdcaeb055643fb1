"""The whole audit: questions, clauses, counts; as results.json keeps it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from validation.audit import clauses
from validation.audit.evidence import Answer, AuditRecord
from validation.audit.questions import answers


@dataclass(frozen=True)
class AuditReport:
    """The answers to the questions, the rows of the clauses, and which questions each clause rests on."""

    questions: tuple[Answer, ...]
    clauses: tuple[Answer, ...]
    rests_on: tuple[tuple[str, ...], ...]

    @cached_property
    def open(self) -> tuple[Answer, ...]:
        """The questions that are not answered in full, gaps first."""
        order = {"gap": 0, "in part": 1}
        unanswered = [answer for answer in self.questions if answer.status != "answered"]
        return tuple(sorted(unanswered, key=lambda answer: order[answer.status]))

    def to_dict(self) -> dict[str, Any]:
        """`audit` of results.json."""
        named = zip(self.clauses, self.rests_on, strict=True)
        return {
            "questions": [answer.to_dict() for answer in self.questions],
            "clauses": [row.to_dict() | {"questions": list(ids)} for row, ids in named],
        }


def audited(record: AuditRecord) -> AuditReport:
    """Answer every question and every clause from a record."""
    given = answers(record)
    rows = clauses.rows(record, given)
    return AuditReport(given, tuple(row for row, _ in rows), tuple(ids for _, ids in rows))


def counts(given: Sequence[Answer], noun: str = "") -> str:
    """ "24 of 30 answered, 3 in part, 3 gaps"."""
    number = {status: sum(answer.status == status for answer in given) for status in ("answered", "in part", "gap")}
    gaps = "gap" if number["gap"] == 1 else "gaps"
    what = f"{noun} " if noun else ""
    return f"{number['answered']} of {len(given)} {what}answered, {number['in part']} in part, {number['gap']} {gaps}"
