"""Verify a dossier: its hashes, its parts, and its record rebuilt from its own inputs and compared."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from validation.characteristics.registry import characteristics
from validation.dossier.attached import OWN, OWN_PAGE, AttachedSelfTest, attached_selftest
from validation.dossier.differences import NOTHING, count_values, differences
from validation.dossier.listings import same_rows
from validation.dossier.manifest import MANIFEST, Manifest, inputs_hash, integrity_problems, read_manifest, versions
from validation.dossier.method_changes import between, is_later, is_version
from validation.dossier.other_version import VersionComparison, compare_versions
from validation.dossier.parent import PLACE, parent_problems
from validation.dossier.rebuild import Rebuilt, rebuild, with_recorded_step
from validation.dossier.results import RESULTS, read_results
from validation.faults import Refusal, StudyDataError
from validation.study.experiments import EXPERIMENTS
from validation.study.folder import AMENDMENTS, HISTORY, LOCK, history_files
from validation.study.history.plan_lock import kept_plan, read_lock
from validation.study.history.readings import RECORD
from validation.study.model import Study
from validation.study.plan import PLAN, read_plan

#: What every dossier holds, whatever its study.
PARTS = (RESULTS, "dossier.html", "dossier.pdf", f"inputs/{PLAN}")


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """`ok`, what is wrong, what was checked, and what a reader must know (other versions).

    `whole` is False where another version of the program made the dossier, so that a part of it alone was compared;
    `other_version` is then what the two versions give, None where nothing was computed.
    """

    ok: bool
    problems: tuple[str, ...]
    checked: int
    notes: tuple[str, ...] = ()
    whole: bool = True
    other_version: VersionComparison | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {
            "ok": self.ok,
            "problems": list(self.problems),
            "checked": self.checked,
            "notes": list(self.notes),
            "whole": self.whole,
            "other_version": None if self.other_version is None else self.other_version.to_dict(),
        }


@dataclass(frozen=True, slots=True)
class _Dossier:
    """A dossier on disk: its folder, manifest.json and results.json."""

    folder: Path
    manifest: Manifest
    results: Mapping[str, Any]

    @property
    def inputs(self) -> Path:
        return self.folder / "inputs"

    @property
    def draft(self) -> bool:
        return bool(self.results.get("draft", False))

    @property
    def selftest(self) -> AttachedSelfTest | str | None:
        """The self-test report of the dossier, held against what its manifest says of the program."""
        program = str(self.manifest.content.get("program_sha256"))
        return attached_selftest(self.folder, self.manifest.versions, program, place=OWN)

    @property
    def of_this_version(self) -> bool:
        return self.manifest.program_version == versions()["validation"]

    @property
    def of_these_libraries(self) -> bool:
        """Whether figures must be the same to the byte; the version of Python does not matter to them."""
        return {**self.manifest.versions, "python": ""} == {**versions(), "python": ""}

    @property
    def chapters(self) -> list[str] | None:
        """The chapters of a draft, those whose notebooks are there; None for all."""
        if not self.draft:
            return None
        return [name for name in characteristics() if (self.folder / "notebooks" / f"{name}.ipynb").is_file()]


@dataclass(frozen=True, slots=True)
class _Recomputed:
    """What came of rebuilding the record: problems, single values compared, the two versions side by side."""

    problems: tuple[str, ...]
    compared: int = 0
    other_version: VersionComparison | None = None


def verify_dossier(folder: Path, *, recompute: bool = True, figures: bool = True) -> VerifyReport:
    """Check a dossier folder.

    Parameters
    ----------
    folder : the dossier, such as study/dossiers/001
    recompute : also rebuild the record from inputs/ and compare it; False checks hashes and parts only
    figures : also draw every figure again; False for a parent, of which only the numbers are used

    Returns
    -------
    The report. A dossier of another version of this program is compared in what both versions give; what
    was not compared is listed first.

    Raises
    ------
    Refusal
        The folder is not a dossier.
    """
    if not (folder / MANIFEST).exists() and not (folder / RESULTS).exists():
        raise Refusal(f"{folder} is not a dossier: it holds neither {MANIFEST} nor {RESULTS}.")
    problems = integrity_problems(folder)
    problems += [f"{name}: missing; every dossier holds it." for name in PARTS if not (folder / name).is_file()]
    try:
        dossier = _Dossier(folder, read_manifest(folder), read_results(folder))
    except Refusal as refusal:
        return VerifyReport(False, tuple(dict.fromkeys([*problems, str(refusal)])), 0)
    problems += [*_of_the_manifest(dossier), *_of_the_selftest(dossier.selftest)]
    anew = _Recomputed(())
    if recompute and (dossier.inputs / PLAN).is_file():
        anew = _recomputed(dossier, figures=figures)
    problems += anew.problems
    return VerifyReport(
        ok=not problems,
        problems=tuple(dict.fromkeys(problems)),
        checked=len(dossier.manifest.files) + anew.compared,
        notes=tuple(_notes(dossier, anew.other_version)),
        whole=dossier.of_this_version,
        other_version=anew.other_version,
    )


def _notes(dossier: _Dossier, other_version: VersionComparison | None) -> Iterator[str]:
    """What a reader must know; what was not compared comes first."""
    now, version = versions(), dossier.manifest.program_version
    if not dossier.of_this_version:
        yield (
            f"Words and figures were not compared: the dossier is of version {version} of this program, this "
            f"is version {now['validation']}, and each version words its pages in its own way. Its hashes were "
            "checked, and the numbers and verdicts that both versions give."
        )
        if is_later(version, now["validation"]):
            yield "The dossier is of a later version. Which methods changed since is not known here; use that version."
    elif not dossier.of_these_libraries:
        yield "Figures were not compared: they depend on these versions."
    yield from () if other_version is None else other_version.notes()
    if other_version is not None and "step" in dossier.results and not (dossier.inputs / PLACE / MANIFEST).is_file():
        yield "The dossier keeps only the rows of the step from its parent: they were taken as they are."
    for name, then in dossier.manifest.versions.items():
        if now.get(name) != then and name != "validation":
            yield f"{name} was {then} and is now {now.get(name, 'not installed')}."
    if dossier.draft:
        yield "This is a draft, not a dossier."


_KEYS = ("format", "study", "issue", "started", "ended", "inputs_sha256", "predecessor", "parent", "versions", "files")


def _of_the_manifest(dossier: _Dossier) -> Iterator[str]:
    """What the manifest must say whatever the study: its keys, its versions, and a number for all but a draft."""
    content = dossier.manifest.content
    if dossier.of_this_version:
        known = (*_KEYS, "program_sha256")
        yield from (f"{MANIFEST}: {name}: not a part of a manifest." for name in content if name not in known)
        if set(dossier.manifest.versions) != set(versions()):
            yield f"{MANIFEST}: versions: not those that this version of the program names."
    if not is_version(dossier.manifest.program_version):
        said = dossier.manifest.program_version
        yield f'{MANIFEST}: versions: validation: found "{said}", expected three numbers such as 0.4.0.'
    yield from (f"{MANIFEST}: {name}: missing." for name in _KEYS if name not in content)
    if not re.fullmatch("draft" if dossier.draft else "[0-9]{3,}", str(content.get("issue"))):
        kind = "draft" if dossier.draft else "dossier"
        yield f"{MANIFEST}: issue: recorded {content.get('issue')}, yet {RESULTS} is of a {kind}."


def _of_the_selftest(report: AttachedSelfTest | str | None) -> Iterator[str]:
    """A report that was changed, or that cannot be read; what it says of the program is for the pages."""
    if isinstance(report, str):
        yield f"{OWN}: cannot be read as a self-test report."
    elif report is not None and not report.intact:
        yield f"{OWN}: its content does not have the SHA-256 that it states."


def _recomputed(dossier: _Dossier, *, figures: bool) -> _Recomputed:
    """The record rebuilt and compared."""
    plan, _ = read_plan(dossier.inputs / PLAN)
    parent = None if plan is None else plan.study.parent
    problems = parent_problems(dossier.inputs, parent, made_here=dossier.of_this_version)
    if problems:
        return _Recomputed(tuple(problems))
    figures = figures and dossier.of_this_version
    report = dossier.selftest
    facts = report.facts if isinstance(report, AttachedSelfTest) else None
    chapters = dossier.chapters
    try:
        rebuilt = rebuild(dossier.inputs, draft=dossier.draft, chapters=chapters, figures=figures, selftest=facts)
    except StudyDataError as error:
        then = "" if dossier.of_this_version else " Verify it with the version of the program that made it."
        return _Recomputed(tuple(f"inputs/{fault}{then}" for fault in error.faults))
    except Refusal as refusal:
        return _Recomputed((str(refusal),))
    compared = _as_a_whole(dossier, rebuilt) if dossier.of_this_version else _across_versions(dossier, rebuilt)
    parts = _parts(dossier, rebuilt) if figures else ()
    problems = [*_facts(dossier, rebuilt), *parts, *_silent(rebuilt.study), *compared.problems]
    return _Recomputed(tuple(problems), compared.compared, compared.other_version)


def _as_a_whole(dossier: _Dossier, rebuilt: Rebuilt) -> _Recomputed:
    different = differences(dossier.results, rebuilt.results, nothing=_nothing(rebuilt.study))
    return _Recomputed(tuple(f"{RESULTS}: {text}" for text in different), count_values(rebuilt.results))


def _across_versions(dossier: _Dossier, rebuilt: Rebuilt) -> _Recomputed:
    record = between(dossier.manifest.program_version, versions()["validation"], dossier.results)
    step, today = dossier.results.get("step"), rebuilt.results
    if step is not None and "step" not in today:
        today = with_recorded_step(rebuilt, step)
    report = compare_versions(dossier.results, today, record, nothing=_nothing(rebuilt.study))
    return _Recomputed(tuple(f"{RESULTS}: {text}" for text in report.problems()), report.compared, report)


def _nothing(study: Study) -> float:
    """A study of small numbers has a small nothing."""
    return NOTHING * min(1.0, max(map(abs, study.plan.study.range)))


def _facts(dossier: _Dossier, rebuilt: Rebuilt) -> Iterator[str]:
    """What the manifest says of the study and its inputs."""
    plan = rebuilt.study.plan.study
    hashed = inputs_hash(dossier.inputs)
    wanted = {"format": 1, "study": plan.id, "inputs_sha256": hashed, "parent": plan.parent}
    for name, value in wanted.items():
        if dossier.manifest.content.get(name) != value:
            yield f"{MANIFEST}: {name}: recorded {dossier.manifest.content.get(name)}, the inputs give {value}."


def _parts(dossier: _Dossier, rebuilt: Rebuilt) -> Iterator[str]:
    """Files that this study's dossier must hold and does not, or holds and should not; figures that are not its own."""
    listed = set(dossier.manifest.files)
    chapters = list(characteristics()) if dossier.chapters is None else dossier.chapters
    needed = {*PARTS, *(f"notebooks/{name}.ipynb" for name in chapters)}
    needed |= {f"figures/{name}" for name in rebuilt.figures} | {*rebuilt.listings, *rebuilt.tables}
    needed |= {f"inputs/{name}" for name in _inputs(rebuilt.study, dossier.inputs)}
    there = {name for name in listed if not name.startswith(f"inputs/{PLACE}/")}
    there -= {f"inputs/{name}" for name in history_files(dossier.inputs)}
    yield from (f"{name}: missing; this study's dossier holds it." for name in sorted(needed - listed))
    optional = {f"inputs/{LOCK}", f"inputs/{AMENDMENTS}", OWN, OWN_PAGE}
    yield from (f"{name}: not a part of this study's dossier." for name in sorted(there - needed - optional))
    for name, raw in rebuilt.listings.items():
        if (dossier.folder / name).is_file() and (dossier.folder / name).read_bytes() != raw:
            yield f"{name}: not the rows that the inputs give."
    for name, raw in rebuilt.tables.items():
        if (dossier.folder / name).is_file() and not same_rows((dossier.folder / name).read_bytes(), raw):
            yield f"{name}: not the rows that the inputs give."
    if dossier.of_these_libraries:
        for name, raw in rebuilt.figures.items():
            path = dossier.folder / "figures" / name
            if path.is_file() and path.read_bytes() != raw:
                yield f"figures/{name}: not the figure that the inputs give."


def _inputs(study: Study, inputs: Path) -> Iterator[str]:
    """The inputs that a study with these experiments, amendments and frozen plans must have brought along."""
    yield from (data.worksheet for data in study.experiments.values())
    yield from (record.file for record in study.lot_records.values())
    values = {name: EXPERIMENTS[name].columns.value for name in study.experiments}
    read = [r for name, data in study.experiments.items() for r in data.readings if r.written.get(values[name])]
    if read or study.lot_records:
        yield RECORD
    for entry in read_lock(inputs)[0]:
        yield kept_plan(inputs, entry.sha256).relative_to(inputs).as_posix()
    if study.amendments:
        yield f"{HISTORY}/{AMENDMENTS}"


def _silent(study: Study) -> Iterator[str]:
    """What changed without an amendment, and what no longer shows how it was first seen."""
    yield from (f"inputs/{change}" for change in study.changes)
    yield from (f"inputs/{loss.text}" for loss in study.lost_history)
    yield from (f"inputs/{AMENDMENTS}: {loss.text}" for loss in study.lost_amendments)
