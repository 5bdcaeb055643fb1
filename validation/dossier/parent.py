"""What a dossier keeps of its parent, so that a step since then can be computed again: manifest, results, plan.

Of a parent of another version, some of whose methods changed since, it keeps all inputs: this version's numbers are
shown next to those of the parent, and `verify` computes them again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from validation.dossier.compare import compare_facts, facts_of_building, read_facts
from validation.dossier.comparison_report import ComparisonReport, RecomputedNumber
from validation.dossier.manifest import MANIFEST, integrity_problems, read_manifest, sha256, versions
from validation.dossier.method_changes import Between, between
from validation.dossier.other_version import compare_versions
from validation.dossier.results import RESULTS, read_results, results_of
from validation.faults import Refusal, StudyDataError
from validation.judging.outcomes import evaluate, judge_study
from validation.study.folder import AMENDMENTS, HISTORY, RECORDS, dossiers_with
from validation.study.load import load_study
from validation.study.model import Study
from validation.study.plan import PLAN, Plan

#: Below the inputs of a dossier that has a parent.
PLACE = f"{HISTORY}/parent"
_KEPT = (RESULTS, f"inputs/{PLAN}", f"inputs/{AMENDMENTS}")


def parent_dossier(folder: Path, plan: Plan) -> Path | None:
    """The dossier that `study.parent` names by the hash of its manifest, its files as the manifest lists them.

    It is looked for in the study, in its records/ and in the studies next to it; None where the plan names no parent.

    Raises
    ------
    Refusal
        It is not there, its files are not those of its manifest, or its results have another unit than the study.
    """
    wanted = plan.study.parent
    if wanted is None:
        return None
    # An untouched copy in records/ stands in for one that was damaged.
    parent = min(dossiers_with(folder, wanted), key=lambda place: bool(integrity_problems(place)), default=None)
    if parent is None:
        raise Refusal(
            f"study.parent names the dossier whose manifest.json has the SHA-256 {wanted}; none is in this study, its "
            "records/ or the studies next to it. "
            "Copy the parent's dossier folder into records/, or correct the hash."
        )
    problems = integrity_problems(parent)
    if problems:
        raise Refusal(not_verified(parent, problems[0]))
    unit = read_results(parent)["study"]["unit"]
    if unit != plan.study.unit:
        raise Refusal(
            f"The parent dossier gives its results in {unit}, this study in {plan.study.unit}: nothing can be "
            "compared. Give the study the unit of its parent, or leave study.parent out."
        )
    return parent


def not_verified(parent: Path, problem: str) -> str:
    """Why nothing can be based on a parent, and what can be done."""
    return (
        f"The parent dossier {parent} does not verify, so nothing can be based on it: {problem} Copy an untouched one "
        "into records/."
    )


def keep_parent(parent: Path, inputs: Path) -> None:
    """Copy what a step, and a number computed by a changed method, rest on into the inputs."""
    for name in (MANIFEST, *_kept(parent)):
        target = inputs / PLACE / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes((parent / name).read_bytes())


def _kept(parent: Path) -> list[str]:
    """The files of a parent that this version keeps, by name; nothing is computed from its records."""
    whole = bool(_record_since(parent).changes)
    needed = [name for name in read_manifest(parent).files if not name.startswith(f"inputs/{RECORDS}/")]
    return [name for name in needed if name in _KEPT or (whole and name.startswith("inputs/"))]


def _record_since(parent: Path) -> Between:
    """What is on record after the version that made a dossier."""
    return between(read_manifest(parent).program_version, versions()["validation"], read_results(parent))


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
    manifest = read_manifest(place)
    there = [name for name in manifest.files if (place / name).is_file()]
    if made_here and RESULTS not in there:
        return [f"inputs/{PLACE}/{RESULTS}: missing; the parent's manifest lists it."]
    return [
        f"inputs/{PLACE}/{name}: not what the parent's manifest lists."
        for name in (_kept(place) if made_here else there)
        if name not in there or sha256(place / name) != manifest.files[name]
    ]


def comparison(
    study: Study, inputs: Path, results: dict[str, Any], made_with: Mapping[str, str]
) -> ComparisonReport | None:
    """The comparison with the kept parent; None where the plan names none, or an earlier version kept none.

    Parameters
    ----------
    study, results : of the dossier that has this parent
    inputs : its inputs
    made_with : the versions that made it

    Raises
    ------
    Refusal
        What is kept of it cannot be read, or gives its results in another unit.
    """
    if study.plan.study.parent is None or not (inputs / PLACE / MANIFEST).is_file():
        return None
    facts = read_facts(inputs / PLACE)
    fresh = facts_of_building(study.plan.study.id, results, inputs, made_with)
    confidence = study.judged_confidence
    report = compare_facts(facts, fresh, allowed_step=study.plan.lots.allowed_step, confidence=confidence)
    return replace(report, recomputed=_recomputed(inputs / PLACE))


def _recomputed(parent: Path) -> tuple[RecomputedNumber, ...]:
    """The numbers of a parent that changed methods give differently; none where an earlier version kept no inputs."""
    recorded, record = read_results(parent), _record_since(parent)
    if not record.changes or not all((parent / name).is_file() for name in _kept(parent)):
        return ()
    draft = bool(recorded.get("draft", False))
    try:
        study = load_study(parent / "inputs", draft=draft)
    except StudyDataError:  # a run verifies its parent, so a later version alone can come here
        return ()
    today = results_of(judge_study(study, evaluate(study)), None, draft=draft)
    units = {(item["key"], item["at"]): item["unit"] for item in recorded["quantities"]}
    return tuple(
        RecomputedNumber(one.key, one.at, units[one.key, one.at], one.recorded, one.today, one.change.text())
        for one in compare_versions(recorded, today, record).moved_values
        if one.change is not None
    )
