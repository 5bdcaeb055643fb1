"""What the study is, what it leans on, where its limits come from, and what it leaves open."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from validation.audit.evidence import (
    FIRMNESS,
    FITNESS,
    NOT_EVALUATED,
    PLAN,
    REGISTER,
    STATEMENTS,
    VERDICTS,
    AuditRecord,
    Finding,
    Missing,
    either,
    unless,
)
from validation.judging.conclusion import in_plain_words
from validation.judging.requirements import RequirementResult
from validation.study.audit_plan import Edition
from validation.words import counted, level_text, sentence_list

#: So many names are written in one sentence.
NAMED: Final = 6
#: How the chapters name standards and guides, with the year of the edition where they state it.
_DOCUMENT = re.compile(
    r"\b(?P<name>ISO Guide \d+|(?:ISO|ASTM|DIN|JCGM|ICH|ILAC-G)(?:/\w+)* ?[A-Z]?\d+[A-Z]?(?:-\d+)?)"
    r"(?::(?:\d\d/)?(?P<year>\d{4}))?"
)


def some(names: Iterable[str]) -> str:
    """The first names, and how many more there are."""
    names = list(dict.fromkeys(names))
    more = len(names) - NAMED
    return sentence_list([*names[:NAMED], f"{more} more"] if more > 0 else names)


def ended(text: str) -> str:
    """A statement of the plan as a sentence."""
    text = text.strip()
    return text if text.endswith((".", "!", "?")) else f"{text}."


def standing(record: AuditRecord) -> Finding:
    """Verification or validation."""
    stated = record.stated.standing
    if stated is None:
        missing = Missing("Verification or validation: not stated.", "audit.standing")
        return either([], [missing], STATEMENTS)
    reason = unless(stated.reason, "Why: not stated.", "audit.standing.reason")
    procedure = record.plan.study.procedure
    named = unless(procedure, "The procedure is not stated.", "study.procedure")
    facts = [f"A {stated.kind}."] + ([ended(stated.reason)] if stated.reason else [])
    return either(facts, [reason, named], STATEMENTS, PLAN)


def editions(record: AuditRecord) -> Finding:
    """The documents with their editions, and whether each was checked before the data."""
    listed, first = record.stated.editions, record.first_day
    if not listed:
        return either([], [Missing("Editions of the documents in use: not stated.", "audit.editions")], STATEMENTS)
    dates = sorted(item.current_on for item in listed if item.current_on is not None)
    facts = [f"{counted(len(listed), 'document')} with the edition: {some(_edition(item) for item in listed)}."]
    if dates:
        when = f"on {dates[0]}" if dates[0] == dates[-1] else f"between {dates[0]} and {dates[-1]}"
        facts.append(f"Checked to be current {when}.")
    old = [f"{_edition(item)} by {item.superseded_by}" for item in listed if item.superseded_by]
    facts += [f"Superseded and still used: {some(old)}."] if old else []
    unexplained = [item.document for item in listed if item.superseded_by and not item.used_for]
    undated = [item.document for item in listed if item.current_on is None]
    late = [item.document for item in listed if first and item.current_on and item.current_on > first]
    absent, other = _against_the_chapters(record)
    missing = [
        unless(not undated, f"Without the day of the check: {some(undated)}.", "audit.editions.current_on"),
        unless(not late, f"Checked after the first reading ({first}): {some(late)}.", "audit.editions.current_on"),
        unless(not unexplained, f"Superseded, without a reason: {some(unexplained)}.", "audit.editions.used_for"),
        unless(not absent, f"Cited by the chapters, but not among them: {some(absent)}.", "audit.editions"),
        unless(not other, f"The chapters cite another edition: {some(other)}.", "audit.editions.edition"),
    ]
    return either(facts, missing, STATEMENTS)


def _edition(item: Edition) -> str:
    return f"{item.document} ({item.edition})"


def _against_the_chapters(record: AuditRecord) -> tuple[list[str], list[str]]:
    """Documents that quantities cite as their source: those not listed, and those cited in another edition."""
    listed = {item.document: item.edition for item in record.stated.editions}
    cited: dict[str, set[str]] = {}
    for source in {quantity.source for quantity in record.judgement.quantities}:
        for match in _DOCUMENT.finditer(source):
            cited.setdefault(match["name"], set()).update([match["year"]] if match["year"] else [])
    absent = sorted(cited.keys() - listed.keys())
    other = [
        f"{name} of {sentence_list(sorted(years))}"
        for name, years in sorted(cited.items())
        if name in listed and any(year not in listed[name] for year in years)
    ]
    return absent, other


def origin_of_limits(record: AuditRecord) -> Finding:
    """Who set the limit on the bias (or the first one), from what, and when."""
    wanted = record.plan.requirements
    if not wanted:
        return either([], [Missing("The plan sets no requirement.", "requirements")], PLAN)
    item = next((item for item in wanted if item.quantity == "trueness.bias"), wanted[0])
    order = record.judgement.order
    entry = order.entries[0] if order.entries else None
    when = f" Frozen by {entry.by} on {entry.time.date()}." if entry else ""
    first = f" The first dated reading is of {order.first_time}." if order.first_time else ""
    state = order.requirements.get(item.id, "")
    facts = [
        f"{item.id} limits {in_plain_words(item.quantity)} to {item.limit}{f', {state}' if state else ''}.{when}{first}"
    ]
    facts += [f"From: {ended(item.origin)}"] if item.origin else []
    nameless = [one.id for one in wanted if not one.origin]
    late = [name for name, one in order.requirements.items() if one == "set after data"]
    facts += [f"Set after the first reading: {some(late)}; the plan amendments say why."] if late else []
    missing = [
        unless(not nameless, f"Without origin: {some(nameless)}.", "requirements.origin"),
        unless(entry, "The plan was never frozen, so nobody stands for the limits.", "plan.lock"),
        unless(state in ("before data", ""), f"{item.id}: {state}.", "plan.lock"),
    ]
    return either(facts, missing, PLAN, VERDICTS)


def scope(record: AuditRecord) -> Finding:
    """Which fuels and grades are covered, and what happens to a sample outside."""
    fitness = record.judgement.fitness
    inside = [f"{item.kind} {item.name}" for item in fitness.materials if item.inside]
    outside = [f"{item.kind} {item.name}" for item in fitness.materials if not item.inside]
    facts = [f"Inside the scope: {some(inside)}."] if inside else []
    facts += [f"Outside: {some(outside)}."] if outside else []
    facts += list(fitness.outside)
    facts_of_plan = record.plan.study
    missing = [
        unless(facts_of_plan.grade or inside, "The oil grade is not stated.", "study.grade"),
        unless(facts_of_plan.fuel or inside, "The fuel is not stated.", "study.fuel"),
        unless(fitness.outside, "No rule for a sample outside: nothing was judged.", "requirements"),
    ]
    return either(facts, missing, FITNESS)


def changes(record: AuditRecord) -> Finding:
    """What changed since the last assessment."""
    stated, facts_of_plan = record.stated.changes_since, record.plan.study
    facts = [ended(stated)] if stated else []
    facts += [f"Trigger of this study: {ended(facts_of_plan.trigger)}"] if facts_of_plan.trigger else []
    facts += ["It follows an earlier dossier, with which it is compared."] if facts_of_plan.parent else []
    missing = unless(stated, "What changed since the last assessment: not stated.", "audit.changes_since")
    return either(facts, [missing], STATEMENTS, PLAN)


def withdrawal(record: AuditRecord) -> Finding:
    """What would make the laboratory withdraw the method."""
    stated = record.stated.withdrawal
    facts = [ended(text) for text in stated]
    missing = unless(stated, "What would make the laboratory withdraw the method: not stated.", "audit.withdrawal")
    return either(facts, [missing], STATEMENTS, FITNESS)


def assumptions(record: AuditRecord) -> Finding:
    """What was assumed and not tested, by the plan's own words, by what it leaves out, and in the budget."""
    stated = record.stated.assumptions
    facts = [ended(text) for text in stated]
    excused = [item.title for item in record.judgement.absent if item.excused]
    facts += [f"Not evaluated, with a reason: {some(excused)}."] if excused else []
    budget = record.plan.uncertainty
    argued = [] if budget is None else [item.name for item in budget.components if item.reason is not None]
    facts += [f"In the budget by a reason and without a size: {some(argued)}."] if argued else []
    unexcused = [item.title for item in record.judgement.absent if not item.excused]
    missing = [
        unless(stated, "What was assumed and not tested: not stated.", "audit.assumptions"),
        unless(not unexcused, f"Neither evaluated nor excused: {some(unexcused)}.", "not_evaluated"),
    ]
    return either(facts, missing, STATEMENTS, NOT_EVALUATED)


