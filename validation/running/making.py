"""A dossier made from its inputs: notebooks executed, judged, every file written but the manifest."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from validation import resources
from validation.dossier.attached import selftest_facts
from validation.dossier.from_folder import Making, record_from
from validation.dossier.rebuild import Chapters, Rebuilt, judged_with_parent, looks_of
from validation.dossier.record import DossierRecord
from validation.dossier.rendered import rendered
from validation.dossier.results import RESULTS, results_bytes
from validation.judging.outcomes import evaluate
from validation.judging.sensitivity import Variant
from validation.running.kept import KeptChapters
from validation.running.kernels import KernelSource
from validation.running.notebooks import NotebookFailure, execute_all
from validation.running.typesetter import set_apart
from validation.study.load import load_study
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.threads import threads
from validation.words import counted

Progress = Callable[[str], None]


def at_once(jobs: int | None) -> int:
    """Notebooks executed at the same time: one more than there are processors, since a kernel that starts waits."""
    return jobs or (os.cpu_count() or 1) + 1


def computed(
    place: Path,
    making: Making,
    *,
    names: Sequence[str],
    jobs: int,
    progress: Progress,
    kept: KeptChapters | None = None,
) -> Rebuilt:
    """What the inputs in a folder give, computed by the notebooks; these and the figures are left there.

    Parameters
    ----------
    place : holds inputs/
    making : of the dossier
    names : the chapters
    jobs : notebooks at once
    progress : called with one line a step
    kept : chapters of the draft before, taken over where their inputs are the same; a numbered dossier executes all

    Raises
    ------
    NotebookFailure
        A notebook stopped.
    """
    inputs = place / "inputs"
    taken = [name for name in names if kept is not None and kept.take(name, place)]
    waiting = [name for name in names if name not in taken]
    if taken:
        progress(f"{counted(len(taken), 'chapter')} as before: the inputs are the same")
    with KernelSource() as kernels, threads(1) as aside:
        if waiting:
            kernels.hold(inputs, draft=making.draft)
        study = load_study(inputs, draft=making.draft)
        # The notebooks compute in processes of their own; this one would only wait.
        pending = aside.submit(_variants, study, names)
        _execute(waiting, place, kernels, jobs, making.draft, progress)
        if kept is not None:
            for name in waiting:
                kept.keep(name, place)
        chapters = _saved(names, place)
        progress("judging every verdict again under other choices")
        variants = pending.result()
    selftest = selftest_facts(place, making.versions, making.program)
    return judged_with_parent(
        study, inputs, chapters, variants, draft=making.draft, made_with=making.versions, selftest=selftest
    )


def written(place: Path, rebuilt: Rebuilt, making: Making) -> DossierRecord:
    """Write results.json, the pages and the files next to them; the record that they are made of."""
    record = record_from(place, rebuilt, making)
    # The PDF is set in another process, so that both kinds of pages are made at once.
    for name, content in {RESULTS: results_bytes(rebuilt.results), **rendered(record, set_apart)}.items():
        (place / name).parent.mkdir(exist_ok=True)
        (place / name).write_bytes(content)
    return record


def facts_of(record: DossierRecord, making: Making, started: str, ended: str) -> dict[str, Any]:
    """What manifest.json says besides versions and hashes; the times are here alone."""
    plan = record.study.plan.study
    return {
        "study": plan.id,
        "issue": making.issue,
        "started": started,
        "ended": ended,
        "inputs_sha256": record.inputs_hash,
        "predecessor": None if record.before is None else record.before.seal,
        "parent": plan.parent,
        **making.facts(),
    }


def _variants(study: Study, names: Sequence[str]) -> list[Variant]:
    """Every verdict judged again under other choices, from the same evaluations computed in this process."""
    return looks_of(study, evaluate(study, only=names))


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


def _saved(names: Sequence[str], place: Path) -> Chapters:
    """What the notebooks saved; the figures are moved to where the dossier has them."""
    folder = place / "saved"
    saved = {name: json.loads((folder / f"{name}.json").read_text(encoding="utf-8")) for name in names}
    for figure in sorted(folder.glob("*.svg")):
        (place / "figures").mkdir(exist_ok=True)
        os.replace(figure, place / "figures" / figure.name)
    shutil.rmtree(folder)
    return Chapters(
        evaluations={name: _evaluation(data) for name, data in saved.items()},
        words={name: data["words"] for name, data in saved.items()},
        figures={path.stem: path.read_text(encoding="utf-8") for path in sorted((place / "figures").glob("*.svg"))},
        alts={f"{name}-{figure}": alt for name, data in saved.items() for figure, alt in data["figures"].items()},
        notebooks={name: (place / "notebooks" / f"{name}.ipynb").read_bytes() for name in names},
    )


def _evaluation(data: Mapping[str, Any]) -> Evaluation:
    return Evaluation.from_dict({k: v for k, v in data.items() if k not in ("words", "figures")})


def _failed_copy(failure: NotebookFailure, shelf: Path) -> NotebookFailure:
    """The executed copy of a notebook that stopped, kept where the next run does not remove it."""
    kept = shelf / "failed" / failure.copy.name
    kept.parent.mkdir(exist_ok=True)
    shutil.copyfile(failure.copy, kept)
    return NotebookFailure(failure.notebook, failure.cell, failure.error, kept)
