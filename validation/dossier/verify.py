"""Verify a dossier: its hashes, its parts, and the whole record made anew from its own inputs and compared."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import isclose
from pathlib import Path
from typing import Any

from validation.characteristics import characteristics
from validation.dossier.manifest import MANIFEST, inputs_hash, integrity_problems, read_manifest, versions
from validation.dossier.parent import PLACE, parent_problems
from validation.dossier.rebuild import Rebuilt, rebuild
from validation.dossier.results import RESULTS, read_results
from validation.faults import Refusal, StudyDataError
from validation.study.experiments import EXPERIMENTS
from validation.study.folder import AMENDMENTS, HISTORY, LOCK, history_files
from validation.study.history.plan_lock import kept_plan, read_lock
from validation.study.history.readings import RECORD
from validation.study.model import Study
from validation.study.plan import PLAN, read_plan

#: Same inputs, same library versions: the numbers agree to this; what is smaller than the second is rounding.
RELATIVE, NOTHING = 1e-9, 1e-15
#: What every dossier holds, whatever its study.
PARTS = (RESULTS, "dossier.html", "dossier.pdf", f"inputs/{PLAN}")


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """`ok`, what is wrong, what was looked at, and what a reader must know (other versions).

    `whole` is False where another version of the program made the dossier, so that a part of it alone was compared.
    """

    ok: bool
    problems: tuple[str, ...]
    checked: int
    notes: tuple[str, ...] = ()
    whole: bool = True

    def to_dict(self) -> dict[str, Any]:
        problems, notes = list(self.problems), list(self.notes)
        return {"ok": self.ok, "problems": problems, "checked": self.checked, "notes": notes, "whole": self.whole}


def verify_dossier(folder: Path, *, recompute: bool = True, figures: bool = True) -> VerifyReport:
    """Check a dossier folder.

    Parameters
    ----------
    folder : the dossier, such as study/dossiers/001
    recompute : also make the record anew from inputs/ and compare it; False looks at hashes and parts alone
    figures : with it draw every figure anew; False, for a parent, of whose numbers alone something is made

    Returns
    -------
    The report. A dossier of another version of this program is compared in the values that both versions give; what
    was not compared is said first.

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
        manifest, recorded = read_manifest(folder), read_results(folder)
    except Refusal as refusal:
        return VerifyReport(False, tuple(dict.fromkeys([*problems, str(refusal)])), 0)
    checked = len(manifest["files"])
    notes = [
        *version_notes(manifest["versions"]),
        *(["This is a draft, not a dossier."] if recorded.get("draft") else []),
    ]
    problems += _of_the_manifest(manifest, bool(recorded.get("draft")))
    if recompute and (folder / "inputs" / PLAN).is_file():
        found, count = _recomputed(folder, manifest, recorded, figures=figures)
        problems, checked = [*problems, *found], checked + count
    whole = _same_program(manifest["versions"])
    return VerifyReport(not problems, tuple(dict.fromkeys(problems)), checked, tuple(notes), whole)


def version_notes(recorded: Mapping[str, str]) -> list[str]:
    """Versions that differ between then and now, this program's own first: words or last digits may differ for it."""
    now = versions()
    notes = [
        f"{name} was {old} and is now {now.get(name, 'not installed')}."
        for name, old in recorded.items()
        if now.get(name) != old and name != "validation"
    ]
    if _same_program(recorded) and not _same_libraries(recorded):
        notes.insert(0, "Figures were not compared: they depend on these versions.")
    if not _same_program(recorded):
        then = recorded.get("validation", "not told")
        said = (
            f"Words and figures were not compared: the dossier is of version {then} of this program, this is version "
            f"{now['validation']}. Its hashes were checked, and the values and verdicts that both versions give."
        )
        notes.insert(0, said)
    return notes


def _same_libraries(recorded: Mapping[str, str]) -> bool:
    """Whether figures must be the same to the byte; the version of Python does not matter to them."""
    return {**recorded, "python": ""} == {**versions(), "python": ""}


_KEYS = ("format", "study", "issue", "started", "ended", "inputs_sha256", "predecessor", "parent", "versions", "files")


