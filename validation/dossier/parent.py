"""What a dossier keeps of its parent, so that a step since then can be computed again: manifest, results, plan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from validation.dossier.compare import compare_facts, facts_of_building, read_facts
from validation.dossier.comparison_report import ComparisonReport
from validation.dossier.manifest import MANIFEST, read_manifest, sha256, versions
from validation.dossier.results import RESULTS, read_results
from validation.faults import Refusal
from validation.study.amendments import AMENDMENTS
from validation.study.lock import HISTORY
from validation.study.model import Study
from validation.study.plan import PLAN

#: Below the inputs of a dossier that has a parent.
PLACE = f"{HISTORY}/parent"
_KEPT = (RESULTS, f"inputs/{PLAN}", f"inputs/{AMENDMENTS}")


def keep_parent(parent: Path, inputs: Path, study: Study) -> None:
    """Copy what a step rests on into the inputs.

    Raises
    ------
    Refusal
        The parent gives its results in another unit than the study.
    """
    unit = read_results(parent)["study"]["unit"]
    if unit != study.unit:
        raise Refusal(
            f"The parent dossier gives its results in {unit}, this study in {study.unit}: nothing can be compared. "
            "Give the study the unit of its parent, or leave study.parent out."
        )
    for name in (MANIFEST, *_KEPT):
        if (parent / name).is_file():
            target = inputs / PLACE / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes((parent / name).read_bytes())


def parent_problems(inputs: Path, wanted: str | None, *, made_here: bool) -> list[str]:
    """What is wrong with the kept parent: another one than the plan names, or parts that its manifest does not hold.

    Parameters
    ----------
    wanted : SHA-256 of the manifest that the plan names; None without a parent
    made_here : whether this version made the dossier and so kept all that it needs; others may have kept less
    """
    place = inputs / PLACE
    if wanted is None or not (made_here or (place / MANIFEST).is_file()):
        return []
    if not (place / MANIFEST).is_file():
        return [f"inputs/{PLACE}/{MANIFEST}: missing; the plan names a parent."]
    if sha256(place / MANIFEST) != wanted:
        return [f"inputs/{PLACE}/{MANIFEST}: its SHA-256 is not the one that the plan names as parent."]
    listed = read_manifest(place)["files"]
    needed = [name for name in _KEPT if name in listed and (made_here or (place / name).is_file())]
    return [
        f"inputs/{PLACE}/{name}: not what the parent's manifest lists."
        for name in needed
        if not (place / name).is_file() or sha256(place / name) != listed[name]
    ]


def comparison(study: Study, inputs: Path, results: dict[str, Any]) -> ComparisonReport | None:
    """The comparison with the kept parent; None where the plan names none, or an earlier version kept none.

    Raises
    ------
    Refusal
        What is kept of it cannot be read, or gives its results in another unit.
    """
    if study.plan.study.parent is None or not (inputs / PLACE / MANIFEST).is_file():
        return None
    facts = read_facts(inputs / PLACE)
    fresh = facts_of_building(study.plan.study.id, results, inputs, versions())
    return compare_facts(facts, fresh, allowed_step=study.plan.lots.allowed_step, confidence=study.judged_confidence)
