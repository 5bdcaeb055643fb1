"""The opening pages: cover, verdicts, what was asked, what was not evaluated."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import groupby

from validation.characteristics.registry import characteristics
from validation.dossier.attached import AttachedSelfTest
from validation.dossier.blocks import (
    Block,
    Cover,
    Fields,
    Heading,
    Items,
    Paragraph,
    Strip,
    Strips,
    Table,
)
from validation.dossier.changes import step_sentence
from validation.dossier.record import NOT_STATED, DossierRecord
from validation.dossier.requirement_rows import chapter_anchor, name_in_words, strip_of
from validation.judging.conclusion import range_text, restriction_of
from validation.judging.requirements import RequirementResult, without_rows
from validation.study.history.acknowledging import acknowledged_sentences
from validation.study.history.amendments import loss_sentences
from validation.study.history.roles import ON_PLAN, Role, RolesOfAStudy
from validation.study.model import Study
from validation.words import (
    counted,
    level_text,
    sentence_list,
)

#: Worst first.
ORDER = ("not met", "not shown", "not judged", "met")

CAUTION = (
    "Fuel and blends are flammable and their vapours ignite easily; used oil may be hot and carries combustion "
    "products. Local codes, safety data "
    "sheets and licensed practice come first. This dossier supports engineering judgement and orders no action."
)


#: So many rows of one kind are printed on page 1; the register of amendments lists them all.
MOST_ROWS = 6
#: Lines of one list of page 1.
MOST_LINES = 16
#: Letters of a sentence that page 1 prints whole.
LONG = 138


def cover(record: DossierRecord) -> Cover:
    """Page 1."""
    study, plan, judgement = record.study, record.study.plan, record.judgement
    facts = plan.study
    conclusion = judgement.conclusion
    over = "" if conclusion.range is None else f", {range_text(conclusion.range)}\N{NO-BREAK SPACE}{study.unit}"
    low, high = facts.range
    limits = sentence_list([f"{level_text(limit)} {study.unit}" for limit in facts.customer_limits])
    return Cover(
        title=facts.title,
        study_id=facts.id,
        laboratory=facts.laboratory,
        conclusion=f"{conclusion.outcome}{over}",
        conclusion_text=conclusion_in_short(record),
        fields=(
            ("Range asked for", f"{level_text(low)} to {level_text(high)} {study.unit}"),
            ("Customer limits", limits or NOT_STATED),
            ("Parent study", _parent(record)),
            ("Predecessor", _predecessor(record)),
            ("State of the data", record.state_of_data),
            ("SHA-256 of the inputs", record.inputs_hash),
        ),
        warnings=tuple(cover_warnings(record)),
        lists=tuple(cover_lists(record)),
        signatures=plan_signatures(RolesOfAStudy.of(study)),
    )


def plan_signatures(roles: RolesOfAStudy) -> tuple[tuple[str, str], ...]:
    """The block of signatures: who is recorded for the plan; of the dossier itself nothing is signed yet."""
    return tuple(
        (f"{name.capitalize()} (plan: {f'{role.by}, {role.when_text}' if role else 'not recorded'})", "")
        for name, role in roles.of_the_plan().items()
    )


def _parent(record: DossierRecord) -> str:
    """The study that this one follows, with the seal of its dossier."""
    seal = record.study.plan.study.parent
    if seal is None:
        return "none stated"
    return seal if record.parent is None else f"{record.parent.old.name}, seal {seal}"


def _predecessor(record: DossierRecord) -> str:
    """The issue before this one, with its seal; why the two are not compared, where they are not."""
    before = record.before
    if before is not None:
        why = "" if before.report is not None else f"; not compared: {before.why_not}"
        return f"{before.name}, seal {before.seal}{why}"
    if record.watermark:
        return "none: a draft follows no issue"
    return "none: this is the first issue" if record.issue == "001" else "none: the issue before was not there"


def cover_lists(record: DossierRecord) -> list[tuple[str, tuple[str, ...]]]:
    """Restrictions, scope and open actions; what is not there has no heading, but for actions."""
    fitness = record.judgement.fitness
    scope = [f"{part[:1].upper()}{part[1:]}" for part in fitness.scope.rstrip(".").split("; ")] if fitness.scope else []
    lists = (
        ("Restrictions", tuple(_restrictions_in_short(record)) or ("None.",)),
        ("Scope as proposed", tuple(scope)),
        ("Open actions", tuple(_actions_in_short(record)) or ("None.",)),
    )
    return [(name, _at_most(items)) for name, items in lists if items]


def _restrictions_in_short(record: DossierRecord) -> list[str]:
    """The restrictions for page 1: verdicts at names together, each other one with the action it leaves open."""
    restrictions, actions = record.judgement.conclusion.restrictions, _actions_on(record)
    together = {restriction_of(row): row for row in record.judgement.requirements}
    lines = []
    for outcome, rows in groupby(
        sorted((together[text] for text in restrictions if text in together), key=lambda row: ORDER.index(row.outcome)),
        key=lambda row: row.outcome,
    ):
        names = [f"{row.id} {name_in_words(row.quantity)}{f' ({row.at})' if row.at else ''}" for row in rows]
        lines.append(f"{outcome.capitalize()}: {sentence_list(names)}.")
    single = [text for text in restrictions if text not in together]
    levels = [text for text in single if text.startswith("At ")]
    others = [in_short(text, actions.get(text, "")) for text in single if text not in levels]
    return [*([" ".join(levels)] if levels else []), *lines, *others]


def _actions_in_short(record: DossierRecord) -> list[str]:
    """The open actions for page 1, by number; of those that repeat a restriction the numbers alone."""
    repeated = list(_actions_on(record).values())
    lines = [f"{a.id}: {in_short(a.text)}" for a in record.judgement.fitness.actions if a.id not in repeated]
    if repeated:
        lines.append(f"{sentence_list(repeated)}: to be decided or supplied, see the restrictions with these numbers.")
    return lines


def _actions_on(record: DossierRecord) -> dict[str, str]:
    """The number of the action that each restriction leaves open, where there is one."""
    restrictions, actions = record.judgement.conclusion.restrictions, record.judgement.fitness.actions
    return {text: a.id for text in restrictions for a in actions if a.text.startswith(text)}


def in_short(text: str, action: str = "") -> str:
    """A sentence for page 1, with the number of its action: of a long one what comes before its first full stop,
    or else before its first colon or semicolon."""
    number = f"; action\N{NO-BREAK SPACE}{action}." if action else ""
    if len(text) <= LONG:
        return f"{text.removesuffix('.')}{number}" if action else text
    stops = [re.search(rf"(?<=.{{{LONG // 3}}}){mark}\s", text[: LONG + 1]) for mark in (r"\.", "[:;]")]
    cut = next((stop for stop in stops if stop), re.search(rf"(?<=.{{{LONG // 3}}})[:;.]\s", text))
    return f"{text}{number}" if cut is None else f"{text[: cut.start()]} …{number}"


def in_full(record: DossierRecord) -> tuple[str, ...]:
    """The restrictions and warnings of which page 1 has not every word."""
    grouped = {restriction_of(row) for row in record.judgement.requirements}
    elsewhere = grouped | {item.text for item in record.judgement.contradictions}  # in a table of the same chapter
    texts = [*record.judgement.conclusion.restrictions, *_evidence_warnings(record)]
    return tuple(text for text in dict.fromkeys(texts) if text not in elsewhere and in_short(text) != text)


def _evidence_warnings(record: DossierRecord) -> list[str]:
    """What the study and its chapters want read first."""
    chapters = [text for evaluation in record.evaluations.values() for text in evaluation.display.page_one]
    return list(dict.fromkeys([*record.study.warnings, *chapters]))


def _at_most(items: Sequence[str]) -> tuple[str, ...]:
    """A list for page 1; of a long one so many lines, and how many more there are."""
    if len(items) <= MOST_LINES:
        return tuple(items)
    return (*items[:MOST_LINES], f"{len(items) - MOST_LINES} more: Fitness and scope.")


def cover_warnings(record: DossierRecord) -> list[str]:
    """What an auditor must see on page 1."""
    report = record.own_selftest
    warnings = [] if not isinstance(report, AttachedSelfTest) else report.warnings
    warnings += [*silent_changes(record.study, most=MOST_ROWS), *loss_sentences(record.study.lost_amendments)]
    elsewhere = ("Set after data", "Times are those of")  # a restriction or the next lines; What was asked
    warnings += [" ".join(text for text in record.judgement.order.sentences if not text.startswith(elsewhere))]
    late = [row.id for row in record.judgement.requirements if row.order == "set after data"]
    named = f"Set after the first reading was taken: {sentence_list(list(dict.fromkeys(late)))}."
    if late and named not in record.judgement.conclusion.restrictions:
        warnings.append(named)
    if record.parent is not None:
        warnings.append(step_sentence(record.parent, record.study.unit))
    if record.judgement.error is not None:
        opening = ". ".join(record.judgement.error.sentence.split(". ")[:2]).rstrip(".")
        warnings.append(f"{opening}. In full: How firm the verdicts are.")
    warnings += map(in_short, _evidence_warnings(record))
    return [text for text in dict.fromkeys(warnings) if text]


def silent_changes(study: Study, *, most: int | None = None) -> list[str]:
    """What changed without an amendment, then what no longer shows how it was first seen; of each so many at most."""
    lines = []
    for heading, rows in (
        ("Changed since first seen, without an amendment:", [str(change) for change in study.changes]),
        ("The record of what was first seen is incomplete:", [loss.text for loss in study.lost_history]),
    ):
        if rows:
            more = [] if most is None or len(rows) <= most else [f"  and {len(rows) - most} more, in the register."]
            lines += [heading, *(f"  {row}" for row in rows[:most]), *more]
    lines += [study.plan_change] if study.plan_change else []
    return [*lines, *acknowledged_sentences(study.amendments, most=most)]


def conclusion_in_short(record: DossierRecord) -> str:
    """The conclusion without its restrictions: they are a list of their own."""
    conclusion = record.judgement.conclusion
    return conclusion.text.removesuffix(" ".join(conclusion.restrictions)).strip() or conclusion.text


def verdicts(record: DossierRecord) -> list[Block]:
    """Page 2: every requirement as a strip."""
    rows = record.judgement.requirements
    if not rows:
        text = (
            "The plan sets no requirement. Every quantity is reported in its chapter; nothing is judged, and no check "
            "can change a verdict."
        )
        return [Heading("Verdicts", 1, "verdicts"), Paragraph(text)]
    counts = [f"{n} {outcome}" for outcome in ORDER[::-1] if (n := sum(row.outcome == outcome for row in rows))]
    text = (
        f"{counted(len(rows), 'verdict')}: {sentence_list(counts)}. Each name leads to its chapter, which says why, "
        "each outcome to its readings."
    )
    return [
        Heading("Verdicts", 1, "verdicts"),
        Paragraph(text, margin="results.json: requirements"),
        Strips(tuple(_strip(record, row) for row in rows), compact=True),
        *(Paragraph(sentence, style="small") for sentence in without_rows(record.study, record.judgement.quantities)),
    ]


def _strip(record: DossierRecord, row: RequirementResult) -> Strip:
    """The row of a verdict, which leads to its chapter and to what it rests on."""
    place = (row.id, row.at)
    names = {"trace": record.places.trace(*place), "name": record.places.verdict(*place)}
    return strip_of(row, chapter_anchor(row.quantity), **names)


def plan_and_requirements(record: DossierRecord) -> list[Block]:
    """What was asked, why, and since when; and what was not evaluated."""
    facts, order = record.study.plan.study, record.judgement.order.sentences
    return [
        Heading("What was asked", 1, "plan"),
        Paragraph(CAUTION, style="caution"),
        Fields(
            (
                ("Measurand", facts.measurand),
                ("Procedure", facts.procedure or NOT_STATED),
                ("Intended use", facts.intended_use or NOT_STATED),
                ("Trigger", facts.trigger or NOT_STATED),
            )
        ),
        *_requirements(record),
        _confidence(1 - record.study.plan.confidence),
        _frozen_plans(record),
        *_roles(RolesOfAStudy.of(record.study)),
        *([Paragraph(" ".join(order), style="note")] if order else []),
        *not_evaluated(record),
    ]


def _requirements(record: DossierRecord) -> list[Block]:
    """The requirements as a table, each with its place in the order plan before data; nothing without any."""
    order = record.judgement.order
    rows = tuple(
        (
            item.id,
            name_in_words(item.quantity),
            "every level in range" if item.at is None else level_text(item.at),
            item.rule,
            str(item.limit),
            item.origin or NOT_STATED,
            order.requirements.get(item.id, "") or order.state,
        )
        for item in record.study.plan.requirements
    )
    head = ("Id", "Quantity", "At", "Rule", "Limit", "Origin", "Set")
    names = [record.places.first_trace(item.id) for item in record.study.plan.requirements]
    links = tuple((number, 0, to) for number, to in enumerate(names) if to)
    caption, margin = "Requirements as the plan sets them", "plan.yaml: requirements"
    return [Table(caption, head, rows, "lllllll", margin, long=True, links=links)] if rows else []


def _confidence(alpha: float) -> Block:
    """How the rules use the confidence of the plan."""
    one_sided, two_sided = f"{100 * (1 - alpha):.4g} %", f"{100 * (1 - 2 * alpha):.4g} %"
    return Paragraph(
        f"Confidence {one_sided}. An equivalence and its limit are judged on the two-sided {two_sided} interval, a "
        f"bound on the one-sided {one_sided} bound, so is a share of single results, a point on the estimate alone. "
        "Met: entirely inside, touching included. Not met: entirely outside. Otherwise: not shown.",
        style="small",
    )


def _frozen_plans(record: DossierRecord) -> Block:
    entries = tuple(
        (str(number), entry.time.isoformat(), entry.by, str(entry.amendment or "none"), entry.sha256[:12])
        for number, entry in enumerate(record.judgement.order.entries, start=1)
    )
    if not entries:
        return Paragraph("The plan was never frozen: there is no plan.lock.", margin="plan.lock")
    head = ("No.", "Time", "By", "Amendment", "SHA-256, first 12")
    return Table("Frozen plans", head, entries, align="rllll", margin="plan.lock")


def _roles(roles: RolesOfAStudy) -> list[Block]:
    """Who prepared, reviewed and approved, each as a person recorded it by a command."""
    margin = "history/roles.csv"
    if not roles.entries:
        return [Paragraph("Plan prepared, reviewed, approved: not recorded.", margin=margin)]
    rows = tuple((role.role, role.by, role.time, _role_on(roles, role), role.sha256[:12]) for role in roles.entries)
    missing = [name for name, role in roles.of_the_plan().items() if role is None]
    absent = [f"Plan {sentence_list(list(missing))}: not recorded."] if missing else []
    head = ("Role", "Name", "Time", "Of", "SHA-256, first 12")
    table = Table("Who prepared, reviewed and approved", head, rows, align="lllll", margin=margin)
    return [table, *(Paragraph(sentence, style="note") for sentence in (*absent, *roles.remarks()))]


def _role_on(roles: RolesOfAStudy, role: Role) -> str:
    version = roles.version(role)
    if role.on != ON_PLAN:
        return role.on
    return "plan, never frozen" if version is None else f"plan, frozen as No. {version}"


def not_evaluated(record: DossierRecord) -> list[Block]:
    """The table that keeps a dossier honest."""
    rows = tuple(
        (item.title, item.reason or "no reason given", "yes" if item.excused else "no: forbids the conclusion “fit”")
        for item in record.judgement.absent
    )
    excused = {item.name for item in record.judgement.absent if item.excused}
    missing = tuple(
        f"{characteristics()[name].title}: {evaluation.missing}"
        for name, evaluation in record.evaluations.items()
        if evaluation.missing and name not in excused
    )
    blocks: list[Block] = [Heading("Not evaluated in this study", 2, "not-evaluated")]
    if not rows and not missing:
        return [*blocks, Paragraph("Nothing: every characteristic this program knows was evaluated.")]
    if rows:
        head, margin = ("Characteristic", "Reason in the plan", "Excused"), "plan.yaml: not_evaluated"
        text = "The reasons are those of the plan and were not examined."
        blocks += [Paragraph(text), Table("Characteristics without evidence here", head, rows, "lll", margin)]
    return [*blocks, *([Items(missing)] if missing else [])]
