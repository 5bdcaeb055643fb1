"""The plan's `audit:` block: what an assessor asks for and no reading shows, each with its date where it has one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from validation.study.lot_record import Day
from validation.study.plan_values import Name, Number, Text

#: What a person may be authorised for.
TASKS = ("measure", "prepare standards", "evaluate", "review", "approve")


def _as_texts(value: Any) -> Any:
    """One text, or a list of them."""
    return (value,) if isinstance(value, str) else value


_TEXT = {"type": ["string", "integer"], "pattern": r"\S"}
Texts = Annotated[
    tuple[Text, ...],
    BeforeValidator(_as_texts),
    WithJsonSchema({"anyOf": [{"type": "string", "pattern": r"\S"}, {"type": "array", "items": _TEXT}]}),
]


class _Model(BaseModel):
    # What is written below a key is its description for editors.
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class Standing(_Model):
    """Whether the study verifies a published method as written, or validates one that is not."""

    kind: Literal["validation", "verification"]
    """validation, or verification of a method that is used as published."""
    reason: Text | None = None
    """Why: what of the published method is changed, or that nothing is."""


class Edition(_Model):
    """A document that the work leans on, in which edition, and when that was checked to be the current one."""

    document: Name
    """Number or name of the document, such as ISO 5725-2."""
    edition: Text
    """Its edition, in quotes: "2019"."""
    current_on: Day | None = None
    """Day on which it was checked to be current: 2026-02-16."""
    superseded_by: Text | None = None
    """The edition that has replaced it, where one has and it is used all the same."""
    used_for: Text | None = None
    """What it is used for; of a superseded edition also why."""


class ReferenceMethod(_Model):
    """The method that the comparison is made with."""

    name: Text
    """Method and procedure."""
    traceable_to: Text | None = None
    """What its results are traceable to."""
    uncertainty: Text | None = None
    """Its own uncertainty, with where it is shown."""
    record: Text | None = None
    """File or report that shows both."""


class Retention(_Model):
    """How long the dossier and its raw data are kept, in which format, and where."""

    years: Annotated[Number, Field(gt=0, le=200)]
    """For how many years."""
    format: Text | None = None
    """In which formats."""
    place: Text | None = None
    """Where."""


class Proficiency(_Model):
    """One round of a proficiency test, and what was done about results issued before it."""

    round: Text
    """Scheme and round."""
    date: Day
    """Day of its report."""
    score: Text
    """Score of the laboratory, in quotes: "z = 0.4"."""
    looked_back: Text | None = None
    """What was looked at again in results issued before."""


class Authorisation(_Model):
    """A person and a task; `until` ends it."""

    person: Name
    """Name as the worksheets and records write it."""
    task: Literal["measure", "prepare standards", "evaluate", "review", "approve"]
    """What for."""
    since: Day
    """First day: 2024-05-01."""
    until: Day | None = None
    """Last day."""
    record: Text | None = None
    """File or report that shows it."""

    @model_validator(mode="after")
    def _rises(self) -> Authorisation:
        if self.until is not None and self.until < self.since:
            raise ValueError(f"ends on {self.until}, before it begins on {self.since}. Correct one of the two dates.")
        return self


class AuditFacts(_Model):
    """What an assessor asks for and no reading shows. What is absent is printed as "not stated"."""

    standing: Standing | None = Field(default=None, title="Standing")
    """Verification or validation, and why."""
    editions: tuple[Edition, ...] = ()
    """Documents that the work leans on, with the edition and the day on which it was checked to be current."""
    reference_method: ReferenceMethod | None = Field(default=None, title="Reference method")
    """Traceability and uncertainty of the method that the comparison is made with."""
    retention: Retention | None = Field(default=None, title="Retention")
    """How long, in which format and where the dossier is kept."""
    withdrawal: Texts = ()
    """What would make the laboratory withdraw the method."""
    proficiency: tuple[Proficiency, ...] = ()
    """Rounds of proficiency tests."""
    authorisations: tuple[Authorisation, ...] = ()
    """Who is authorised for what, since when."""
    assumptions: Texts = ()
    """What was assumed and not tested."""
    changes_since: Text | None = None
    """What changed since the last assessment."""
    impartiality: Text | None = None
    """How the work is kept free of pressure for a result."""
    next_lot: Text | None = None
    """What happens at the next lot of the standard."""

    @model_validator(mode="before")
    @classmethod
    def _nothing_is_not_stated(cls, data: Any) -> Any:
        """A list without entries is as good as none."""
        if not isinstance(data, Mapping):
            return data
        return {name: value for name, value in data.items() if value is not None}
