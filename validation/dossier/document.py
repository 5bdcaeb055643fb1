"""From a judged study to the dossier's blocks: what it says, in which order. Rounds for the page, computes nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from string import ascii_uppercase

from validation.characteristics.registry import characteristics
from validation.dossier.audit_pages import clause_matrix, statements, thirty_questions
from validation.dossier.blocks import (
    Block,
    Document,
    Heading,
)
from validation.dossier.changes import parent_changes, predecessor_changes
from validation.dossier.chapters import chapter_of, formulas_and_sources, tables_of_detail
from validation.dossier.opening import cover, plan_and_requirements, verdicts
from validation.dossier.questions_page import questions
from validation.dossier.raw_data import raw_data
from validation.dossier.record import DossierRecord
from validation.dossier.registers import people_and_equipment, recompute, register, sensitivity
from validation.dossier.scope import fitness_and_scope
from validation.dossier.trace_pages import verdict_traces

Part = Callable[[DossierRecord], list[Block]]

#: Behind the chapters, each a letter of its own; a part without blocks takes none.
ANNEXES: tuple[Part, ...] = (
    formulas_and_sources,
    tables_of_detail,
    sensitivity,
    register,
    people_and_equipment,
    recompute,
    raw_data,
    verdict_traces,
    questions,
    statements,
    clause_matrix,
    thirty_questions,
)


def build_document(record: DossierRecord) -> Document:
    """Lay out the dossier: verdicts, what was asked, what follows, the chapters, the annexes."""
    parts: list[Part] = [
        verdicts,
        plan_and_requirements,
        fitness_and_scope,
        parent_changes,
        predecessor_changes,
        *(chapter_of(item) for item in characteristics().values()),
    ]
    blocks = [block for part in parts for block in part(record)]
    annexes = [made for part in ANNEXES if (made := part(record))]
    blocks += [block for letter, annex in zip(_letters(), annexes, strict=False) for block in _lettered(letter, annex)]
    return Document(
        cover=cover(record),
        blocks=tuple(blocks),
        issue=record.issue,
        short_hash=record.inputs_hash[:12],
        timestamp=record.timestamp,
        watermark=record.watermark,
        attached=tuple(record.attached.items()),
    )


def _letters() -> tuple[str, ...]:
    return (*ascii_uppercase, *(f"A{letter}" for letter in ascii_uppercase))


def _lettered(letter: str, annex: list[Block]) -> list[Block]:
    """The annex, its letter before its title."""
    return [
        replace(block, text=f"Annex {letter}. {block.text}")
        if isinstance(block, Heading) and block.level == 1
        else block
        for block in annex
    ]
