"""Thirty questions of an assessment, in our own words; each is a small function from the record to what it finds."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from validation.audit import bench, computing, measuring, standing
from validation.audit.evidence import Answer, AuditRecord, Finding


@dataclass(frozen=True, slots=True)
class Question:
    """A question, and what looks for its answer."""

    text: str
    find: Callable[[AuditRecord], Finding]


QUESTIONS: tuple[Question, ...] = (
    Question("Is the method verified or validated here, and why?", standing.standing),
    Question("Which edition of each document is used, and was it current?", standing.editions),
    Question("Who set the limit on the bias, from what, and when?", standing.origin_of_limits),
    Question("Can one row of raw data be shown, with time, person and instrument?", bench.one_row),
    Question("Who changed a reading, when and why, and what was there before?", bench.amendments),
    Question("Was the planned order of measurement followed?", bench.order),
    Question("Is each replicate a preparation of its own?", bench.preparations),
    Question("Are the blends of the bias independent of the calibration standard?", measuring.independent_standard),
    Question("Did the certificate of the balance hold on the day of the weighing?", bench.certificate),
    Question("What was left out, and does a verdict change with it?", bench.excluded),
    Question("Why may one standard calibrate the whole range?", measuring.one_point),
    Question("Which factors varied in the intermediate precision?", bench.factors),
    Question("In which matrix is the limit of detection, and was it tried with spikes?", measuring.detection),
    Question("Is the reference method traceable, and how uncertain is it?", measuring.reference_method),
    Question("Which fuels and grades are covered, and what of a sample outside?", standing.scope),
    Question("How is the loss of fuel from the standard bounded?", measuring.volatility),
    Question("Where does the uncertainty count the variety of fuels?", measuring.fuel_in_budget),
    Question("How do the measured and the component-wise uncertainty compare?", measuring.two_budgets),
    Question("Which risk does the decision rule carry, and did the customer agree?", measuring.decision),
    Question("What happens at the next lot of the standard?", measuring.next_lot),
    Question("What would make the laboratory withdraw the method?", standing.withdrawal),
    Question("Which calculations are the program's own, and were they tested on this version?", computing.calculations),
    Question("Can anyone recompute the dossier without its author?", computing.recomputing),
    Question("Who may approve, since when, and was everyone who measured authorised?", bench.authorised),
    Question("What did proficiency tests say, and was there a look back?", measuring.proficiency),
    Question("Where are the failures?", standing.failures),
    Question("What was assumed and not tested?", standing.assumptions),
    Question("How long is this kept, where, and in which format?", standing.retention),
    Question("What changed since the last assessment?", standing.changes),
    Question("How is the work kept free of pressure for a pass?", standing.impartiality),
)


def answers(record: AuditRecord) -> tuple[Answer, ...]:
    """Every question with its answer, Q1 to Q30."""
    return tuple(
        Answer(f"Q{number}", question.text, question.find(record)) for number, question in enumerate(QUESTIONS, start=1)
    )


def by_finder(given: tuple[Answer, ...]) -> Mapping[Callable[[AuditRecord], Finding], Answer]:
    """The answers by the function that looked for them."""
    return {question.find: answer for question, answer in zip(QUESTIONS, given, strict=True)}
