"""The main job: execute the notebooks, judge, render the next dossier. Either a whole dossier is there, or none."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from validation.characteristics.registry import characteristics
from validation.dossier.attached import selftest_facts
from validation.dossier.from_folder import making_here
from validation.dossier.manifest import write_manifest
from validation.dossier.opening import silent_changes
from validation.dossier.parent import keep_parent, not_verified, parent_dossier
from validation.dossier.predecessor import keep_predecessor
from validation.dossier.rebuild import selftest_restriction
from validation.dossier.verify import verify_dossier
from validation.faults import Refusal
from validation.judging.reading import load_checked
from validation.judging.requirements import levels_not_held
from validation.running.kept import kept_chapters
from validation.running.making import Progress, at_once, computed, facts_of, written
from validation.running.own_selftest import attach_selftest
from validation.running.shelf import DRAFT, MARK, building
from validation.study.folder import history_files
from validation.study.history.plan_order import plan_order
from validation.study.history.readings import record_readings
from validation.study.history.study_history import history_for_a_copy
from validation.study.load import record_names
from validation.study.model import Study


@dataclass(frozen=True, slots=True)
class RunReport:
    """What a run left: where the dossier is, what it proposes, whether every requirement is met, what to know.

    `draft` says in one sentence why it is a draft without a number; it is empty for a dossier.
    """

    dossier: Path
    outcome: str
    text: str
    all_met: bool
    warnings: tuple[str, ...]
    draft: str = ""

    def to_dict(self) -> dict[str, Any]:
        return {
            "dossier": str(self.dossier),
            "outcome": self.outcome,
            "text": self.text,
            "all_met": self.all_met,
            "warnings": list(self.warnings),
            "draft": self.draft,
        }


def run_study(
    folder: Path,
    *,
    jobs: int | None = None,
    draft: bool = False,
    only: str | None = None,
    progress: Progress = lambda text: None,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> RunReport:
    """Run a study and write its next dossier, or a draft where the plan is not frozen or holds no reading yet.

    Parameters
    ----------
    folder : the study folder
    jobs : notebooks at once; default one more than there are processors, since a kernel that starts waits
    draft : leave readings without a result out; writes to draft/, watermarked, overwritten by the next draft
    only : one characteristic alone, a draft as well
    progress : called with one line a step
    now : the clock, handed in

    Raises
    ------
    StudyDataError
        Faults in plan, worksheets or amendments; every one of them.
    Refusal
        Another run is at work, the parent is missing or does not verify, an unknown characteristic.
    NotebookFailure
        A notebook stopped; its executed copy is kept in dossiers/failed/.
    """
    started = now()
    if only is not None and only not in characteristics():
        raise Refusal(f"There is no characteristic {only!r}; there are {', '.join(characteristics())}.")
    asked = draft or only is not None
    study = load_checked(folder, draft=asked, now=started)
    why = "This is a draft, as asked for; it takes no number." if asked else _why_a_draft(study)
    is_draft = bool(why)
    record_readings(study)
    if why and not asked:
        progress(why)
    with building(folder, draft=is_draft) as (issue, place):
        report = _build(study, place, issue, at_once(jobs), only, is_draft, progress, started, now)
        target = folder / DRAFT if is_draft else folder / "dossiers" / issue
    return replace(report, dossier=target, draft=why)


def _why_a_draft(study: Study) -> str:
    """One sentence where a run deserves no number: only frozen plans with readings do."""
    state = plan_order(study).state
    if state == "no lock":
        reason = "the plan is not frozen"
    elif state == "lock does not match":
        reason = "plan.yaml is not the plan that was frozen"
    elif all(data.awaiting for data in study.experiments.values()):
        reason = "there is no reading yet"
    else:
        return ""
    return f"This is a draft, since {reason}; it takes no number, and no requirement is judged by it."


def _build(
    study: Study,
    place: Path,
    issue: str,
    jobs: int,
    only: str | None,
    draft: bool,
    progress: Progress,
    started: datetime,
    now: Callable[[], datetime],
) -> RunReport:
    inputs = place / "inputs"
    copy_inputs(study, inputs)
    _copy_parent(study, inputs)
    if not draft:
        keep_predecessor(study.folder, issue, place)
    making = making_here(study, issue, draft=draft)
    # Everything below reads the copy: what is computed is what is handed over.
    names = [name for name in characteristics() if only in (None, name)]
    kept = kept_chapters(study, inputs) if draft else None
    if not draft:
        attach_selftest(place, progress=progress)
    rebuilt = computed(place, making, names=names, jobs=jobs, progress=progress, kept=kept)
    progress("rendering")
    record = written(place, rebuilt, making)
    (place / MARK).unlink()
    write_manifest(place, facts_of(record, making, started.isoformat(), now().isoformat()))
    rows, conclusion = rebuilt.judgement.requirements, rebuilt.judgement.conclusion
    all_met = bool(rows) and all(row.outcome == "met" for row in rows)
    failed = selftest_restriction(selftest_facts(place, making.versions, making.program))
    warnings = [*([failed] if failed else []), *study.warnings, *levels_not_held(study)]
    warnings += silent_changes(rebuilt.study)
    return RunReport(place, conclusion.outcome, conclusion.text, all_met, tuple(warnings))


def copy_inputs(study: Study, inputs: Path) -> None:
    """Byte copies of plan, lock, amendments, history, worksheets, lot records and all that is in records/."""
    names = [
        "plan.yaml",
        "plan.lock",
        "amendments.csv",
        *sorted({data.worksheet for data in study.experiments.values()}),
        *sorted(record.file for record in study.lot_records.values()),
        *sorted(export.file for export in study.plan.exports),
    ]
    names += history_files(study.folder)
    contents = {name: (study.folder / name).read_bytes() for name in names if (study.folder / name).is_file()}
    for name, raw in {**contents, **history_for_a_copy(study)}.items():
        (inputs / name).parent.mkdir(parents=True, exist_ok=True)
        (inputs / name).write_bytes(raw)
    for name in record_names(study.folder):  # of any size, so never held in memory
        (inputs / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(study.folder / name, inputs / name)


def _copy_parent(study: Study, inputs: Path) -> None:
    """Keep what the comparison needs of the dossier that `study.parent` names by the hash of its manifest.

    Raises
    ------
    Refusal
        No such dossier next to the study or in its records/, or it does not verify.
    """
    parent = parent_dossier(study.folder, study.plan)
    if parent is None:
        return
    report = verify_dossier(parent, figures=False)
    if not report.ok:
        raise Refusal(not_verified(parent, report.problems[0]))
    keep_parent(parent, inputs)
