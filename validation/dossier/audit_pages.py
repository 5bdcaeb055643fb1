"""The annexes for an assessment: statements of the plan, ISO/IEC 17025 clause by clause, thirty questions."""

from __future__ import annotations

from collections.abc import Sequence

from validation.audit.evidence import Answer
from validation.audit.order import OrderedRun, ordered_runs
from validation.audit.report import AuditReport, counts
from validation.dossier.blocks import Block, Fields, Heading, Items, Paragraph, Table
from validation.dossier.record import NOT_STATED, DossierRecord
from validation.study.audit_plan import AuditFacts
from validation.study.experiments import EXPERIMENTS
from validation.study.model import Study
from validation.words import counted, level_text

#: Of the series that were not taken in their planned order, so many are listed reading by reading.
MOST_SERIES = 40
_CLAUSES, _QUESTIONS = "clauses", "questions"


def statements(record: DossierRecord) -> list[Block]:
    """What the plan states for an assessment, with "not stated" for what it does not, and the order of measurement."""
    stated = record.study.plan.audit
    return [
        Heading("Statements for an assessment", 1, "audit-statements"),
        Paragraph(
            "The plan states this; no reading shows it. What the record shows of it is in the next two annexes.",
            margin="plan.yaml: audit",
        ),
        Fields(_fields(stated)),
        *_listed("What would make the laboratory withdraw the method", stated.withdrawal),
        *_listed("Assumed and not tested", stated.assumptions),
        _editions(stated),
        _authorisations(stated),
        _rounds(stated),
        *_order(record.study),
    ]


def _fields(stated: AuditFacts) -> tuple[tuple[str, str], ...]:
    standing, method, kept = stated.standing, stated.reference_method, stated.retention
    return (
        ("Standing", NOT_STATED if standing is None else _joined(standing.kind, standing.reason)),
        ("Reference method", NOT_STATED if method is None else method.name),
        ("… traceable to", (method and method.traceable_to) or NOT_STATED),
        ("… its uncertainty", (method and method.uncertainty) or NOT_STATED),
        ("… shown in", (method and method.record) or NOT_STATED),
        ("Kept for", NOT_STATED if kept is None else f"{level_text(kept.years)} years"),
        ("… in the format", (kept and kept.format) or NOT_STATED),
        ("… at the place", (kept and kept.place) or NOT_STATED),
        ("Next lot", stated.next_lot or NOT_STATED),
        ("Since the last assessment", stated.changes_since or NOT_STATED),
        ("Impartiality", stated.impartiality or NOT_STATED),
    )


def _joined(kind: str, reason: str | None) -> str:
    return f"{kind}: {reason}" if reason else f"{kind}; why: {NOT_STATED}"


def _listed(title: str, texts: Sequence[str]) -> list[Block]:
    return [Paragraph(f"{title}:"), Items(tuple(texts))] if texts else [Paragraph(f"{title}: {NOT_STATED}.")]


def _editions(stated: AuditFacts) -> Block:
    rows = tuple(
        (
            item.document,
            item.edition,
            NOT_STATED if item.current_on is None else item.current_on.isoformat(),
            item.superseded_by or "none stated",
            item.used_for or NOT_STATED,
        )
        for item in stated.editions
    )
    if not rows:
        return Paragraph(f"Editions of the documents in use: {NOT_STATED}.")
    head = ("Document", "Edition", "Checked on", "Superseded by", "Used for")
    return Table("Editions of the documents in use", head, rows, align="lllll", margin="plan.yaml: audit.editions")


def _authorisations(stated: AuditFacts) -> Block:
    rows = tuple(
        (item.person, item.task, item.since.isoformat(), str(item.until or "none stated"), item.record or NOT_STATED)
        for item in stated.authorisations
    )
    if not rows:
        return Paragraph(f"Authorisations: {NOT_STATED}.")
    head = ("Person", "Task", "Since", "Until", "Shown in")
    return Table("Authorisations", head, rows, align="lllll", margin="plan.yaml: audit.authorisations")


def _rounds(stated: AuditFacts) -> Block:
    rows = tuple(
        (item.round, item.date.isoformat(), item.score, item.looked_back or NOT_STATED) for item in stated.proficiency
    )
    if not rows:
        return Paragraph(f"Proficiency tests: {NOT_STATED}.")
    head = ("Round", "Date", "Score", "Looked back")
    return Table("Proficiency tests", head, rows, align="llll", margin="plan.yaml: audit.proficiency")


