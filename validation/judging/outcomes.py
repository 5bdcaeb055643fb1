"""The whole computation in one process: evaluate every characteristic, judge, conclude. The notebooks do the same."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from validation.characteristics.registry import characteristics, evaluated
from validation.judging.conclusion import (
    Conclusion,
    NotEvaluated,
    conclude,
    in_part,
    not_evaluated,
    quantification_limit,
)
from validation.judging.contradictions import Basis, Contradiction, contradictions
from validation.judging.fitness import Fitness, fitness
from validation.judging.questions import Question
from validation.judging.requirements import BY_PERFORMANCE, RequirementResult, judge
from validation.judging.verdict_error import VerdictError, verdict_error
from validation.study.history.plan_order import PlanOrder, plan_order
from validation.study.history.roles import RolesOfAStudy
from validation.study.model import Study
from validation.study.quantity import Evaluation, Flag, Quantity


@dataclass(frozen=True)
class Judgement:
    """Everything `results.json` holds, as records; `by_performance` is the one quantity that needs verdicts itself.

    `error` is that of the verdict as a whole, once it was simulated. `of_the_record`: what the study folder shows in
    addition, as results.json holds it: who prepared, reviewed and approved, and worksheets held against exports.
    """

    study_id: str
    unit: str
    evaluations: tuple[Evaluation, ...]
    by_performance: Quantity | None
    requirements: tuple[RequirementResult, ...]
    flags: tuple[Flag, ...]
    conclusion: Conclusion
    absent: tuple[NotEvaluated, ...]
    order: PlanOrder
    fitness: Fitness
    error: VerdictError | None = None
    contradictions: tuple[Contradiction, ...] = ()
    of_the_record: Mapping[str, Any] = field(default_factory=dict)
    questions: tuple[Question, ...] = ()

    @cached_property
    def quantities(self) -> tuple[Quantity, ...]:
        """Every quantity of every chapter, those that only a chapter shows among them."""
        every = tuple(quantity for evaluation in self.evaluations for quantity in evaluation.quantities)
        return every if self.by_performance is None else (*every, self.by_performance)

    def results(self) -> dict[str, Any]:
        """The content of results.json."""
        return {
            "format": 1,
            "study": {"id": self.study_id, "unit": self.unit},
            "quantities": [quantity.results() for quantity in self.quantities],
            "requirements": [row.to_dict() for row in self.requirements],
            "flags": [flag.to_dict() for flag in self.flags],
            "conclusion": self.conclusion.to_dict(),
            "fitness": self.fitness.to_dict(),
            "verdict_error": None if self.error is None else self.error.to_dict(),
            "contradictions": [contradiction.to_dict() for contradiction in self.contradictions],
            "actions": [action.to_dict() for action in self.fitness.actions],
            **self.of_the_record,
            "questions": [question.to_dict() for question in self.questions],
        }


def evaluate(
    study: Study, *, only: Iterable[str] | None = None, known: Mapping[str, Evaluation] | None = None
) -> dict[str, Evaluation]:
    """Evaluate every characteristic of the study in this process, or those named.

    `known` are evaluations that others may depend on and that need not be computed again.
    """
    done = dict(known or {})
    names = list(characteristics()) if only is None else list(only)
    return {name: evaluated(characteristics()[name], study, done) for name in names}


def judge_study(
    study: Study,
    evaluations: Mapping[str, Evaluation],
    *,
    order: PlanOrder | None = None,
    further: Sequence[str] = (),
    questions: Sequence[Question] = (),
) -> Judgement:
    """Judge a study on its evaluations, whoever computed them; `order` where the age of the plan is known already.

    `further` are restrictions of the conclusion that do not come from the study's own readings; `questions` those on
    its raw data, of which the open ones are actions.

    The quantification limit by performance needs verdicts itself, so the requirements are gone through twice.
    """
    quantities = [quantity for evaluation in evaluations.values() for quantity in evaluation.judged]
    order = order or plan_order(study)
    rows = judge(study.plan, quantities, order, chapters=set(evaluations))
    by_performance = quantification_limit(rows, study)
    if by_performance is not None:
        quantities.append(by_performance)
        if any(row.at == BY_PERFORMANCE for row in rows):
            rows = judge(study.plan, quantities, order, chapters=set(evaluations))
    absent = not_evaluated(study, evaluations)
    partial = sorted(set(characteristics()) - set(evaluations))
    against: tuple[Contradiction, ...] = ()
    if partial:
        conclusion = in_part(list(evaluations))
    else:
        # The proposed range comes first: some rules ask what lies outside it.
        first = conclude(study, rows, absent, further=further)
        against = contradictions(Basis(study, rows, evaluations, first.range))
        restrictions = [item.text for item in against if item.restricts]
        conclusion = conclude(study, rows, absent, further=[*further, *restrictions]) if restrictions else first
    actions = [(item.rule, f"{item.text} {item.need}") for item in against if item.acts]
    actions += [(f"question {item.id}", item.text) for item in questions if item.open]
    return Judgement(
        study_id=study.plan.study.id,
        unit=study.unit,
        evaluations=tuple(evaluations.values()),
        by_performance=by_performance,
        requirements=rows,
        flags=tuple(flag for evaluation in evaluations.values() for flag in evaluation.flags),
        conclusion=conclusion,
        absent=absent,
        order=order,
        fitness=fitness(study, rows, evaluations, conclusion, absent, further=actions),
        contradictions=against,
        of_the_record={
            "roles": RolesOfAStudy.of(study).to_dicts(),
            "exports": [export.to_dict() for export in study.exports],
        },
        questions=tuple(questions),
    )


def with_verdict_error(judgement: Judgement, study: Study) -> Judgement:
    """The judgement with the error of its verdict as a whole, which the conclusion names where it has to."""
    if judgement.conclusion.outcome == "not judged":
        return judgement
    error = verdict_error(study, judgement.requirements, judgement.quantities, draws=study.plan.verdict_draws)
    if error is None:
        return judgement
    return replace(judgement, error=error, conclusion=judgement.conclusion.with_remark(error.point_sentence))


def outcomes(study: Study) -> Sequence[RequirementResult]:
    """The verdict rows of a study, computed here and now."""
    return judge_study(study, evaluate(study)).requirements
