"""The record of a dossier rebuilt from its inputs, in this process: what `verify` compares."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from validation.audit.evidence import AuditRecord, SelfTestFacts
from validation.audit.report import AuditReport, audited
from validation.characteristics.registry import characteristics
from validation.dossier.compare import compare_facts, facts_of_building, facts_of_step
from validation.dossier.compare_text import step_restriction
from validation.dossier.comparison_report import ComparisonReport
from validation.dossier.manifest import inputs_hash, versions
from validation.dossier.parent import comparison
from validation.dossier.redrawn import redrawn
from validation.dossier.results import results_of
from validation.judging.outcomes import Judgement, evaluate, judge_study, with_verdict_error
from validation.judging.questions import questions
from validation.judging.sensitivity import Variant, mark_fragile, variants
from validation.study.load import load_study
from validation.study.model import Study
from validation.study.quantity import Evaluation


@dataclass(frozen=True)
class Chapters:
    """What the chapters gave, whether notebooks computed it or this process.

    Attributes
    ----------
    evaluations, words : by chapter
    figures, alts : SVG and what it says in words, by the name of the figure
    notebooks : the executed notebooks by chapter; empty where none was executed
    """

    evaluations: Mapping[str, Evaluation]
    words: Mapping[str, Sequence[str]] = field(default_factory=dict)
    figures: Mapping[str, str] = field(default_factory=dict)
    alts: Mapping[str, str] = field(default_factory=dict)
    notebooks: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class Rebuilt:
    """What the inputs give; `results` is the content of results.json."""

    study: Study
    chapters: Chapters
    variants: Sequence[Variant]
    judgement: Judgement
    parent: ComparisonReport | None
    results: dict[str, Any]
    audit: AuditReport | None

    @property
    def evaluations(self) -> Mapping[str, Evaluation]:
        return self.chapters.evaluations


def judged_with_parent(
    study: Study,
    inputs: Path,
    chapters: Chapters,
    variants: Sequence[Variant],
    *,
    draft: bool,
    made_with: Mapping[str, str] | None = None,
    selftest: SelfTestFacts | None = None,
) -> Rebuilt:
    """The verdicts, what may restrict the conclusion besides them, the audit, and the content of results.json.

    Parameters
    ----------
    study : as read from `inputs`
    chapters, variants : its chapters, and every verdict under other choices
    draft : whether readings without a result are left out
    made_with : the versions that made the dossier, those of this program where it is being made
    selftest : of the report that the dossier holds; one that failed restricts the conclusion, as does a step since the
        parent
    """
    evaluations, asked = chapters.evaluations, questions(study)
    judged = judge_study(study, evaluations, questions=asked)
    parent = comparison(study, inputs, judged.results(), made_with or versions())
    step = step_restriction(None if parent is None else parent.step_record(), study.unit)
    further = [text for text in (step, selftest_restriction(selftest)) if text]
    if further:
        judged = judge_study(study, evaluations, order=judged.order, further=further, questions=asked)
    judgement = with_verdict_error(mark_fragile(judged, variants), study)
    if parent is not None:
        parent = replace(parent, conclusions=(parent.conclusions[0], judgement.conclusion.to_dict()))
    results, audit = results_of(judgement, parent, draft=draft), None
    if set(evaluations) == set(characteristics()):  # a draft of some chapters cannot be audited
        audit = audited(AuditRecord(study, judgement, variants, results, selftest))
        results |= {"audit": audit.to_dict()}
    return Rebuilt(study, chapters, variants, judgement, parent, results, audit)


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
    pages: bool = True,
    made_with: Mapping[str, str] | None = None,
    selftest: SelfTestFacts | None = None,
) -> Rebuilt:
    """Rebuild the record.

    Parameters
    ----------
    inputs : the inputs of a dossier
    draft : whether readings without a result are left out
    chapters : those that a draft evaluated, None for all
    pages : whether what only the pages show is made too: words and figures
    made_with : the versions that made the dossier
    selftest : of the report that the dossier holds

    Raises
    ------
    StudyDataError
        The inputs have faults.
    """
    versions_then = tuple(sorted((made_with or {}).items()))
    key = (inputs_hash(inputs), draft, None if chapters is None else tuple(chapters), pages, versions_then, selftest)
    if key not in _made:
        while len(_made) > 3:  # the same dossier is read again, or one next to it
            _made.pop(next(iter(_made)))
        study = load_study(inputs, draft=draft)
        evaluations = evaluate(study, only=chapters)
        looks = looks_of(study, evaluations)
        given = _as_shown(study, evaluations) if pages else Chapters(evaluations)
        _made[key] = judged_with_parent(
            study, inputs, given, looks, draft=draft, made_with=made_with, selftest=selftest
        )
    return _made[key]


_made: dict[tuple[object, ...], Rebuilt] = {}


def _as_shown(study: Study, evaluations: Mapping[str, Evaluation]) -> Chapters:
    """The chapters as their notebooks save them: in words, with every figure that they ask for."""
    drawn = {
        name: figure
        for chapter in characteristics()
        if chapter in evaluations
        for name, figure in redrawn(chapter, evaluations[chapter], study).items()
    }
    return Chapters(
        evaluations=evaluations,
        words={
            name: [item.missing] if item.missing else list(characteristics()[name].in_words(item, study.unit))
            for name, item in evaluations.items()
        },
        figures={name: drawn[name].svg for name in sorted(drawn)},
        alts={name: figure.alt for name, figure in drawn.items()},
    )
