"""The chapter on fitness and scope: what holds at once, on which terms, and what stays open."""

from __future__ import annotations

from validation.dossier.actions_page import contradictions, open_actions
from validation.dossier.blocks import Block, Heading, Items, Paragraph, Table
from validation.dossier.opening import in_full
from validation.dossier.record import DossierRecord
from validation.words import level_text

LEAD_IN = (
    "What the verdicts of this study mean together. The range is that of the verdicts. Grades and fuels are those "
    "whose "
    "verdicts admit them. The terms are what the verdicts on procedure and standards mean for daily work. The program "
    "proposes; people sign."
)


def fitness_and_scope(record: DossierRecord) -> list[Block]:
    """The fitness statement."""
    fitness = record.judgement.fitness
    blocks: list[Block] = [Heading("Fitness and scope", 1, "fitness"), Paragraph(LEAD_IN)]
    blocks.append(Paragraph(fitness.statement, style="lead", margin="results.json: fitness"))
    if fitness.materials:
        unit = record.study.unit
        rows = tuple(
            (item.kind, item.name, item.standing, _reach(item.range, unit), f"{item.reason}.")
            for item in fitness.materials
        )
        head = ("Kind", "Name", "Status", "Range", "Reason")
        blocks.append(Table("Grades and fuels", head, rows, align="lllll", margin="matrix, fuel"))
    blocks += _list("Terms of the procedure and of the standards", fitness.terms)
    blocks += _list("What page 1 shortens", in_full(record))
    blocks += [*contradictions(record), *open_actions(record)]
    if fitness.scope:
        blocks += [
            Heading("Wording for the scope of accreditation", 2),
            Paragraph(fitness.scope),
            Paragraph(
                "A proposal in the words of the plan; the accreditation body's own form comes first.", style="note"
            ),
        ]
    return [*blocks, *_list("Results outside the scope", fitness.outside)]


def _reach(span: tuple[float, float] | None, unit: str) -> str:
    return "none" if span is None else f"{level_text(span[0])} to {level_text(span[1])} {unit}"


def _list(title: str, items: tuple[str, ...]) -> list[Block]:
    return [Heading(title, 2), Items(items)] if items else []
