"""Contradictions and open actions as tables of the chapter on fitness and scope."""

from __future__ import annotations

from validation.dossier.blocks import Block, Heading, Paragraph, Table
from validation.dossier.record import DossierRecord
from validation.dossier.requirement_rows import name_in_words
from validation.judging.contradictions.record import Contradiction, Place
from validation.words import level_text, sentence_list

#: A cell that a person fills in on paper.
TO_FILL = "to fill"


def open_actions(record: DossierRecord) -> list[Block]:
    """What a person still has to supply or decide; owner and date are left to fill in."""
    actions = record.judgement.fitness.actions
    blocks: list[Block] = [Heading("Open actions", 2, "actions")]
    if not actions:
        return [*blocks, Paragraph("None.")]
    rows = tuple((a.id, a.text, a.source, a.owner or TO_FILL, a.due or TO_FILL) for a in actions)
    head = ("No.", "Action", "From", "Owner", "Date")
    caption = "What a person still has to supply or to decide"
    return [*blocks, Table(caption, head, rows, "lllll", "results.json: actions", long=True, widths=(1, 9, 3, 2, 2))]


def contradictions(record: DossierRecord) -> list[Block]:
    """Statements of the study that do not go together, each with what it rests on."""
    blocks: list[Block] = [Heading("Statements that do not go together", 2, "contradictions")]
    rows = tuple(_row(item) for item in record.judgement.contradictions)
    if not rows:
        return [*blocks, Paragraph("None that the rules of docs/fitness.md look for.")]
    head = ("Rule", "What does not go together", "Becomes", "Rests on")
    caption = "By rule, from what plan and lot records state and what was measured"
    table = Table(caption, head, rows, "llll", "results.json: contradictions", long=True, widths=(3, 8, 2, 4))
    return [*blocks, table]


def _row(item: Contradiction) -> tuple[str, ...]:
    becomes = {"both": "restriction and action"}.get(item.kind, item.kind)
    return item.rule, item.text, becomes, sentence_list([_place(place) for place in item.places])


def _place(place: Place) -> str:
    if place.quantity:
        name = name_in_words(place.quantity)
        return name if place.at is None else f"{name} ({level_text(place.at)})"
    return f"plan.yaml: {place.plan}" if place.plan else place.file
