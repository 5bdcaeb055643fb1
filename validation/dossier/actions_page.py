"""Contradictions and open actions as tables of the chapter on fitness and scope."""

from __future__ import annotations

import re
from collections.abc import Sequence

from validation.dossier.blocks import Block, Heading, Paragraph, Table
from validation.dossier.record import DossierRecord
from validation.dossier.requirement_rows import name_in_words
from validation.judging.actions import Action
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
    against = record.judgement.contradictions
    rows = tuple((a.id, _in_brief(a, against), a.source, a.owner or TO_FILL, a.due or TO_FILL) for a in actions)
    head = ("No.", "Action", "From", "Owner", "Date")
    caption = "What a person still has to supply or to decide"
    return [*blocks, Table(caption, head, rows, "lllll", "results.json: actions", long=True, widths=(1, 9, 3, 2, 2))]


def contradictions(record: DossierRecord) -> list[Block]:
    """Statements of the study that do not go together, each with what it rests on."""
    blocks: list[Block] = [Heading("Statements that do not go together", 2, "contradictions")]
    rows = tuple(_row(item, record.judgement.fitness.actions) for item in record.judgement.contradictions)
    if not rows:
        return [*blocks, Paragraph("None that the rules of docs/fitness.md look for.")]
    head = ("Rule", "What does not go together", "Becomes", "Rests on")
    caption = "By rule, from what plan and lot records state and what was measured"
    table = Table(caption, head, rows, "llll", "results.json: contradictions", long=True, widths=(3, 8, 2, 4))
    return [*blocks, table]


def _in_brief(action: Action, against: Sequence[Contradiction]) -> str:
    """The text of an action; of a contradiction, whose text is in the table before, its opening and what is needed."""
    item = next((item for item in against if item.acts and action.text == f"{item.text} {item.need}"), None)
    if item is None:
        return action.text
    opening = re.split(r"[:;.]\s", item.text, maxsplit=1)
    return f"{opening[0]}{' …' if opening[1:] else ''} {item.need}"


def _row(item: Contradiction, actions: Sequence[Action]) -> tuple[str, ...]:
    number = next((a.id for a in actions if item.acts and a.text == f"{item.text} {item.need}"), "")
    becomes = [*(["restriction"] if item.restricts else []), *([f"action {number}".rstrip()] if item.acts else [])]
    return item.rule, item.text, " and ".join(becomes), sentence_list([_place(place) for place in item.places])


def _place(place: Place) -> str:
    if place.quantity:
        name = name_in_words(place.quantity)
        return name if place.at is None else f"{name} ({level_text(place.at)})"
    return f"plan.yaml: {place.plan}" if place.plan else place.file
