"""Two dossiers, number by number, with cause. A small difference is never "no change"."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isclose, sqrt
from pathlib import Path
from typing import Any, Literal

from scipy import stats

from validation.dossier.manifest import MANIFEST, hashes, read_manifest, sha256
from validation.faults import Refusal
from validation.judging.conclusion import range_text
from validation.study.grammar import Limit
from validation.words import level_text, significant

StepOutcome = Literal["met", "not met", "not shown", "not judged"]

#: The quantity in which a step between standards lots shows on results.
STEP_KEY = "trueness.bias"


@dataclass(frozen=True, slots=True)
class DossierFacts:
    """What a comparison reads of a dossier, finished or about to be."""

    name: str
    results: Mapping[str, Any]
    inputs: Mapping[str, str]
    manifest_hash: str = ""
    versions: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class NumberChange:
    """One quantity in both dossiers; `combined` is the standard uncertainty of the difference, None where unknown."""

    key: str
    at: Any
    unit: str
    old: float | None
    new: float | None
    difference: float | None
    combined: float | None
    ratio: float | None
    interval: tuple[float, float] | None
    allowed: float | None = None
    outcome: StepOutcome = "not judged"
    reason: str = ""

    def to_dict(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class ComparisonReport:
    """What changed between two dossiers."""

    old: DossierFacts
    new: DossierFacts
    conclusions: tuple[dict[str, Any], dict[str, Any]]
    verdicts: tuple[dict[str, Any], ...]
    inputs: tuple[dict[str, Any], ...]
    numbers: tuple[NumberChange, ...]
    not_repeated: tuple[dict[str, Any], ...]
    added: tuple[dict[str, Any], ...]
    versions: tuple[str, ...]
    step_limit: str
    cause: str

    @property
    def changed(self) -> bool:
        """Whether any input, number or verdict differs."""
        moved = any(n.old != n.new and not _same_number(n.old, n.new) for n in self.numbers)
        return bool(
            self.verdicts or self.not_repeated or self.added or moved or any(i["change"] != "same" for i in self.inputs)
        )

    @property
    def steps(self) -> tuple[NumberChange, ...]:
        """The rows judged against the allowed step."""
        return tuple(number for number in self.numbers if number.allowed is not None)

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {
            "format": 1,
            "old": {"name": self.old.name, "manifest_sha256": self.old.manifest_hash},
            "new": {"name": self.new.name, "manifest_sha256": self.new.manifest_hash},
            "changed": self.changed,
            "cause": self.cause,
            "conclusion": {"old": self.conclusions[0], "new": self.conclusions[1]},
            "verdicts": list(self.verdicts),
            "inputs": list(self.inputs),
            "numbers": [number.to_dict() for number in self.numbers],
            "not_repeated": list(self.not_repeated),
            "added": list(self.added),
            "versions": list(self.versions),
            "allowed_step": self.step_limit,
        }

    def text(self) -> str:
        """The report for a terminal: verdicts first."""
        old, new = self.conclusions
        lines = [f"{self.old.name} -> {self.new.name}", self.cause, ""]
        lines.append(f"Proposed conclusion: {old['outcome']} {_range(old)} -> {new['outcome']} {_range(new)}")
        lines.append("Verdicts that changed:" if self.verdicts else "No verdict changed.")
        lines += [f"  {v['id']} {v['quantity']}{_place(v['at'])}: {v['old']} -> {v['new']}" for v in self.verdicts]
        if self.steps:
            lines.append(f"Step against the allowed {self.step_limit}:")
            lines += [f"  {n.key}{_place(n.at)}: {n.outcome}. {n.reason}" for n in self.steps]
        elif not self.step_limit:
            lines.append("The plan gives no lots.allowed_step: whether the change matters is not judged.")
        lines.append("Inputs:")
        lines += [f"  {i['file']}: {i['change']}" for i in self.inputs]
        lines.append("Quantities (old, new, difference, combined standard uncertainty):")
        same = [n for n in self.numbers if n.old == n.new or _same_number(n.old, n.new)]
        for n in (n for n in self.numbers if n not in same):
            combined = "-" if n.combined is None else significant(n.combined, 2)
            lines.append(
                f"  {n.key}{_place(n.at)}: {_text(n.old)}, {_text(n.new)}, {_text(n.difference)}, {combined} {n.unit}"
            )
        if same:
            lines.append(f"  {len(same)} others are the same to the last digit that counts")
        lines += [
            f"  not repeated: {q['key']}{_place(q['at'])} = {_text(q['value'])} {q['unit']} (kept from {self.old.name})"
            for q in self.not_repeated
        ]
        lines += [f"  new: {q['key']}{_place(q['at'])} = {_text(q['value'])} {q['unit']}" for q in self.added]
        lines += [f"Version: {line}" for line in self.versions]
        return "\n".join(lines)


def read_facts(folder: Path) -> DossierFacts:
    """Read a finished dossier.

    Raises
    ------
    Refusal
        The folder is not a dossier.
    """
    try:
        results = json.loads((folder / "results.json").read_text(encoding="utf-8"))
        manifest = read_manifest(folder)
    except (OSError, ValueError):
        raise Refusal(
            f"{folder} is not a dossier that can be read: results.json or manifest.json is missing or damaged."
        ) from None
    inputs = {
        name.removeprefix("inputs/"): value for name, value in manifest["files"].items() if name.startswith("inputs/")
    }
    name = f"{results['study']['id']} issue {folder.resolve().name}"
    return DossierFacts(name, results, inputs, sha256(folder / MANIFEST), manifest.get("versions", {}))


def compare(old: Path, new: Path) -> ComparisonReport:
    """Compare two dossier folders; the allowed step is the one in the new study's plan.

    Raises
    ------
    Refusal
        One of the two is not a dossier.
    """
    from validation.study.plan import read_plan

    plan, _ = read_plan(new / "inputs" / "plan.yaml")
    step = plan.lots.allowed_step if plan is not None and plan.lots is not None else None
    confidence = 2 * plan.confidence - 1 if plan is not None else 0.9
    return compare_facts(read_facts(old), read_facts(new), allowed_step=step, confidence=confidence)


def facts_of_building(name: str, results: Mapping[str, Any], inputs: Path, versions: Mapping[str, str]) -> DossierFacts:
    """The facts of a dossier that is being written."""
    return DossierFacts(name, json.loads(json.dumps(results)), hashes(inputs), "", versions)


def compare_facts(
    old: DossierFacts, new: DossierFacts, *, allowed_step: Limit | None, confidence: float
) -> ComparisonReport:
    """Compare what two dossiers say.

    Parameters
    ----------
    allowed_step : the largest change of results that the laboratory lets pass, or None
    confidence : of the interval of a difference, 1 - 2 * alpha
    """
    before = {(q["key"], q["at"]): q for q in old.results["quantities"]}
    after = {(q["key"], q["at"]): q for q in new.results["quantities"]}
    numbers = tuple(
        _number(before[place], after[place], allowed_step, confidence) for place in after if place in before
    )
    inputs = tuple(
        _input_change(name, old.inputs.get(name), new.inputs.get(name)) for name in sorted({*old.inputs, *new.inputs})
    )
    versions = tuple(
        f"{name} {old.versions.get(name, 'absent')} -> {new.versions.get(name, 'absent')}"
        for name in sorted({*old.versions, *new.versions})
        if old.versions.get(name) != new.versions.get(name) and old.versions
    )
    return ComparisonReport(
        old=old,
        new=new,
        conclusions=(old.results["conclusion"], new.results["conclusion"]),
        verdicts=tuple(_verdict_changes(old.results["requirements"], new.results["requirements"])),
        inputs=inputs,
        numbers=numbers,
        not_repeated=tuple(before[place] for place in before if place not in after),
        added=tuple(after[place] for place in after if place not in before),
        versions=versions,
        step_limit="" if allowed_step is None else str(allowed_step),
        cause=_cause(inputs, versions),
    )


def _cause(inputs: tuple[dict[str, Any], ...], versions: tuple[str, ...]) -> str:
    moved = [item["file"] for item in inputs if item["change"] != "same" and not item["file"].startswith("history/")]
    if not moved and not versions:
        return "Inputs and versions are the same: any difference would be a fault of the program."
    parts = []
    if moved:
        parts.append(f"Changed inputs: {', '.join(moved)}.")
    if versions:
        parts.append(f"Changed versions: {', '.join(versions)}.")
    return " ".join(parts)


def _input_change(name: str, old: str | None, new: str | None) -> dict[str, Any]:
    change = "added" if old is None else "gone" if new is None else "same" if old == new else "changed"
    return {"file": name, "change": change, "old": old, "new": new}


def _verdict_changes(old: list[dict[str, Any]], new: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """By quantity, rule and place: two studies may number their requirements differently."""
    before = {(row["quantity"], row.get("rule"), row["at"]): row for row in old}
    changes = []
    for row in new:
        was = before.pop((row["quantity"], row.get("rule"), row["at"]), None)
        if was is None or was["outcome"] != row["outcome"]:
            changes.append(
                {
                    "id": row["id"],
                    "quantity": row["quantity"],
                    "at": row["at"],
                    "old": "not asked" if was is None else was["outcome"],
                    "new": row["outcome"],
                }
            )
    changes += [
        {"id": row["id"], "quantity": row["quantity"], "at": row["at"], "old": row["outcome"], "new": "not repeated"}
        for row in before.values()
    ]
    return changes


def _number(old: Mapping[str, Any], new: Mapping[str, Any], allowed: Limit | None, confidence: float) -> NumberChange:
    a, b = old["value"], new["value"]
    difference = None if a is None or b is None else b - a
    ua, ub = _uncertainty(old), _uncertainty(new)
    combined = None if ua is None or ub is None else sqrt(ua**2 + ub**2)
    interval = _difference_interval(old, new, difference, combined, confidence)
    ratio = None if difference is None or not combined else difference / combined
    limit = _step_limit(new, allowed)
    outcome, reason = _step(difference, interval, limit, new["unit"])
    return NumberChange(
        new["key"], new["at"], new["unit"], a, b, difference, combined, ratio, interval, limit, outcome, reason
    )


def _uncertainty(item: Mapping[str, Any]) -> float | None:
    """The recorded standard uncertainty, else the interval's half-width over its normal quantile."""
    if item["standard_uncertainty"] is not None:
        return float(item["standard_uncertainty"])
    if item["interval"] is None or item["confidence"] is None:
        return None
    low, high = item["interval"]
    return float((high - low) / 2 / stats.norm.ppf((1 + item["confidence"]) / 2))


