"""Verify a dossier: its hashes, its parts, and its record rebuilt from its own inputs and compared."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from validation.characteristics.registry import characteristics
from validation.dossier.attached import OWN, OWN_PAGE, AttachedSelfTest, attached_selftest
from validation.dossier.differences import NOTHING, count_values, differences
from validation.dossier.from_folder import recorded_making
from validation.dossier.made_again import Held, MadeAgain, MakeAgain, made_here, with_own_figures
from validation.dossier.manifest import MANIFEST, Manifest, inputs_hash, integrity_problems, read_manifest, versions
from validation.dossier.method_changes import between, is_later, is_version, parts_of_later_versions
from validation.dossier.other_version import VersionComparison, compare_versions
from validation.dossier.parent import PLACE, parent_problems
from validation.dossier.predecessor import kept_files, kept_problems
from validation.dossier.rebuild import Rebuilt, rebuild, with_recorded_step
from validation.dossier.rendered import HTML, PDF
from validation.dossier.results import RESULTS, read_results
from validation.dossier.seals import seals_beside
from validation.dossier.signatures import SignedCopy, signed_copy
from validation.faults import Refusal, StudyDataError
from validation.program import program_hash
from validation.study.experiments import EXPERIMENTS
from validation.study.folder import AMENDMENTS, HISTORY, LOCK, RECORDS, history_files
from validation.study.history.amendments import read_amendments
from validation.study.history.plan_lock import kept_plan, minute_text, read_lock
from validation.study.history.readings import RECORD
from validation.study.model import Study
from validation.study.plan import PLAN, read_plan
from validation.study.text_files import moment
from validation.words import sentence_list

#: What every dossier holds, whatever its study.
PARTS = (RESULTS, HTML, PDF, f"inputs/{PLAN}")
#: What no comparison of a dossier with itself shows.
LIMITS = (
    "Not shown by this: readings, plan, history and hashes that were all changed together. A signature shows that, or "
    "a copy of the seal (manifest.sha256) kept elsewhere; the next issue prints the seal of this one."
)


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """`ok`, what is wrong, what was checked, and what a reader must know (other versions).

    `whole` is False where another version of the program made the dossier, so that a part of it alone was compared;
    `other_version` is then what the two versions give, None where nothing was computed. `compared` says in words what
    was compared with what, `limits` what no such comparison shows. `signed` is the signed copy.
    """

    ok: bool
    problems: tuple[str, ...]
    checked: int
    notes: tuple[str, ...] = ()
    whole: bool = True
    other_version: VersionComparison | None = None
    compared: tuple[str, ...] = ()
    limits: str = LIMITS
    signed: SignedCopy = field(default_factory=SignedCopy)

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {
            "ok": self.ok,
            "problems": list(self.problems),
            "checked": self.checked,
            "notes": list(self.notes),
            "whole": self.whole,
            "other_version": None if self.other_version is None else self.other_version.to_dict(),
            "compared": list(self.compared),
            "limits": self.limits,
            "signed": self.signed.to_dict(),
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
    sentences: tuple[str, ...] = ()


def verify_dossier(
    folder: Path, *, recompute: bool = True, figures: bool = True, make: MakeAgain = made_here
) -> VerifyReport:
    """Check a dossier folder.

    Parameters
    ----------
    folder : the dossier, such as study/dossiers/001
    recompute : also rebuild the record from inputs/ and compare it; False checks hashes and parts only
    figures : also make figures, pages and notebooks again; False for a parent, of which only the numbers are used
    make : makes the dossier again; without kernels unless another way is handed in

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
        anew = _recomputed(dossier, make if figures else None)
    seals = seals_beside(folder, dict(dossier.manifest.content))
    signed = signed_copy(folder) if (folder / PDF).is_file() else SignedCopy()
    problems += [*anew.problems, *signed.problems, *(seals.problems if dossier.of_this_version else ())]
    beside = list(_selftest_compared(dossier.selftest))
    beside += [f"The seal of {name}, which lies beside it." for name in seals.compared if dossier.of_this_version]
    return VerifyReport(
        ok=not problems,
        problems=tuple(dict.fromkeys(problems)),
        checked=len(dossier.manifest.files) + anew.compared,
        notes=tuple(_notes(dossier, anew.other_version)),
        whole=dossier.of_this_version,
        other_version=anew.other_version,
        compared=(*anew.sentences, *beside),
        signed=signed,
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
        yield (
            "Figures, and the outputs of executed notebooks, were not compared: they depend on these versions. Of the "
            "pages the words were compared, and the markup of the HTML."
        )
    elif dossier.manifest.content.get("program_sha256") != program_hash():
        yield "The files of this program are not those that made the dossier, though its version is the same."
    yield from () if other_version is None else other_version.notes()
    if other_version is not None and "step" in dossier.results and not (dossier.inputs / PLACE / MANIFEST).is_file():
        yield "The dossier keeps only the rows of the step from its parent: they were taken as they are."
    for name, then in dossier.manifest.versions.items():
        if now.get(name) != then and name != "validation":
            yield f"{name} was {then} and is now {now.get(name, 'not installed')}."
    yield from _before_its_inputs(dossier)
    if dossier.draft:
        yield "This is a draft, not a dossier."


def _before_its_inputs(dossier: _Dossier) -> Iterator[str]:
    """A run that is dated before what its own inputs record: no page prints its time."""
    started = _time(dossier.manifest.content.get("started"))
    recorded = {f"the freeze of its plan by {entry.by}": entry.time for entry in read_lock(dossier.inputs)[0]}
    for entry in read_amendments(dossier.inputs)[0]:
        if (time := _time(entry.time)) is not None:
            recorded[f"amendment {entry.number}"] = time
    if started and recorded:
        what, last = max(recorded.items(), key=lambda item: item[1])
        if started < last:
            text = f"before {what}, {minute_text(last)}: one of the two times is wrong"
            yield f"{MANIFEST}: the run started {minute_text(started)}, {text}."


def _time(text: object) -> datetime | None:
    """A time with its zone; None for anything else."""
    when = moment(str(text))
    return when[0] if when is not None and when[0].tzinfo is not None else None


_KEYS = ("format", "study", "issue", "started", "ended", "inputs_sha256", "predecessor", "parent", "versions", "files")
#: What versions before 0.7.0 did not keep.
_MORE_KEYS = ("program_sha256", "study_folder")


def _of_the_manifest(dossier: _Dossier) -> Iterator[str]:
    """What the manifest must say whatever the study: its keys, its versions, and a number for all but a draft."""
    content = dossier.manifest.content
    if dossier.of_this_version:
        yield from (
            f"{MANIFEST}: {name}: not a part of a manifest." for name in content if name not in (*_KEYS, *_MORE_KEYS)
        )
        yield from (f"{MANIFEST}: {name}: missing." for name in _MORE_KEYS if name not in content)
        if set(dossier.manifest.versions) != set(versions()):
            yield f"{MANIFEST}: versions: not those that this version of the program names."
    if not is_version(dossier.manifest.program_version):
        said = dossier.manifest.program_version
        yield f'{MANIFEST}: versions: validation: found "{said}", expected three numbers such as 0.4.0.'
    later = parts_of_later_versions(
        dossier.manifest.program_version, {*dossier.results, *content, *dossier.manifest.files}
    )
    if later:
        yield (
            f"{MANIFEST}: versions: validation: found {dossier.manifest.program_version}, yet no version up to that "
            f"one gave {sentence_list(later)}."
        )
    yield from (f"{MANIFEST}: {name}: missing." for name in _KEYS if name not in content)
    yield from _times(content)
    if not re.fullmatch("draft" if dossier.draft else "[0-9]{3,9}", str(content.get("issue"))):
        kind = "draft" if dossier.draft else "dossier"
        yield f"{MANIFEST}: issue: recorded {content.get('issue')}, yet {RESULTS} is of a {kind}."


def _times(content: Mapping[str, Any]) -> Iterator[str]:
    """No page prints the times of a run: what can be said of them is that they are times, one after the other."""
    stated = [str(content[name]) for name in ("started", "ended") if name in content]
    try:
        started, ended = map(datetime.fromisoformat, stated)
        if started <= ended:
            return
    except (ValueError, TypeError):
        pass
    if len(stated) == 2:
        yield f"{MANIFEST}: started, ended: {stated[0]:.40}, {stated[1]:.40}; not two times, one after the other."


def _of_the_selftest(report: AttachedSelfTest | str | None) -> Iterator[str]:
    """A report that was changed, or that cannot be read; what it says of the program is for the pages."""
    if isinstance(report, str):
        yield f"{OWN}: cannot be read as a self-test report."
    elif report is not None and not report.intact:
        yield f"{OWN}: its content does not have the SHA-256 that it states."
    elif report is not None and not report.adds_up:
        yield f"{OWN}: its list of checks gives other numbers than the {report.checks} checks, {report.failed} failed."


def _selftest_compared(report: AttachedSelfTest | str | None) -> Iterator[str]:
    if isinstance(report, AttachedSelfTest):
        yield f"{OWN}: by its hash and its counts; its {report.checks} checks were not computed again."


def _recomputed(dossier: _Dossier, make: MakeAgain | None) -> _Recomputed:
    """The record rebuilt and compared; with `make` the pages, figures and notebooks too."""
    plan, _ = read_plan(dossier.inputs / PLAN)
    parent = None if plan is None else plan.study.parent
    problems = parent_problems(dossier.inputs, parent, made_here=dossier.of_this_version)
    if dossier.of_this_version:
        problems += kept_problems(dossier.folder, dossier.manifest.content.get("predecessor"))
    if problems:
        return _Recomputed(tuple(problems))
    try:
        if make is None or not dossier.of_this_version:
            return _numbers(dossier)
        return _in_full(dossier, make)
    except StudyDataError as error:
        then = "" if dossier.of_this_version else " Verify it with the version of the program that made it."
        return _Recomputed(tuple(f"inputs/{fault}{then}" for fault in error.faults))
    except Refusal as refusal:
        return _Recomputed((str(refusal),))


def _numbers(dossier: _Dossier) -> _Recomputed:
    """The numbers and verdicts alone."""
    report = dossier.selftest
    facts = report.facts if isinstance(report, AttachedSelfTest) else None
    chapters = dossier.chapters
    rebuilt = rebuild(dossier.inputs, draft=dossier.draft, chapters=chapters, pages=False, selftest=facts)
    compared = _as_a_whole(dossier, rebuilt) if dossier.of_this_version else _across_versions(dossier, rebuilt)
    problems = [*_facts(dossier, rebuilt), *_silent(rebuilt.study), *compared.problems]
    return replace(compared, problems=tuple(problems))


def _in_full(dossier: _Dossier, make: MakeAgain) -> _Recomputed:
    """Every file made again."""
    making = recorded_making(dossier.manifest, draft=dossier.draft)
    if dossier.of_these_libraries:
        again = make(dossier.folder, making, dossier.chapters)
    else:
        again = with_own_figures(dossier.folder, made_here(dossier.folder, making, dossier.chapters), making)
    rebuilt, held = again.rebuilt, Held(dossier.folder, again, dossier.of_these_libraries)
    compared = _as_a_whole(dossier, rebuilt)
    problems = [*_facts(dossier, rebuilt), *_parts(dossier, again), *held.problems()]
    problems += [*_silent(rebuilt.study), *compared.problems]
    return replace(compared, problems=tuple(problems), sentences=held.sentences)


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


def _parts(dossier: _Dossier, again: MadeAgain) -> Iterator[str]:
    """Files that this study's dossier must hold and does not, or holds and should not."""
    listed = set(dossier.manifest.files)
    chapters = list(characteristics()) if dossier.chapters is None else dossier.chapters
    needed = {*PARTS, *again.files, *(f"notebooks/{name}.ipynb" for name in chapters)}
    needed |= {f"inputs/{name}" for name in _inputs(again.rebuilt.study, dossier.inputs)}
    there = {name for name in listed if not name.startswith((f"inputs/{PLACE}/", f"inputs/{RECORDS}/"))}
    there -= {f"inputs/{name}" for name in history_files(dossier.inputs)}
    there -= kept_files(dossier.folder)
    yield from (f"{name}: missing; this study's dossier holds it." for name in sorted(needed - listed))
    exports = [export.file for export in again.rebuilt.study.plan.exports]
    optional = {OWN, OWN_PAGE, *(f"inputs/{name}" for name in (LOCK, AMENDMENTS, *exports))}
    yield from (f"{name}: not a part of this study's dossier." for name in sorted(there - needed - optional))


def _inputs(study: Study, inputs: Path) -> Iterator[str]:
    """The inputs that a study with these experiments, amendments and frozen plans must have brought along."""
    yield from (data.worksheet for data in study.experiments.values())
    yield from (record.file for record in study.lot_records.values())
    yield from (export.file for export in study.exports)
    values = {name: EXPERIMENTS[name].columns.value for name in study.experiments}
    read = [r for name, data in study.experiments.items() for r in data.readings if r.written.get(values[name])]
    if read or study.lot_records:
        yield RECORD
    for entry in read_lock(inputs)[0]:
        yield kept_plan(inputs, entry.sha256).relative_to(inputs).as_posix()
    if study.amendments:
        yield f"{HISTORY}/{AMENDMENTS}"


def _silent(study: Study) -> Iterator[str]:
    yield from (f"inputs/{text}" for text in study.silent_changes)
