"""From a judged study to the dossier's blocks: what it says, in which order. Rounds for the page, computes nothing."""

from __future__ import annotations

from collections.abc import Callable

from validation.characteristics.registry import characteristics
from validation.dossier.audit_pages import clause_matrix, statements, thirty_questions
from validation.dossier.blocks import (
    Block,
    Document,
)
from validation.dossier.changes import parent_changes, predecessor_changes
from validation.dossier.chapters import chapter_of
from validation.dossier.opening import absent_characteristics, cover, plan_and_requirements, verdicts
from validation.dossier.questions_page import questions
from validation.dossier.raw_data import raw_data
from validation.dossier.record import DossierRecord
from validation.dossier.registers import people_and_equipment, recompute, register, sensitivity, software
from validation.dossier.scope import fitness_and_scope
from validation.dossier.trace_pages import verdict_traces


def build_document(record: DossierRecord) -> Document:
    """Lay out the dossier."""
    parts: list[Callable[[DossierRecord], list[Block]]] = [
        verdicts,
        parent_changes,
        predecessor_changes,
        plan_and_requirements,
        absent_characteristics,
        *(chapter_of(item) for item in characteristics().values()),
        fitness_and_scope,
        sensitivity,
        register,
        questions,
        people_and_equipment,
        verdict_traces,
        raw_data,
        software,
        recompute,
        statements,
        clause_matrix,
        thirty_questions,
    ]
    blocks = [block for part in parts for block in part(record)]
    return Document(
        cover=cover(record),
        blocks=tuple(blocks),
        issue=record.issue,
        short_hash=record.inputs_hash[:12],
        timestamp=record.timestamp,
        watermark=record.watermark,
        attached=tuple(record.attached.items()),
    )
