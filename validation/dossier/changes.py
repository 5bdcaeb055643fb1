"""What changed since the parent study or the issue before: conclusion, step and verdicts first, then what moved."""

from __future__ import annotations

from validation.dossier.blocks import Block, Heading, Items, Paragraph, Table
from validation.dossier.compare_text import (
    beside_text,
    by_cause,
    counted_by_chapter,
    met_text,
    number_texts,
    span,
    split_unrepeated,
    step_restriction,
    step_text,
    unrepeated_text,
    why_text,
)
from validation.dossier.comparison_report import ComparisonReport, NumberChange
from validation.dossier.record import DossierRecord
from validation.dossier.requirement_rows import name_in_words
from validation.words import level_text, significant, with_interval


def parent_changes(record: DossierRecord) -> list[Block]:
    """What changed since the parent study, and whether the step of the results is one the laboratory lets pass."""
    if record.parent is None:
        return []
    blocks = _opening(record.parent, "What changed since the parent", "parent")
    blocks += [_steps(record.parent, record.study.unit), *_verdicts(record.parent), *_tables(record.parent)]
    return [*blocks, *_recomputed(record.parent)]


def predecessor_changes(record: DossierRecord) -> list[Block]:
    """What changed since the issue before this one."""
    if record.predecessor is None:
        return []
    report = record.predecessor
    blocks = _opening(report, "What changed since the predecessor of this issue", "predecessor")
    return [*blocks, *_verdicts(report), *_tables(report)]


def step_sentence(report: ComparisonReport, unit: str) -> str:
    """For page 1, where the step since the parent restricts nothing: that it is met, or why none is judged.

    Empty where it restricts the conclusion, whose text names it.
    """
    step = report.step_record()
    if step is None:
        return report.step_note
    return "" if step_restriction(step, unit) else step_text(step, unit)


def _opening(report: ComparisonReport, title: str, anchor: str) -> list[Block]:
    old, new = report.conclusions
    then, now = (span(one, facts.results["study"]["unit"]) for one, facts in ((old, report.old), (new, report.new)))
    source = f"{report.old.name}, manifest SHA-256 {report.old.manifest_hash}. {_lots(report)}"
    return [
        Heading(title, 1, anchor),
        Paragraph(source.strip(), margin="validation compare"),
        Paragraph(f"Proposed conclusion then: {old['outcome']}{then}. Now: {new['outcome']}{now}."),
    ]


def _lots(report: ComparisonReport) -> str:
    old, new = report.old.lot, report.new.lot
    return f"Lot in use then: {old}. Now: {new}." if old and new and old != new else ""


def _verdicts(report: ComparisonReport) -> list[Block]:
    """The verdicts that both give and that differ; then, separately, those that one of the two does not give."""
    blocks: list[Block] = []
    rows = tuple(
        (v["id"], name_in_words(v["quantity"]), level_text(v["at"]), *_then_and_now(v)) for v in report.verdicts
    )
    if rows:
        head = ("Id", "Quantity", "At", "Then", "Now")
        blocks.append(Table("Verdicts that changed", head, rows, align="lllll", widths=(0.5, 2.2, 0.8, 1.6, 1.6)))
    same = report.verdicts_same
    counted = f"{same} {'is' if same == 1 else 'are'} the same." if same else ""
    head_text = "Of the other verdicts that both give," if rows else "No verdict that both give changed:"
    if counted or not rows:
        blocks.append(Paragraph(f"{head_text} {counted}".strip().removesuffix(":")))
    if report.verdicts_added:
        new = [f"{v['id']} {level_text(v['at'])}".rstrip() + f" {v['new']}" for v in report.verdicts_added]
        blocks.append(Paragraph(f"Judged now and not then: {', '.join(new)}."))
    if report.verdicts_not_repeated:
        open_, met = split_unrepeated(report.verdicts_not_repeated)
        blocks.append(Paragraph(f"Not repeated, so the verdicts of {report.old.name} still apply:"))
        unrepeated = [f"{unrepeated_text(item)}{why_text(item)}" for item in open_]
        blocks.append(Items((*unrepeated, *([f"met: {met_text(met)}"] if met else []))))
    return blocks


