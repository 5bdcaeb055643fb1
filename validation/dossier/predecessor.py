"""The issue before this one: what a dossier keeps of it, so that the comparison with it can be made again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from validation.dossier.compare import compare_facts, facts_of_building, read_facts
from validation.dossier.comparison_report import ComparisonReport
from validation.dossier.manifest import MANIFEST, SEAL, integrity_problems, read_manifest, sha256
from validation.dossier.results import RESULTS
from validation.judging.outcomes import Judgement
from validation.study.folder import AMENDMENTS
from validation.study.plan import PLAN

#: In a dossier, next to its inputs: the hash of the inputs stays that of the data.
PLACE = "predecessor"
_COMPARED = (RESULTS, f"inputs/{PLAN}", f"inputs/{AMENDMENTS}")


@dataclass(frozen=True, slots=True)
class Predecessor:
    """The issue before: its name, its seal (SHA-256 of its manifest.json), and what changed since.

    `report` is None where the two cannot be compared; `why_not` then says why.
    """

    name: str
    seal: str
    report: ComparisonReport | None
    why_not: str = ""


def keep_predecessor(study: Path, issue: str, place: Path) -> None:
    """Copy what the comparison needs of the issue before into the folder of a dossier that is being built.

    Of one whose files are not those of its manifest, the manifest alone is kept: it is named, not compared.

    Parameters
    ----------
    study : folder of the study
    issue : of the dossier that is being built, such as 002
    place : where it is built
    """
    before = study / "dossiers" / f"{int(issue) - 1:03d}"
    if not (before / MANIFEST).is_file():
        return
    whole = not integrity_problems(before)
    compared = [name for name in read_manifest(before).files if name in _COMPARED] if whole else []
    for name in (MANIFEST, SEAL, *compared):
        if (before / name).is_file():
            target = place / PLACE / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes((before / name).read_bytes())


def predecessor_of(folder: Path, judgement: Judgement, versions: Mapping[str, str], issue: str) -> Predecessor | None:
    """What a dossier says of the issue before, from what it keeps of it; None where it keeps nothing.

    Parameters
    ----------
    folder : the dossier
    judgement, versions, issue : of the dossier

    Raises
    ------
    Refusal
        What is kept cannot be read.
    """
    before = folder / PLACE
    if not (before / MANIFEST).is_file():
        return None
    content, seal = read_manifest(before).content, sha256(before / MANIFEST)
    name = f"{content.get('study')} issue {content.get('issue')}"
    if not (before / RESULTS).is_file():
        return Predecessor(name, seal, None, "its files are not those of its manifest")
    earlier = read_facts(before)
    unit = earlier.results["study"]["unit"]
    if unit != judgement.unit:
        return Predecessor(earlier.name, seal, None, f"it gives its results in {unit}")
    name = f"{judgement.study_id} issue {issue}"
    fresh = facts_of_building(name, judgement.results(), folder / "inputs", versions)
    return Predecessor(earlier.name, seal, compare_facts(earlier, fresh, allowed_step=None, confidence=0.9))


def kept_problems(folder: Path, seal: object) -> list[str]:
    """What is wrong with the kept predecessor: another one than the manifest names, or parts that it does not list.

    Parameters
    ----------
    folder : the dossier
    seal : what its manifest names as predecessor, None without one
    """
    before = folder / PLACE
    if not (before / MANIFEST).is_file():
        return [] if seal is None else [f"{PLACE}/{MANIFEST}: missing; {MANIFEST} names a predecessor."]
    own = sha256(before / MANIFEST)
    if own != seal:
        return [f"{PLACE}/{MANIFEST}: its SHA-256 is {own}; {MANIFEST} names {seal} as predecessor."]
    listed = read_manifest(before).files
    there = [name for name in _COMPARED if (before / name).is_file()]
    problems = [
        f"{PLACE}/{name}: not what the predecessor's manifest lists."
        for name in there
        if sha256(before / name) != listed.get(name)
    ]
    if there and set(there) != {name for name in _COMPARED if name in listed}:
        problems.append(f"{PLACE}: a part that the comparison needs is missing.")
    if (before / SEAL).is_file() and (before / SEAL).read_bytes() != f"{own}  {MANIFEST}\n".encode():
        problems.append(f"{PLACE}/{SEAL}: not the seal of {PLACE}/{MANIFEST}.")
    return problems


def kept_files(folder: Path) -> set[str]:
    """The names of what a dossier may hold of its predecessor."""
    return {f"{PLACE}/{name}" for name in (MANIFEST, SEAL, *_COMPARED) if (folder / PLACE / name).is_file()}