def _of_the_manifest(manifest: Mapping[str, Any], draft: bool) -> list[str]:
    """What the manifest must say whatever the study: its keys, its versions, and a number for all but a draft."""
    odd = [f"{MANIFEST}: {name}: not a part of a manifest." for name in manifest if name not in _KEYS]
    odd += [f"{MANIFEST}: {name}: missing." for name in _KEYS if name not in manifest]
    if not re.fullmatch("draft" if draft else "[0-9]{3,}", str(manifest.get("issue"))):
        kind = "draft" if draft else "dossier"
        odd.append(f"{MANIFEST}: issue: recorded {manifest.get('issue')}, yet {RESULTS} is of a {kind}.")
    if _same_program(manifest["versions"]) and set(manifest["versions"]) != set(versions()):
        odd.append(f"{MANIFEST}: versions: not those that this version of the program names.")
    return odd


def _same_program(recorded: Mapping[str, str]) -> bool:
    return recorded.get("validation") == versions()["validation"]


def _recomputed(
    folder: Path, manifest: Mapping[str, Any], recorded: Mapping[str, Any], *, figures: bool
) -> tuple[list[str], int]:
    """The record made anew and compared; the problems and the number of values compared."""
    inputs = folder / "inputs"
    draft = bool(recorded.get("draft", False))
    same_program = _same_program(manifest["versions"])
    plan, _ = read_plan(inputs / PLAN)
    parent = None if plan is None else plan.study.parent
    problems = parent_problems(inputs, parent) if same_program else []
    if problems:
        return problems, 0
    try:
        rebuilt = rebuild(inputs, draft=draft, chapters=_chapters(folder) if draft else None, figures=figures)
    except StudyDataError as error:
        then = "" if same_program else " Verify it with the version of the program that made it."
        return [f"inputs/{fault}{then}" for fault in error.faults], 0
    except Refusal as refusal:
        return [str(refusal)], 0
    if not same_program:
        different, count = _common_values(recorded, rebuilt.results)
        return [*different, *_silent(rebuilt.study)], count
    parts = _parts(folder, manifest, rebuilt) if figures else ()
    problems = [*_facts(folder, manifest, rebuilt), *parts, *_silent(rebuilt.study)]
    # A study of small numbers has a small nothing.
    nothing = NOTHING * min(1.0, max(map(abs, rebuilt.study.plan.study.range)))
    different = list(differences(recorded, rebuilt.results, nothing=nothing))
    return [*problems, *(f"{RESULTS}: {text}" for text in different)], _count(rebuilt.results)


def _chapters(folder: Path) -> list[str]:
    """The chapters of a draft: those whose notebooks are there."""
    return [name for name in characteristics() if (folder / "notebooks" / f"{name}.ipynb").is_file()]


def _facts(folder: Path, manifest: Mapping[str, Any], rebuilt: Rebuilt) -> Iterator[str]:
    """What the manifest says of the study and its inputs."""
    plan = rebuilt.study.plan.study
    hashed = inputs_hash(folder / "inputs")
    wanted = {"format": 1, "study": plan.id, "inputs_sha256": hashed, "parent": plan.parent}
    for name, value in wanted.items():
        if manifest.get(name) != value:
            yield f"{MANIFEST}: {name}: recorded {manifest.get(name)}, the inputs give {value}."


def _parts(folder: Path, manifest: Mapping[str, Any], rebuilt: Rebuilt) -> Iterator[str]:
    """Files that this study's dossier must hold and does not, or holds and should not; figures that are not its own."""
    study = rebuilt.study
    chapters = _chapters(folder) if study.draft else list(characteristics())
    needed = {*PARTS, *(f"notebooks/{name}.ipynb" for name in chapters)}
    needed |= {f"figures/{name}" for name in rebuilt.figures}
    needed |= {f"inputs/{name}" for name in _inputs(study, folder / "inputs")}
    there = {name for name in manifest["files"] if not name.startswith(f"inputs/{PLACE}/")}
    there -= {f"inputs/{name}" for name in history_files(folder / "inputs")}
    yield from (f"{name}: missing; this study's dossier holds it." for name in sorted(needed - set(manifest["files"])))
    optional = {f"inputs/{LOCK}", f"inputs/{AMENDMENTS}"}
    yield from (f"{name}: not a part of this study's dossier." for name in sorted(there - needed - optional))
    if _same_libraries(manifest["versions"]):
        for name, raw in rebuilt.figures.items():
            path = folder / "figures" / name
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


# -------------------------------------------------------------------------------------------------------- comparing