def _then_and_now(verdict: dict[str, object]) -> tuple[str, str]:
    limits = verdict.get("limits")
    if not isinstance(limits, list):
        return str(verdict["old"]), str(verdict["new"])
    return f"{verdict['old']} (limit {limits[0]})", f"{verdict['new']} (limit {limits[1]})"


def _steps(report: ComparisonReport, unit: str) -> Block:
    """The step by level, an equivalence: a small difference is never "no change"."""
    if not report.steps:
        return Paragraph(report.step_note, margin="plan.yaml: lots")
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
    blocks: list[Block] = []
    for group in by_cause(report):
        blocks.append(_numbers(f"Moved by {group.cause}", group.listed))
        beside = beside_text(group)
        if beside:
            blocks.append(Paragraph(f"{beside[0].upper()}{beside[1:]}.", style="small"))
    same = len(report.numbers) - len(report.moved)
    if same:
        noun = "quantity is" if same == 1 else "quantities are"
        blocks.append(Paragraph(f"{same} {noun} the same to the last digit that counts.", style="small"))
    if report.not_repeated:
        inherited = f"Quantities not repeated: the values of {report.old.name} still apply"
        blocks.append(Paragraph(f"{inherited}: {counted_by_chapter(report.not_repeated)}.", style="small"))
    if report.added:
        blocks.append(Paragraph(f"New quantities: {counted_by_chapter(report.added)}.", style="small"))
    return [*blocks, *_inputs(report)]


def _recomputed(report: ComparisonReport) -> list[Block]:
    """Numbers of a parent of another version that a changed method gives differently; inherited ones stay."""
    if not report.recomputed:
        return []
    rows = tuple(
        (
            name_in_words(n.key),
            level_text(n.at),
            *_told_apart(n.parent, n.today),
            "" if n.unit == "1" else n.unit,
            n.method,
        )
        for n in report.recomputed
    )
    caption = (
        f"Numbers of {report.old.name} that this version of the program computes differently; the parent's are kept"
    )
    head = ("Quantity", "At", "Parent", "Today", "Unit", "Method changed since")
    margin = "results.json: parent_recomputed"
    return [Table(caption, head, rows, align="llddll", margin=margin, widths=(2, 0.8, 0.9, 0.9, 0.6, 3))]


def _told_apart(*values: float | None) -> list[str]:
    """Numbers with as many digits as show that they differ."""
    for digits in range(3, 12):
        texts = ["-" if value is None else significant(value, digits) for value in values]
        if len(set(texts)) == len(texts):
            break
    return texts


def _inputs(report: ComparisonReport) -> list[Block]:
    """Hashes of what changed; what one of the two does not have is named, its hash is in that dossier's manifest."""
    changed = tuple(
        (i["file"], (i["old"] or "")[:16], (i["new"] or "")[:16]) for i in report.inputs if i["change"] == "changed"
    )
    blocks: list[Block] = []
    if changed:
        blocks.append(Table("Inputs that changed, by hash", ("File", "Then", "Now"), changed, align="lll"))
    others = [
        f"{change[0].upper()}{change[1:]}: {', '.join(files)}."
        for change, files in report.inputs_by_change().items()
        if change != "changed"
    ]
    if others:
        blocks.append(Items(tuple(others)))
    if report.versions:
        blocks.append(Paragraph(f"Versions: {'; '.join(report.versions)}."))
    return blocks


def _numbers(caption: str, numbers: tuple[NumberChange, ...]) -> Table:
    rows = tuple(
        (
            name_in_words(n.key),
            level_text(n.at),
            *number_texts(n),
            "" if n.combined is None else significant(n.combined, 2),
            "" if n.unit == "1" else n.unit,
        )
        for n in numbers
    )
    head = ("Quantity", "At", "Then", "Now", "Difference", "u of difference", "Unit")
    widths = (2.6, 1, 1, 1, 1, 1, 0.7)
    return Table(caption, head, rows, align="lldddll", margin="validation compare --json", widths=widths)
