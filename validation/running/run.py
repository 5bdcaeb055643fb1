"""The main job: execute the notebooks, judge, render the next dossier. Either a whole dossier is there, or none."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from validation import resources
from validation.characteristics.registry import characteristics
from validation.dossier.attached import OWN, OWN_PAGE, attached_selftest, selftest_facts
from validation.dossier.compare import compare_facts, facts_of_building, read_facts
from validation.dossier.comparison_report import ComparisonReport
from validation.dossier.document import DossierRecord, build_document
from validation.dossier.html import render_html
from validation.dossier.listings import long_tables
from validation.dossier.manifest import MANIFEST, hashes, inputs_hash, versions, write_manifest
from validation.dossier.opening import silent_changes
from validation.dossier.parent import keep_parent, not_verified, parent_dossier
from validation.dossier.pdf import source_of
from validation.dossier.raw_data import listings
from validation.dossier.rebuild import Judged, judged_with_parent, looks_of, selftest_restriction
from validation.dossier.results import RESULTS, results_bytes
from validation.dossier.verify import verify_dossier
from validation.faults import Refusal
from validation.judging.outcomes import Judgement, evaluate
from validation.judging.reading import load_checked
from validation.judging.requirements import levels_not_held
from validation.judging.sensitivity import Variant
from validation.program import program_hash
from validation.running.kept import kept_chapters
from validation.running.kernels import KernelSource
from validation.running.notebooks import NotebookFailure, execute_all, threads
from validation.running.own_selftest import attach_selftest
from validation.running.shelf import DRAFT, MARK, building
from validation.running.typesetter import set_apart
from validation.study.folder import history_files
from validation.study.history.plan_order import plan_order
from validation.study.history.readings import earlier_entries, record_readings
from validation.study.load import load_study, record_files, unused_files
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import counted

Progress = Callable[[str], None]
WATERMARK = "DRAFT, not a dossier"


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
        at_once = jobs or (os.cpu_count() or 1) + 1
        report = _build(study, place, issue, at_once, only, is_draft, progress, started, now)
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
    # Everything below reads the copy: what is computed is what is handed over.
    copied, evaluations, saved, variants = _compute(study, place, jobs, only, draft, progress)
    if not draft:
        attach_selftest(place, progress=progress)
    selftest = selftest_facts(place, versions(), program_hash())
    judged = judged_with_parent(copied, inputs, evaluations, variants, draft=draft, selftest=selftest)
    judgement = judged.judgement
    (place / RESULTS).write_bytes(results_bytes(judged.results))
    record = _record(study, copied, place, issue, judged, evaluations, variants, saved, draft)
    progress("rendering")
    _write_listings(place, record)
    document = build_document(record)
    source = source_of(document)
    with threads(1) as pool:  # the PDF is set in another process, so both run at once
        pdf = pool.submit(set_apart, source)
        (place / "dossier.html").write_bytes(render_html(document).encode("utf-8"))
        (place / "dossier.pdf").write_bytes(pdf.result())
    facts = {
        "study": study.plan.study.id,
        "issue": issue,
        "started": started.isoformat(),
        "ended": now().isoformat(),
        "inputs_sha256": record.inputs_hash,
        "predecessor": record.predecessor.old.manifest_hash if record.predecessor else None,
        "parent": study.plan.study.parent,
        "program_sha256": program_hash(),
    }
    (place / MARK).unlink()
    write_manifest(place, facts)
    rows = judgement.requirements
    all_met = bool(rows) and all(row.outcome == "met" for row in rows)
    failed = selftest_restriction(selftest)
    warnings = [*([failed] if failed else []), *study.warnings, *levels_not_held(study), *silent_changes(copied)]
    return RunReport(place, judgement.conclusion.outcome, judgement.conclusion.text, all_met, tuple(warnings))


def _compute(
    study: Study, place: Path, jobs: int, only: str | None, draft: bool, progress: Progress
) -> tuple[Study, dict[str, Evaluation], dict[str, Any], list[Variant]]:
    """The copy as read, what the notebooks computed and saved, and every verdict under other choices."""
    inputs = place / "inputs"
    names = [name for name in characteristics() if only in (None, name)]
    kept = kept_chapters(study, inputs)
    # A draft takes over the chapters whose inputs are those of the draft before; a numbered dossier executes all.
    taken = [name for name in names if draft and kept.take(name, place)]
    waiting = [name for name in names if name not in taken]
    if taken:
        progress(f"{counted(len(taken), 'chapter')} as before: the inputs are the same")
    with KernelSource() as kernels, threads(1) as aside:
        if waiting:
            kernels.hold(inputs, draft=draft)
        copied = load_study(inputs, draft=draft)
        # The notebooks compute in processes of their own; this one would only wait.
        pending = aside.submit(_variants, copied, only)
        _execute(waiting, place, kernels, jobs, draft, progress)
        for name in waiting if draft else ():
            kept.keep(name, place)
        evaluations, saved = _saved(names, place)
        progress("judging every verdict again under other choices")
        return copied, evaluations, saved, pending.result()


def _write_listings(place: Path, record: DossierRecord) -> None:
    for name, content in (listings(record.study, record.judgement.flags) | long_tables(record.evaluations)).items():
        (place / name).parent.mkdir(exist_ok=True)
        (place / name).write_bytes(content)


def _variants(study: Study, only: str | None) -> list[Variant]:
    """Every verdict judged again under other choices, from the same evaluations computed in this process."""
    return looks_of(study, evaluate(study, only=None if only is None else [only]))


def copy_inputs(study: Study, inputs: Path) -> None:
    """Byte copies of plan, lock, amendments, history, worksheets and lot records; their hashes are compared later."""
    names = [
        "plan.yaml",
        "plan.lock",
        "amendments.csv",
        *sorted({data.worksheet for data in study.experiments.values()}),
        *sorted(record.file for record in study.lot_records.values()),
    ]
    names += history_files(study.folder)
    contents = {name: (study.folder / name).read_bytes() for name in names if (study.folder / name).is_file()}
    for name, raw in {**contents, **earlier_entries(study.folder)}.items():
        (inputs / name).parent.mkdir(parents=True, exist_ok=True)
        (inputs / name).write_bytes(raw)


def _execute(
    names: Sequence[str], place: Path, kernels: KernelSource, jobs: int, draft: bool, progress: Progress
) -> None:
    """Run notebooks in the building folder, which is all they see."""
    folder = resources.folder("notebooks")
    (place / "saved").mkdir(exist_ok=True)
    parameters = {"study_folder": "inputs", "output_folder": "saved", "draft": draft}
    sources = [folder / f"{name}.ipynb" for name in names]
    try:
        execute_all(sources, place / "notebooks", parameters, place, kernels, jobs=jobs, progress=progress)
    except NotebookFailure as failure:
        raise _failed_copy(failure, place.parent) from None


def _saved(names: Sequence[str], place: Path) -> tuple[dict[str, Evaluation], dict[str, Any]]:
    """What the notebooks saved: their evaluations, and with words and descriptions of figures as they are."""
    folder = place / "saved"
    saved = {name: json.loads((folder / f"{name}.json").read_text(encoding="utf-8")) for name in names}
    (place / "figures").mkdir()
    for figure in sorted(folder.glob("*.svg")):
        os.replace(figure, place / "figures" / figure.name)
    shutil.rmtree(folder)
    evaluations = {
        name: Evaluation.from_dict({k: v for k, v in data.items() if k not in ("words", "figures")})
        for name, data in saved.items()
    }
    return evaluations, saved


def _failed_copy(failure: NotebookFailure, shelf: Path) -> NotebookFailure:
    """The executed copy of a notebook that stopped, kept where the next run does not remove it."""
    kept = shelf / "failed" / failure.copy.name
    kept.parent.mkdir(exist_ok=True)
    shutil.copyfile(failure.copy, kept)
    return NotebookFailure(failure.notebook, failure.cell, failure.error, kept)


def _record(
    study: Study,
    copied: Study,
    place: Path,
    issue: str,
    judged: Judged,
    evaluations: Mapping[str, Evaluation],
    variants: Sequence[Variant],
    saved: Mapping[str, Any],
    draft: bool,
) -> DossierRecord:
    inputs, judgement = place / "inputs", judged.judgement
    stamp, state = _state_of_data(copied, judgement)
    return DossierRecord(
        study=copied,
        judgement=judgement,
        evaluations=evaluations,
        words={name: data["words"] for name, data in saved.items()},
        figures={path.stem: path.read_text(encoding="utf-8") for path in sorted((place / "figures").glob("*.svg"))},
        alts={f"{name}-{figure}": alt for name, data in saved.items() for figure, alt in data["figures"].items()},
        variants=variants,
        issue=issue,
        inputs=hashes(inputs),
        inputs_hash=inputs_hash(inputs),
        versions=versions(),
        timestamp=stamp,
        state_of_data=state,
        records={item.file: item.sha256 for item in record_files(study.folder)},
        unused_files=unused_files(study.folder, study.plan),
        predecessor=_predecessor(study.folder, issue, judgement, inputs, draft),
        parent=judged.parent,
        watermark=WATERMARK if draft else "",
        program=program_hash(),
        selftest=attached_selftest(study.folder, versions(), program_hash()),
        own_selftest=attached_selftest(place, versions(), program_hash(), place=OWN),
        selftest_page=(place / OWN_PAGE).read_bytes() if (place / OWN_PAGE).is_file() else b"",
        audit=judged.audit,
    )


def _state_of_data(study: Study, judgement: Judgement) -> tuple[int, str]:
    """The latest time in the inputs: the same for the same inputs, unlike the time of the run."""
    times = [entry.time for entry in judgement.order.entries]
    times += [
        reading.time for data in study.experiments.values() for reading in data.readings if reading.time is not None
    ]
    times += [datetime.fromisoformat(entry["time"]) for entry in study.amendments if entry.get("time")]
    if not times:
        return 0, "no dated entry; the time of the run is in manifest.json"
    latest = max(time if time.tzinfo else time.replace(tzinfo=UTC) for time in times)
    return int(
        latest.timestamp()
    ), f"latest dated entry {latest.isoformat(timespec='minutes')}; the time of the run is in manifest.json"


def _predecessor(folder: Path, issue: str, judgement: Judgement, inputs: Path, draft: bool) -> ComparisonReport | None:
    if draft or issue == "001":
        return None
    before = folder / "dossiers" / f"{int(issue) - 1:03d}"
    if not (before / MANIFEST).is_file():
        return None
    earlier = read_facts(before)
    if earlier.results["study"]["unit"] != judgement.unit:
        return None  # numbers in different units are not compared
    fresh = facts_of_building(f"{judgement.study_id} issue {issue}", judgement.results(), inputs, versions())
    return compare_facts(earlier, fresh, allowed_step=None, confidence=0.9)


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