def _at(row: RequirementResult, unit: str) -> str:
    """ "R1 at 10 %", "R10 (OG-M)"."""
    if isinstance(row.at, str):
        return f"{row.id} ({row.at})"
    return row.id if row.at is None else f"{row.id} at {level_text(row.at)} {unit}"


def failures(record: AuditRecord) -> Finding:
    """Where the failures are."""
    rows, conclusion = record.judgement.requirements, record.judgement.conclusion
    if not rows:
        return either([], [Missing("The plan sets no requirement, so nothing can fail.", "requirements")], VERDICTS)
    facts = []
    for outcome in ("not met", "not shown", "not judged"):
        own = [row for row in rows if row.outcome == outcome]
        where = some(_at(row, record.study.unit) for row in own)
        facts += [f"{outcome.capitalize()}: {len(own)} of {len(rows)} ({where})."] if own else []
    facts = facts or [f"None: {counted(len(rows), 'verdict')}, all met."]
    fragile = [row.id for row in rows if row.fragile]
    facts += [f"With one other choice a verdict changes: {some(fragile)}."] if fragile else []
    facts.append(f"Proposed conclusion: {conclusion.outcome}.")
    against = len(record.results.get("contradictions") or ())
    facts += [f"Statements that do not hold together: {against}, named in the conclusion."] if against else []
    undecided = all(row.outcome == "not judged" for row in rows)
    missing = unless(not undecided, "Nothing is judged: the plan was not frozen before.", "plan.lock")
    return either(facts, [missing], VERDICTS, FIRMNESS)


def retention(record: AuditRecord) -> Finding:
    """How long the dossier is kept, in which format."""
    stated = record.stated.retention
    if stated is None:
        return either([], [Missing("How long the dossier is kept: not stated.", "audit.retention")], STATEMENTS)
    facts = [f"{level_text(stated.years)} years."]
    facts += [f"Format: {ended(stated.format)}"] if stated.format else []
    facts += [f"Place: {ended(stated.place)}"] if stated.place else []
    missing = [
        unless(stated.format, "In which format: not stated.", "audit.retention.format"),
        unless(stated.place, "Where: not stated.", "audit.retention.place"),
    ]
    return either(facts, missing, STATEMENTS)


def impartiality(record: AuditRecord) -> Finding:
    """How the work is kept free of pressure for a result."""
    stated = record.stated.impartiality
    facts = [ended(stated)] if stated else []
    missing = unless(stated, "How the work is kept free of pressure for a pass: not stated.", "audit.impartiality")
    return either(facts, [missing], STATEMENTS, REGISTER)
