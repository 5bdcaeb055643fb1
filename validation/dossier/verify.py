"""Verify a dossier: its hashes, and every quantity, verdict and the conclusion recomputed from its own inputs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from math import isclose
from pathlib import Path
from typing import Any

from validation.dossier.compare import number_change, step_restriction
from validation.dossier.manifest import integrity_problems, read_manifest, versions
from validation.faults import Refusal, StudyDataError
from validation.judging.outcomes import evaluate, judge_study
from validation.study.load import load_study
from validation.study.model import Study
from validation.study.quantity import Evaluation

#: Same inputs, same library versions: the numbers agree to this.
RELATIVE = 1e-9


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """`ok`, what is wrong, what was looked at, and what a reader must know (other library versions)."""

    ok: bool
    problems: tuple[str, ...]
    checked: int
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        return {"ok": self.ok, "problems": list(self.problems), "checked": self.checked, "notes": list(self.notes)}


def verify_dossier(folder: Path, *, recompute: bool = True) -> VerifyReport:
    """Check a dossier folder.

    Parameters
    ----------
    folder : the dossier, such as study/dossiers/001
    recompute : also recompute from inputs/; False checks the hashes alone

    Raises
    ------
    Refusal
        The folder is not a dossier.
    """
    if not (folder / "manifest.json").exists() and not (folder / "results.json").exists():
        raise Refusal(f"{folder} is not a dossier: it holds neither manifest.json nor results.json.")
    problems = integrity_problems(folder)
    notes: list[str] = []
    checked = 0
    try:
        files = read_manifest(folder).get("files", {})
        checked = len(files)
        notes = version_notes(read_manifest(folder).get("versions", {}))
    except (OSError, ValueError, AttributeError):
        pass
    if recompute and (folder / "inputs" / "plan.yaml").is_file():
        found, count = recomputation_problems(folder)
        problems, checked = problems + found, checked + count
    return VerifyReport(not problems, tuple(problems), checked, tuple(notes))


def version_notes(recorded: Mapping[str, str]) -> list[str]:
    """Library versions that differ between then and now: the last digits may differ for that reason."""
    now = versions()
    return [
        f"{name} was {old} and is now {now.get(name, 'not installed')}."
        for name, old in recorded.items()
        if now.get(name) != old
    ]


def recomputation_problems(folder: Path) -> tuple[list[str], int]:
    """Recompute from inputs/ and compare with results.json; the problems and the number of values compared."""
    try:
        recorded = json.loads((folder / "results.json").read_text(encoding="utf-8"))
        by_place = {(item["key"], item["at"]): item for item in recorded["quantities"]}
        rows = {(item["id"], item["at"]): item for item in recorded["requirements"]}
        conclusion = recorded["conclusion"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        return [f"results.json: cannot be read ({type(error).__name__})."], 0
    try:
        study = load_study(folder / "inputs", draft=bool(recorded.get("draft", False)))
        evaluations = evaluate(study)
    except StudyDataError as error:
        return [f"inputs/{fault}" for fault in error.faults], 0
    try:
        step, problems, count = _step(recorded.get("step"), study, evaluations)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        return [f"results.json: step cannot be read ({type(error).__name__})."], 0
    restriction = step_restriction(step, study.unit)
    judgement = judge_study(study, evaluations, further=[restriction] if restriction else [])
    fresh = json.loads(json.dumps(judgement.results()))
    for item in fresh["quantities"]:
        old = by_place.pop((item["key"], item["at"]), None)
        name = item["key"] + ("" if item["at"] is None else f" at {item['at']}")
        if old is None:
            problems.append(f"results.json: {name} is missing; recomputation gives {item['value']}.")
            continue
        for part in ("value", "interval", "standard_uncertainty", "degrees_of_freedom", "n"):
            count += 1
            if not agrees(old.get(part), item[part]):
                problems.append(f"results.json: {name}, {part}: recorded {old.get(part)}, recomputed {item[part]}.")
    problems += [
        f"results.json: {key}{'' if at is None else f' at {at}'} cannot be recomputed from inputs/."
        for key, at in by_place
    ]
    for item in fresh["requirements"]:
        old = rows.pop((item["id"], item["at"]), None)
        count += 1
        if old is None or old.get("outcome") != item["outcome"]:
            was = "missing" if old is None else old.get("outcome")
            problems.append(
                f"results.json: requirement {item['id']} at {item['at']}: recorded {was}, recomputed {item['outcome']}."
            )
    problems += [f"results.json: requirement {name} at {at} is not in the plan." for name, at in rows]
    count += 1
    if (conclusion.get("outcome"), conclusion.get("range")) != (
        fresh["conclusion"]["outcome"],
        fresh["conclusion"]["range"],
    ):
        problems.append(
            f"results.json: conclusion recorded {conclusion.get('outcome')}, recomputed "
            f"{fresh['conclusion']['outcome']}."
        )
    return problems, count


def _step(
    recorded: Mapping[str, Any] | None, study: Study, evaluations: Mapping[str, Evaluation]
) -> tuple[dict[str, Any] | None, list[str], int]:
    """The step since the parent computed again, from the parent's estimates as recorded and the study's own."""
    if recorded is None:
        return None, [], 0
    key, allowed = recorded["quantity"], study.plan.lots.allowed_step
    found = {(q.key, q.at): q.to_dict() for one in evaluations.values() for q in one.quantities}
    rows, problems, count = [], [], 0
    for row in recorded["rows"]:
        new = found.get((key, row["at"]))
        if new is None:
            problems.append(f"results.json: step at {row['at']} cannot be recomputed from inputs/.")
            continue
        change = number_change(row["parent"], json.loads(json.dumps(new)), allowed, study.judged_confidence)
        fresh = {
            "difference": change.difference,
            "interval": None if change.interval is None else list(change.interval),
            "allowed": change.allowed,
            "outcome": change.outcome,
        }
        for part, value in fresh.items():
            count += 1
            if not agrees(row[part], value):
                problems.append(f"results.json: step at {row['at']}, {part}: recorded {row[part]}, recomputed {value}.")
        rows.append({**row, **fresh})
    return {**recorded, "rows": rows}, problems, count


def agrees(old: Any, new: Any) -> bool:
    """Equal, or numbers that agree to `RELATIVE`; lists member by member."""
    if isinstance(old, list) and isinstance(new, list):
        return len(old) == len(new) and all(agrees(a, b) for a, b in zip(old, new, strict=True))
    if isinstance(old, int | float) and isinstance(new, int | float) and not isinstance(old, bool):
        return isclose(old, new, rel_tol=RELATIVE, abs_tol=1e-15)
    return bool(old == new)
