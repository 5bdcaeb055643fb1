"""The record of a dossier rebuilt from its inputs, in this process: what `verify` compares."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from validation.audit.evidence import AuditRecord, SelfTestFacts
from validation.audit.report import AuditReport, audited
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


@dataclass(frozen=True)
class Judged:
    """The verdicts, the comparison with the parent, the content of results.json, and the audit of a whole study."""

    judgement: Judgement
    parent: ComparisonReport | None
    results: dict[str, Any]
    audit: AuditReport | None


def judged_with_parent(
    study: Study,
    inputs: Path,
    evaluations: Mapping[str, Evaluation],
    variants: Sequence[Variant],
    *,
    draft: bool,
    selftest: SelfTestFacts | None = None,
) -> Judged:
    """The verdicts, and what may restrict the conclusion besides them: a step since the parent, a failed self-test."""
    judged = judge_study(study, evaluations)
    parent = comparison(study, inputs, judged.results())
    step = step_restriction(None if parent is None else parent.step_record(), study.unit)
    further = [text for text in (step, selftest_restriction(selftest)) if text]
    if further:
        judged = judge_study(study, evaluations, order=judged.order, further=further)
    judgement = with_verdict_error(mark_fragile(judged, variants), study)
    if parent is not None:
        parent = replace(parent, conclusions=(parent.conclusions[0], judgement.conclusion.to_dict()))
    results = results_of(judgement, parent, draft=draft)
    if set(evaluations) != set(characteristics()):  # a draft of some chapters cannot be audited
        return Judged(judgement, parent, results, None)
    audit = audited(AuditRecord(study, judgement, variants, results, selftest))
    return Judged(judgement, parent, results | {"audit": audit.to_dict()}, audit)


def selftest_restriction(selftest: SelfTestFacts | None) -> str:
    """What a failed self-test takes from the conclusion; empty where none failed."""
    if selftest is None or not selftest.failed:
        return ""
    return f"The self-test of this program fails: {selftest.failed} of {selftest.checks} checks."


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
    inputs: Path,
    *,
    draft: bool = False,
    chapters: Sequence[str] | None = None,
    figures: bool = True,
    selftest: SelfTestFacts | None = None,
) -> Rebuilt:
    """Rebuild the record.

    Parameters
    ----------
    inputs : the inputs of a dossier
    draft : whether readings without a result are left out
    chapters : those that a draft evaluated, None for all
    figures : whether they are drawn too
    selftest : of the report that the dossier holds

    Raises
    ------
    StudyDataError
        The inputs have faults.
    """
    key = (inputs_hash(inputs), draft, None if chapters is None else tuple(chapters), figures, selftest)
    if key not in _made:
        while len(_made) > 3:  # the same dossier is read again, or one next to it
            _made.pop(next(iter(_made)))
        _made[key] = _rebuilt(inputs, draft, chapters, figures, selftest)
    return _made[key]


_made: dict[tuple[str, bool, tuple[str, ...] | None, bool, SelfTestFacts | None], Rebuilt] = {}


def _rebuilt(
    inputs: Path, draft: bool, chapters: Sequence[str] | None, figures: bool, selftest: SelfTestFacts | None
) -> Rebuilt:
    study = load_study(inputs, draft=draft)
    evaluations = evaluate(study, only=chapters)
    looks = looks_of(study, evaluations)
    judged = judged_with_parent(study, inputs, evaluations, looks, draft=draft, selftest=selftest)
    anew = {
        name: raw
        for chapter in characteristics()
        if figures and chapter in evaluations
        for name, raw in redrawn(chapter, evaluations[chapter], study).items()
    }
    rows, tables = listings(study, judged.judgement.flags), long_tables(evaluations)
    return Rebuilt(study, evaluations, judged.results, anew, rows, tables)