def _order(study: Study) -> list[Block]:
    """Planned against actual order: one row a worksheet, then each series that was taken in another order."""
    sheets = [data for name, data in study.experiments.items() if not EXPERIMENTS[name].traits.earlier]
    by_sheet = {data.worksheet: ordered_runs([data]) for data in sheets if data.readings}
    rows = tuple((sheet, *_sheet_row(runs)) for sheet, runs in by_sheet.items())
    heading = Heading("Order of measurement", 2, "audit-order")
    if not rows:
        return [heading, Paragraph("There is no reading.")]
    head = ("Worksheet", "Runs", "Readings", "Runs in planned order", "Not to be compared")
    moved = [run for runs in by_sheet.values() for run in runs if run.moved]
    blocks: list[Block] = [
        heading,
        Paragraph("The planned place of each reading (column order) beside its place by time, within its run."),
        Table("Planned and actual order", head, rows, align="lrrrl"),
    ]
    if moved:
        lines = tuple(
            (run.worksheet, run.series, name, str(planned), str(place))
            for run in moved[:MOST_SERIES]
            for name, planned, place in run.moved
        )
        shown = f", of the first {MOST_SERIES} of {len(moved)} runs" if len(moved) > MOST_SERIES else ""
        caption = f"Readings that were taken in another place{shown}"
        blocks.append(Table(caption, ("Worksheet", "Run", "Reading", "Planned", "Taken"), lines, align="lllrr"))
    return blocks


def _sheet_row(runs: Sequence[OrderedRun]) -> tuple[str, ...]:
    compared = [run for run in runs if not run.missing]
    why = ", ".join(dict.fromkeys(run.missing for run in runs if run.missing))
    blind = f"{len(runs) - len(compared)}: {why}" if why else "none"
    followed = str(sum(not run.moved for run in compared)) if compared else ""
    return str(len(runs)), str(sum(run.readings for run in runs)), followed, blind


def clause_matrix(record: DossierRecord) -> list[Block]:
    """ISO/IEC 17025 by its clauses: where in the dossier, which evidence, which gap."""
    report = record.audit
    if report is None:
        return []
    rows, links = [], []
    for at, (row, questions) in enumerate(zip(report.clauses, report.rests_on, strict=True)):
        where, also = _places(row)
        number = f"{row.id} (clause from memory)" if row.from_memory else row.id
        rows.append((number, row.subject, where[0], also[0], row.text, row.status))
        links += [(at, 2, where[1]), (at, 3, also[1])]
        links += [(at, 4, f"question-{questions[0][1:]}")] if questions else []
    head = ("Clause", "What it asks for", "Where", "Also", "Evidence, and what is missing", "Status")
    return [
        Heading("ISO/IEC 17025 clause by clause", 1, _CLAUSES),
        Paragraph(
            "ISO/IEC 17025:2017, in our own words. A row is answered from the record of this dossier: from what was "
            f"written, read, weighed and judged. {_sentence(counts(report.clauses, 'clauses'))}",
            margin="results.json: audit, clauses",
        ),
        Table(
            "Clause matrix",
            head,
            tuple(rows),
            align="llllll",
            widths=(1.1, 1.9, 1.4, 1.4, 4.2, 0.9),
            anchors=tuple(f"clause-{_slug(row.id)}" for row in report.clauses),
            links=tuple(link for link in links if link[2]),
            paged=True,
            long=True,
        ),
    ]


def thirty_questions(record: DossierRecord) -> list[Block]:
    """The questions with their answers; what is missing first."""
    report = record.audit
    if report is None:
        return []
    rows, links = [], []
    for at, answer in enumerate(report.questions):
        where, also = _places(answer)
        rows.append((answer.id, answer.subject, answer.text, where[0], also[0], answer.status))
        links += [(at, 3, where[1]), (at, 4, also[1])]
    return [
        Heading("Thirty questions", 1, _QUESTIONS),
        Paragraph(
            f"{_sentence(counts(report.questions, 'questions'))} Each answer is made from the record; answered means "
            "that nothing it asks for is missing, not that the answer is a good one.",
            margin="results.json: audit, questions",
        ),
        *_gaps(report),
        Table(
            "Questions and answers",
            ("No.", "Question", "Answer", "Where", "Also", "Status"),
            tuple(rows),
            align="llllll",
            widths=(0.6, 2, 4.6, 1.4, 1.4, 0.9),
            anchors=tuple(f"question-{answer.id[1:]}" for answer in report.questions),
            links=tuple(link for link in links if link[2]),
            paged=True,
            long=True,
        ),
    ]


def _gaps(report: AuditReport) -> list[Block]:
    """What is missing, gaps first, with the key that would answer it."""
    if not report.open:
        return [Paragraph("Nothing is missing.")]
    rows = [(answer, item) for answer in report.open for item in answer.finding.missing]
    table = Table(
        f"What is missing: {counted(len(report.open), 'question')}, gaps first",
        ("No.", "Missing", "Status", "Would be answered by"),
        tuple((answer.id, item.text, answer.status, item.key) for answer, item in rows),
        align="llll",
        links=tuple((at, 0, f"question-{answer.id[1:]}") for at, (answer, _) in enumerate(rows)),
        widths=(0.6, 4.4, 0.9, 2.6),
    )
    return [table]


def _places(answer: Answer) -> tuple[tuple[str, str], tuple[str, str]]:
    """The first two places: words and anchor; both empty where there is none."""
    places = [(place.text, place.anchor) for place in answer.finding.places]
    first, second, *_ = [*places, ("", ""), ("", "")]
    return first, second


def _slug(number: str) -> str:
    return "".join(sign if sign.isalnum() else "-" for sign in number.lower())


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."
