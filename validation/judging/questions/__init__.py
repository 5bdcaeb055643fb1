"""Questions that a severe reader of the raw data would ask: a closed list of rules, each with its reason.

They are asked, never judged: no number and no verdict depends on them. An answer is an amendment of the kind `answer`.
"""

from __future__ import annotations

from datetime import datetime
from difflib import get_close_matches

from validation.faults import Refusal
from validation.judging.questions.by_chance import CHANCE_RULES
from validation.judging.questions.by_record import RECORD_RULES
from validation.judging.questions.record import Question, Raw, Rule
from validation.study.history.amendments import Amendment
from validation.study.model import Study

RULES: tuple[Rule, ...] = (*CHANCE_RULES, *RECORD_RULES)


def questions(study: Study) -> tuple[Question, ...]:
    """Every question on the raw data of a study, in the order of the rules, each with its answer where there is one."""
    raw = Raw(study)
    asked = [rule.question(one) for rule in RULES for one in rule.ask(raw)]
    return tuple(question.answered(study.amendments) for question in {one.id: one for one in asked}.values())


def answer(study: Study, named: str, *, number: int, by: str, reason: str, now: datetime) -> Amendment:
    """The amendment that answers a question; the last answer to a question counts.

    Raises
    ------
    Refusal
        No question of the study has this identifier.
    """
    asked = {question.id: question for question in questions(study)}
    if named not in asked:
        close = get_close_matches(named, asked, n=1)
        hint = f" Did you mean {close[0]}?" if close else f" Questions: {', '.join(asked) or 'none'}."
        raise Refusal(f"The raw data raise no question {named}.{hint}")
    question = asked[named]
    first = question.readings[0] if question.readings else ""
    time = now.isoformat(timespec="seconds")
    return Amendment(number, time, by, "answer", question.worksheet, first, question.rule, "", question.id, reason)


__all__ = ["RULES", "Question", "answer", "questions"]
