"""The section on what a reader of the raw data would ask, with the answers that were given."""

from __future__ import annotations

from validation.dossier.blocks import Block, Heading, Paragraph, Table
from validation.dossier.record import DossierRecord
from validation.judging.questions import RULES, Question
from validation.words import counted, sentence_list

#: So many readings are named in a row; results.json has all of them.
_NAMED = 5


def questions(record: DossierRecord) -> list[Block]:
    """Every question with its rows, the reason for it, how often it is asked by chance, and its answer."""
    asked = record.judgement.questions
    lead = (
        f"{len(RULES)} rules look for what an assessor would ask about the readings as written (docs/questions.md). "
        "They ask and do not judge: no number and no verdict depends on them. An answer is an amendment; a question "
        "without one is an open action."
    )
    blocks: list[Block] = [Heading("Questions on the raw data", 1, "raw-questions"), Paragraph(lead)]
    if not asked:
        return [*blocks, Paragraph("None of the rules asks anything.", margin="results.json: questions")]
    open_ = sum(item.open for item in asked)
    blocks.append(Paragraph(f"{counted(len(asked), 'question')}, {open_} open.", margin="results.json: questions"))
    head = ("Question", "Rows", "Why it is asked", "By chance", "Answer")
    rows = tuple(_row(item) for item in asked)
    caption = "Questions, each with its rows and its answer"
    return [*blocks, Table(caption, head, rows, "lllll", "results.json: questions", widths=(6, 3, 4, 2, 4))]


def _row(item: Question) -> tuple[str, ...]:
    more = len(item.readings) - _NAMED
    names = ", ".join(item.readings[:_NAMED]) + f" and {more} more" if more > 0 else sentence_list(list(item.readings))
    chance = "no part" if item.false_alarm is None else f"under {1000 * item.false_alarm:g} of 1000 studies"
    answer = f"{item.answer} ({item.by}, {item.time[:10]})" if item.answer else "open"
    return f"{item.text} [{item.id}]", f"{item.worksheet}: {names}", item.reason, chance, answer
