"""What changed since the parent study or the issue before: verdicts first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from validation.dossier.blocks import Block, Heading, Paragraph, Table
from validation.dossier.compare import ComparisonReport
from validation.dossier.record import DossierRecord
from validation.judging.conclusion import range_text
from validation.words import level_text, sentence_list, significant, with_interval


def parent_changes(record: DossierRecord) -> list[Block]:
    """What changed since the parent study, and whether the step of the results is one the laboratory lets pass."""
    if record.parent is None:
        return []
    blocks = _opening(record.parent, "What changed since the parent", "parent")
    return [*blocks, _steps(record.parent, record.study.unit), *_tables(record.parent)]


def predecessor_changes(record: DossierRecord) -> list[Block]:
    """What changed since the issue before this one."""
    if record.predecessor is None:
        return []
    blocks = _opening(record.predecessor, "What changed since the predecessor of this issue", "predecessor")
    return [*blocks, *_tables(record.predecessor)]


def step_sentence(report: ComparisonReport, unit: str) -> str:
    """Page 1 tells whether the step of the results since the parent is one the laboratory lets pass."""
    if not report.steps:
        return f"The step of the results since {report.old.name} is not judged."
    by_outcome = {n.outcome: [level_text(m.at) for m in report.steps if m.outcome == n.outcome] for n in report.steps}
    told = "; ".join(f"{outcome} at {sentence_list(levels)} {unit}" for outcome, levels in by_outcome.items())
    return f"Step of the results since {report.old.name} against the allowed {report.step_limit}: {told}."


def _opening(report: ComparisonReport, title: str, anchor: str) -> list[Block]:
    old, new = report.conclusions
    source = f"{report.old.name}, manifest SHA-256 {report.old.manifest_hash}. {report.cause}"
    blocks: list[Block] = [
        Heading(title, 1, anchor),
        Paragraph(source, margin="validation compare"),
        Paragraph(f"Proposed conclusion then: {old['outcome']}{_span(old)}. Now: {new['outcome']}{_span(new)}."),
    ]
    changed = tuple(v for v in report.verdicts if v["new"] != "not repeated")
    rows = tuple((v["id"], v["quantity"], level_text(v["at"]), v["old"], v["new"]) for v in changed)
    head = ("Id", "Quantity", "At", "Then", "Now")
    if rows:
        blocks.append(Table("Verdicts that changed", head, rows, align="lllll"))
    else:
        blocks.append(Paragraph("No verdict changed."))
    left = [f"{v['id']} {level_text(v['at'])}".rstrip() for v in report.verdicts if v["new"] == "not repeated"]
    if left:
        blocks.append(Paragraph(f"Judged then and not repeated, by requirement and level: {', '.join(left)}."))
    return blocks


def _steps(report: ComparisonReport, unit: str) -> Block:
    """The step by level, an equivalence: a small difference is never "no change"."""
    if not report.steps:
        why = "lots.allowed_step" if not report.step_limit else "bias by level in both studies"
        return Paragraph(f"There is no {why}: whether the change matters is not judged.", margin="plan.yaml: lots")
    rows = tuple(
        (
            level_text(n.at),
            *(("", "") if n.difference is None else with_interval(n.difference, n.interval)),
            f"±{significant(n.allowed or 0.0, 2)}",
            n.outcome,
        )
        for n in report.steps
    )
    caption = f"Step of the results in {unit}, judged as an equivalence: a small difference is never “no change”"
    head = ("Level", "Step", "Interval", f"Allowed ({report.step_limit})", "Outcome")
    return Table(caption, head, rows, align="lddll", margin="plan.yaml: lots.allowed_step")


def _tables(report: ComparisonReport) -> list[Block]:
    inputs = tuple((i["file"], i["change"], (i["old"] or "")[:16], (i["new"] or "")[:16]) for i in report.inputs)
    blocks: list[Block] = [
        Table("Inputs by hash", ("File", "Change", "Then", "Now"), inputs, align="llll"),
        _numbers(report),
    ]
    if report.not_repeated:
        kept = tuple((q["key"], level_text(q["at"]), _number(q["value"]), q["unit"]) for q in report.not_repeated)
        caption = f"Not repeated; the value stands from {report.old.name} (manifest {report.old.manifest_hash[:16]})"
        blocks.append(Table(caption, ("Quantity", "At", "Value", "Unit"), kept, align="lldl", long=True, details=True))
    if report.versions:
        blocks.append(Paragraph(f"Versions: {'; '.join(report.versions)}."))
    return blocks


def _numbers(report: ComparisonReport) -> Table:
    rows = tuple(
        (
            n.key,
            level_text(n.at),
            _number(n.old),
            _number(n.new),
            _number(n.difference),
            "" if n.combined is None else significant(n.combined, 2),
            "" if n.ratio is None else significant(n.ratio, 2),
        )
        for n in report.numbers
    )
    caption = "Every quantity: then, now, difference, combined standard uncertainty and their ratio"
    head = ("Quantity", "At", "Then", "Now", "Difference", "u of difference", "Ratio")
    widths = (2.4, 1, 1, 1, 1, 1, 0.8)
    return Table(caption, head, rows, align="llddddd", long=True, details=True, widths=widths)


def _span(conclusion: Mapping[str, Any]) -> str:
    spread = conclusion.get("range")
    return "" if spread is None else f", {range_text((spread[0], spread[1]))}"


def _number(value: float | None) -> str:
    return "" if value is None else significant(value, 4)