def _difference_interval(
    old: Mapping[str, Any], new: Mapping[str, Any], difference: float | None, combined: float | None, confidence: float
) -> tuple[float, float] | None:
    """t interval of the difference of two independent estimates, degrees of freedom by Welch and Satterthwaite."""
    dfs = old["degrees_of_freedom"], new["degrees_of_freedom"]
    if (
        difference is None
        or not combined
        or old["standard_uncertainty"] is None
        or new["standard_uncertainty"] is None
        or None in dfs
    ):
        return None
    parts = [
        (item["standard_uncertainty"], df)
        for item, df in zip((old, new), dfs, strict=True)
        if item["standard_uncertainty"] > 0
    ]
    df = combined**4 / sum(u**4 / nu for u, nu in parts)
    half = float(stats.t.ppf((1 + confidence) / 2, df)) * combined
    return difference - half, difference + half


def _step_limit(item: Mapping[str, Any], allowed: Limit | None) -> float | None:
    if allowed is None or item["key"] != STEP_KEY or isinstance(item["at"], str):
        return None
    return allowed.value(item["at"])


def _step(
    difference: float | None, interval: tuple[float, float] | None, limit: float | None, unit: str
) -> tuple[StepOutcome, str]:
    if limit is None:
        return "not judged", ""
    if difference is None or interval is None:
        return "not shown", "There is no interval of the difference."
    low, high = interval
    text = (
        f"Step {significant(difference, 2)} {unit}, from {significant(low, 2)} to {significant(high, 2)}, "
        f"allowed ±{significant(limit, 2)}."
    )
    if -limit <= low and high <= limit:
        return "met", text
    if low > limit or high < -limit:
        return "not met", text
    return "not shown", text


def _same_number(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and isclose(a, b, rel_tol=1e-12, abs_tol=1e-15)


def _place(at: Any) -> str:
    return "" if at is None else f", {at}" if isinstance(at, str) else f" at {level_text(at)}"


def _range(conclusion: Mapping[str, Any]) -> str:
    spread = conclusion.get("range")
    return "" if spread is None else f"({range_text((spread[0], spread[1])).removeprefix('from ')})"


def _text(value: float | None) -> str:
    return "-" if value is None else significant(value, 4)
