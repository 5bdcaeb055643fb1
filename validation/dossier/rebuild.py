"""The record of a dossier rebuilt from its inputs, in this process: what `verify` compares."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from validation.characteristics.registry import characteristics
from validation.dossier.compare import compare_facts, facts_of_building, facts_of_step
from validation.dossier.compare_text import step_restriction
from validation.dossier.comparison_report import ComparisonReport
from validation.dossier.listings import long_tables
from validation.dossier.manifest import inputs_hash
from validation.dossier.parent import comparison
from validation.dossier.raw_data import listings
from validation.dossier.redrawn import redrawn
from validation.dossier.results import results_of
from validation.judging.outcomes import Judgement, evaluate, judge_study, with_verdict_error
from validation.judging.sensitivity import Variant, mark_fragile, variants
from validation.study.load import load_study
from validation.study.model import Study
from validation.study.quantity import Evaluation


@dataclass(frozen=True)
class Rebuilt:
    """What the inputs give: study, evaluations, the content of results.json, and files by name.

    `listings` hold rows of worksheets as written; `tables` numbers with every digit, as figures do.
    """

    study: Study
    evaluations: Mapping[str, Evaluation]
    results: dict[str, Any]
    figures: Mapping[str, bytes]
    listings: Mapping[str, bytes]
    tables: Mapping[str, bytes]


def judged_with_parent(
    study: Study, inputs: Path, evaluations: Mapping[str, Evaluation], variants: Sequence[Variant], *, draft: bool
) -> tuple[Judgement, ComparisonReport | None, dict[str, Any]]:
    """The verdicts, the step since the parent, which may restrict the conclusion, and the content of results.json."""
    judged = judge_study(study, evaluations)
    parent = comparison(study, inputs, judged.results())
    restriction = step_restriction(None if parent is None else parent.step_record(), study.unit)
    if parent is not None and restriction:
        judged = judge_study(study, evaluations, order=judged.order, further=[restriction])
    judgement = with_verdict_error(mark_fragile(judged, variants), study)
    if parent is not None:
        parent = replace(parent, conclusions=(parent.conclusions[0], judgement.conclusion.to_dict()))
    return judgement, parent, results_of(judgement, parent, draft=draft)


def looks_of(study: Study, evaluations: Mapping[str, Evaluation]) -> list[Variant]:
    """Every verdict judged again under other choices."""
    return variants(study, evaluations, judge_study(study, evaluations))


def with_recorded_step(rebuilt: Rebuilt, recorded: Mapping[str, Any]) -> dict[str, Any]:
    """The content of results.json with the step since a parent of which the dossier keeps nothing but the step's rows.

    Versions before 0.3.0 kept no more: the parent's values are taken as the rows record them.
    """
    study = rebuilt.study
    parent = facts_of_step(recorded, study.plan.study.parent or "", study.unit)
    judged = judge_study(study, rebuilt.evaluations)
    now = facts_of_building(study.plan.study.id, judged.results(), study.folder, {})
    allowed, confidence = study.plan.lots.allowed_step, study.judged_confidence
    step = compare_facts(parent, now, allowed_step=allowed, confidence=confidence).step_record()
    if step is None:
        return rebuilt.results
    restriction = step_restriction(step, study.unit)
    if restriction:
        judged = judge_study(study, rebuilt.evaluations, order=judged.order, further=[restriction])
    return rebuilt.results | {"step": step, "conclusion": judged.conclusion.to_dict()}


def rebuild(
    inputs: Path, *, draft: bool = False, chapters: Sequence[str] | None = None, figures: bool = True
) -> Rebuilt:
    """Rebuild the record.

    Parameters
    ----------
    inputs : the inputs of a dossier
    draft : whether readings without a result are left out
    chapters : those that a draft evaluated, None for all
    figures : whether they are drawn too

    Raises
    ------
    StudyDataError
        The inputs have faults.
    """
    key = (inputs_hash(inputs), draft, None if chapters is None else tuple(chapters), figures)
    if key not in _made:
        while len(_made) > 3:  # the same dossier is read again, or one next to it
            _made.pop(next(iter(_made)))
        _made[key] = _rebuilt(inputs, draft, chapters, figures)
    return _made[key]


_made: dict[tuple[str, bool, tuple[str, ...] | None, bool], Rebuilt] = {}


def _rebuilt(inputs: Path, draft: bool, chapters: Sequence[str] | None, figures: bool) -> Rebuilt:
    study = load_study(inputs, draft=draft)
    evaluations = evaluate(study, only=chapters)
    judgement, _, results = judged_with_parent(study, inputs, evaluations, looks_of(study, evaluations), draft=draft)
    anew = {
        name: raw
        for chapter in characteristics()
        if figures and chapter in evaluations
        for name, raw in redrawn(chapter, evaluations[chapter], study).items()
    }
    return Rebuilt(study, evaluations, results, anew, listings(study, judgement.flags), long_tables(evaluations))