def differences(recorded: Any, rebuilt: Any, place: str = "", *, nothing: float = NOTHING) -> Iterator[str]:
    """Every place at which two JSON values differ, in a sentence; numbers may differ by `RELATIVE` or `nothing`."""
    if isinstance(recorded, dict) and isinstance(rebuilt, dict):
        for name in dict.fromkeys([*rebuilt, *recorded]):
            where = f"{place}, {name}" if place else str(name)
            if name not in recorded:
                yield f"{where} is missing; the inputs give {_short(rebuilt[name])}."
            elif name not in rebuilt:
                yield f"{where} is not what the inputs give; recorded {_short(recorded[name])}."
            else:
                yield from differences(recorded[name], rebuilt[name], where, nothing=nothing)
    elif isinstance(recorded, list) and isinstance(rebuilt, list):
        yield from _of_lists(recorded, rebuilt, place, nothing)
    elif not agrees(recorded, rebuilt, nothing):
        yield f"{place}: recorded {_short(recorded)}, the inputs give {_short(rebuilt)}.".replace("..", ".")


def _of_lists(recorded: list[Any], rebuilt: list[Any], place: str, nothing: float) -> Iterator[str]:
    """Members are told by their name where each has one of its own, else by their position."""
    old, new = ([_name(item) for item in items] for items in (recorded, rebuilt))
    named = all(new) and len(set(new)) == len(new)
    if not named:
        if len(recorded) != len(rebuilt):
            yield f"{place}: {len(recorded)} recorded, the inputs give {len(rebuilt)}."
        for position, (a, b) in enumerate(zip(recorded, rebuilt, strict=False), start=1):
            yield from differences(a, b, f"{place} {position}", nothing=nothing)
        return
    if sorted(old) == sorted(new) and old != new:
        yield f"{place}: in another order than the inputs give."
    yield from (f"{name} is there twice." for name in sorted({name for name in old if name and old.count(name) > 1}))
    then, now = dict(zip(old, recorded, strict=True)), dict(zip(new, rebuilt, strict=True))
    yield from differences(then, now, "" if place == "quantities" else place, nothing=nothing)


def _name(item: Any) -> str:
    if not isinstance(item, dict):
        return ""
    name = item.get("key", item.get("id"))
    at = item.get("at")
    return "" if name is None else str(name) if at is None else f"{name} at {at}"


def agrees(old: Any, new: Any, nothing: float = NOTHING) -> bool:
    """Equal and of one kind, or numbers that agree to `RELATIVE`."""
    if isinstance(old, int | float) and isinstance(new, int | float) and bool not in (type(old), type(new)):
        return isclose(old, new, rel_tol=RELATIVE, abs_tol=nothing)
    return type(old) is type(new) and bool(old == new)


def _short(value: Any) -> str:
    text = str(value) if not isinstance(value, list | dict) else f"{len(value)} members"
    return text if len(text) <= 200 else f"{text[:197]}..."


def _count(value: Any) -> int:
    """How many single values there are."""
    if isinstance(value, dict | list):
        return sum(_count(item) for item in (value.values() if isinstance(value, dict) else value))
    return 1


def _common_values(recorded: Mapping[str, Any], rebuilt: Mapping[str, Any]) -> tuple[list[str], int]:
    """The values of the quantities that a dossier of another version and this version both give."""
    now = {(item["key"], item["at"]): item for item in rebuilt["quantities"]}
    pairs = [
        (item, now[item["key"], item["at"]]) for item in recorded["quantities"] if (item["key"], item["at"]) in now
    ]
    different = [
        f"{RESULTS}: {_name(old)}, {part}: recorded {_short(old[part])}, this version gives {_short(new[part])}."
        for old, new in pairs
        for part in ("value", "interval", "standard_uncertainty", "unit")
        if next(differences(old[part], new[part]), None) is not None
    ]
    verdicts = {(row["id"], row["at"]): row["outcome"] for row in rebuilt["requirements"]}
    for row in recorded["requirements"]:
        here = verdicts.get((row["id"], row["at"]))
        if here not in (None, row["outcome"]):
            different.append(f"{RESULTS}: {_name(row)}, outcome: recorded {row['outcome']}, this version gives {here}.")
    if not pairs:
        different.append(f"{RESULTS}: none of its quantities is one that this version computes from the inputs.")
    return different, len(pairs)
