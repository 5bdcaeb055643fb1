"""ISO/IEC 17025:2017 clause by clause: what it asks for, in our own words, and what of the record answers it.

A clause rests on the answers to questions, and on what it looks for itself. Clauses that were not read for this work
are marked `from_memory`, and the page says so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from validation.audit import bench, computing, measuring, standing
from validation.audit.evidence import (
    FITNESS,
    MEANS,
    PLAN,
    REGISTER,
    VERDICTS,
    Answer,
    AuditRecord,
    Finding,
    Place,
    chapter,
    either,
    unless,
)
from validation.audit.questions import answers, by_finder
from validation.audit.standing import some
from validation.study.validity import lapses_of
from validation.words import counted

Find = Callable[[AuditRecord], Finding]


@dataclass(frozen=True, slots=True)
class Clause:
    """A clause: number, subject, the questions that bear on it, and what it looks for besides."""

    number: str
    subject: str
    rests_on: tuple[Find, ...] = ()
    own: Find | None = None
    from_memory: bool = False


def equipment(record: AuditRecord) -> Finding:
    """Equipment with its software and the validity of reference materials."""
    used = sorted({reading.values.get("instrument", "") for reading in record.readings} - {""})
    listed = {str(entry.get("name")): entry for entry in record.plan.equipment}
    unlisted = [name for name in used if name not in listed]
    versions = ("firmware", "software")
    bare = [name for name in used if name in listed and not any(listed[name].get(key) for key in versions)]
    lots = [str(entry.get("name")) for entry in record.plan.standards]
    dated = {str(entry.get("name")) for entry in record.plan.standards if entry.get("expires")}
    dated |= {lot for lot, item in record.study.lot_records.items() if item.preparation.expires is not None}
    facts = [f"{counted(len(listed), 'item')} of equipment listed."] if listed else []
    facts += [f"Standards with a last day of use: {some(sorted(dated))}."] if dated else []
    missing = [
        unless(listed, "No equipment is listed.", "equipment"),
        unless(not unlisted, f"Used, not listed: {some(unlisted)}.", "equipment"),
        unless(not bare, f"Version of firmware or software: not stated for {some(bare)}.", "equipment.firmware"),
        unless(dated >= set(lots), f"No last day of use: {some(sorted(set(lots) - dated))}.", "standards.expires"),
    ]
    return either(facts, missing, MEANS, chapter("standards"))


def traceability(record: AuditRecord) -> Finding:
    """The chain from the weighing to the value of the standard in use."""
    records, lot = record.study.lot_records, record.plan.lots.in_use
    facts = [f"Value computed from the weighings: {some(records)}."] if records else []
    missing = [
        unless(records, "No weighing record of a standard is there.", "standards.lot_record"),
        unless(
            lot is None or lot in records or not records, f"None for {lot}, the lot in use.", "standards.lot_record"
        ),
    ]
    return either(facts, missing, chapter("standards"))


def purchases(record: AuditRecord) -> Finding:
    """Bought materials: batch and day of opening, suppliers."""
    made = [item.preparation for item in record.study.lot_records.values()]
    unnamed = [one.lot for one in made if not one.fuel.batch or not one.oil.batch]
    named_lots = [one.lot for one in made if one.lot not in unnamed]
    facts = [f"Batches of fuel and oil: {some(named_lots)}."] if named_lots else []
    named = any(entry.get("supplier") for entry in record.plan.standards)
    missing = [
        unless(made, "No lot record names the bought materials.", "standards.lot_record"),
        unless(not unnamed, f"Without a batch of fuel or oil: {some(unnamed)}.", "standards/*.yaml: fuel, oil"),
        unless(named, "Suppliers: not stated.", "standards.supplier"),
    ]
    return either(facts, missing, chapter("standards"), MEANS)


def procedure(record: AuditRecord) -> Finding:
    """The procedure with its issue."""
    stated = record.plan.study.procedure
    facts = [f"{stated.split(':')[0].strip()}."] if stated else []
    return either(facts, [unless(stated, "The procedure is not stated.", "study.procedure")], PLAN)


def requirements(record: AuditRecord) -> Finding:
    """Requirements of the customer, and the characteristics that were evaluated."""
    wanted, facts_of_plan = record.plan.requirements, record.plan.study
    facts = [f"{counted(len(wanted), 'requirement')}."] if wanted else []
    facts += [f"Intended use: {facts_of_plan.intended_use.rstrip('.')}."] if facts_of_plan.intended_use else []
    missing = [
        unless(wanted, "The plan sets no requirement.", "requirements"),
        unless(facts_of_plan.intended_use, "The intended use is not stated.", "study.intended_use"),
    ]
    return either(facts, missing, PLAN, VERDICTS)


def fitness(record: AuditRecord) -> Finding:
    """The statement of validity."""
    conclusion = record.judgement.conclusion
    judged = conclusion.outcome != "not judged"
    facts = [f"Proposed: {conclusion.outcome}."] if judged else []
    return either(facts, [unless(judged, "Nothing is judged.", "requirements")], FITNESS, VERDICTS)


def technical_records(record: AuditRecord) -> Finding:
    """Date and person of every row."""
    readings, found = list(record.readings), bench.one_row(record)
    whole = sum(all(reading.values.get(column) for column in bench.WHO_AND_WHEN) for reading in readings)
    facts = [f"{whole} of {counted(len(readings), 'row')} with time, analyst and instrument."] if readings else []
    return either(facts, found.missing, *found.places)


def budget(record: AuditRecord) -> Finding:
    """The components of the uncertainty."""
    stated = record.plan.uncertainty
    names = [] if stated is None else [item.name for item in stated.components]
    facts = [f"{counted(len(names), 'component')}: {some(names)}."] if names else []
    missing = unless(names, "No component is stated.", "uncertainty.components")
    return either(facts, [missing], chapter("uncertainty"))


def monitoring(record: AuditRecord) -> Finding:
    """Check standards and control after the validation."""
    data = record.study.ready("control")
    reason = record.plan.not_evaluated.get("control", "")
    facts = [f"{counted(len(data.readings), 'reading')} of a check standard."] if data is not None else []
    facts += [f"Control: {reason.rstrip('.')}."] if reason else []
    drift = record.values("stability.drift_in_run")
    facts += ["Drift within a run was estimated."] if drift else []
    text = "No reading of a check standard is there."
    return either(facts, [unless(data is not None, text, "experiments.control")], chapter("stability"))


def nonconforming(record: AuditRecord) -> Finding:
    """What went wrong, and what was done about it."""
    study = record.study
    lapsed = [lapse for lapse in lapses_of(study) if lapse.note is not None]
    kinds = [entry["kind"] for entry in study.amendments]
    facts = [
        f"{counted(kinds.count(kind), word)}."
        for kind, word in (("correction", "correction"), ("exclusion", "exclusion"), ("impact", "impact note"))
        if kind in kinds
    ]
    facts += [f"Used after its certificate lapsed: {some(lapse.period.item for lapse in lapsed)}."] if lapsed else []
    facts = facts or ["No amendment, no lapsed certificate, no excluded reading."]
    silent = some(change.reading for change in study.changes)
    asked = record.results.get("questions") or ()
    unanswered = sum(not item.get("answer") for item in asked)
    facts += [f"Questions on the raw data: {len(asked)}, {len(asked) - unanswered} answered."] if asked else []
    missing = [
        unless(not silent, f"Changed without an amendment: {silent}.", "amendments.csv"),
        unless(not unanswered, f"Questions on the raw data without an answer: {unanswered}.", "amendments.csv"),
    ]
    return either(facts, missing, REGISTER)


def risks(record: AuditRecord) -> Finding:
    """What was found to put results at risk."""
    fragile = [row.id for row in record.judgement.requirements if row.fragile]
    error = record.judgement.error
    facts = [error.sentence] if error is not None else []
    facts += [f"Fragile verdicts: {some(fragile)}."] if fragile else []
    missing = unless(error, "How often the verdicts err was not simulated.", "requirements")
    return either(facts, [missing], Place("Error of the verdict as a whole", "verdict-error"))


def actions(record: AuditRecord) -> Finding:
    """Open actions, each with a person and a day where they are recorded."""
    opened = record.judgement.fitness.open_actions
    owned = [item for item in record.results.get("actions") or () if item.get("owner")]
    facts = [f"{counted(len(opened), 'open action')} listed."] if opened else ["No action is open."]
    facts += [f"With an owner: {len(owned)}."] if owned else []
    missing = unless(len(owned) >= len(opened), "Who closes each open action, and when: not stated.", "actions: owner")
    return either(facts, [missing], Place("Open actions", "actions") if opened else FITNESS)


def records_kept(record: AuditRecord) -> Finding:
    """Records with their hashes."""
    return computing.recomputing(record)


CLAUSES: tuple[Clause, ...] = (
    Clause("4.1", "Impartiality", (standing.impartiality,), from_memory=True),
    Clause("6.2", "Personnel: competent and authorised for their tasks", (bench.authorised,)),
    Clause("6.4.13", "Equipment: identity, software, calibration, validity", (bench.certificate,), equipment),
    Clause("6.5", "Metrological traceability", (measuring.independent_standard,), traceability, from_memory=True),
    Clause("6.6", "Bought materials", (), purchases, from_memory=True),
    Clause("7.2.1.3", "Valid editions of methods", (standing.editions,)),
    Clause("7.2.1.5", "Verification before a published method is used", (standing.standing,)),
    Clause("7.2.2.1", "Validation of methods that are changed or in-house", (standing.standing,), procedure),
    Clause("7.2.2.2", "Changes of a validated method", (standing.changes, measuring.next_lot)),
    Clause("7.2.2.3", "Performance that answers the customer's need", (standing.origin_of_limits,), requirements),
    Clause("7.2.2.4 a", "Record: procedure", (), procedure, from_memory=True),
    Clause("7.2.2.4 b", "Record: requirements", (), requirements, from_memory=True),
    Clause("7.2.2.4 c, d", "Record: characteristics and results", (standing.failures, measuring.one_point)),
    Clause("7.2.2.4 e", "Record: statement of validity for the use", (standing.scope,), fitness),
    Clause("7.5.1", "Technical records: date and person at each step", (bench.order,), technical_records),
    Clause("7.5.2", "Amendments: the original stays, with who, when and what", (bench.amendments,)),
    Clause(
        "7.6",
        "Uncertainty: contributions identified and evaluated",
        (measuring.fuel_in_budget, measuring.two_budgets),
        budget,
        from_memory=True,
    ),
    Clause("7.7.1", "Validity of results: checks, replicates, trends", (bench.preparations,), monitoring),
    Clause("7.7.2", "Comparison with other laboratories", (measuring.proficiency,)),
    Clause("7.8.6", "Decision rule, its risk, and to which results it applies", (measuring.decision,)),
    Clause("7.10", "Nonconforming work", (bench.excluded,), nonconforming, from_memory=True),
    Clause("7.11.2", "Calculations validated before use", (computing.calculations,)),
    Clause("7.11.3", "Data safe from change and loss", (computing.recomputing,)),
    Clause("7.11.6", "Calculations and transfers checked", (computing.calculations, bench.amendments), None, True),
    Clause("8.3", "Controlled documents", (standing.editions,), procedure, from_memory=True),
    Clause("8.4", "Records kept and found again", (standing.retention,), records_kept),
    Clause("8.5", "Risks and opportunities", (standing.assumptions, standing.withdrawal), risks, from_memory=True),
    Clause("8.7", "Corrective actions", (), actions, from_memory=True),
)


def rows(record: AuditRecord, given: Sequence[Answer] | None = None) -> tuple[tuple[Answer, tuple[str, ...]], ...]:
    """Every clause as a row, with the identifiers of the questions that it rests on.

    Parameters
    ----------
    record : what is read
    given : the answers to the questions, where they are there already
    """
    found = by_finder(tuple(given) if given is not None else answers(record))
    return tuple(_row(clause, record, [found[find] for find in clause.rests_on]) for clause in CLAUSES)


def _row(clause: Clause, record: AuditRecord, rests_on: Sequence[Answer]) -> tuple[Answer, tuple[str, ...]]:
    """Own facts, the questions, and whatever is missing in one of them."""
    own = Finding() if clause.own is None else clause.own(record)
    held = [answer for answer in rests_on if answer.status != "gap"]
    names = tuple(answer.id for answer in rests_on)
    facts = (*own.facts, *([f"See {some(answer.id for answer in held)}."] if held else []))
    missing = (*own.missing, *(item for answer in rests_on for item in answer.finding.missing))
    places = (*own.places, *(place for answer in rests_on for place in answer.finding.places))
    finding = Finding(facts, tuple(dict.fromkeys(missing)), tuple(dict.fromkeys(places)))
    return Answer(clause.number, clause.subject, finding, clause.from_memory), names
