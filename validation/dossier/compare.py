"""Two dossiers, number by number, with cause. A small difference is never "no change"."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import sqrt
from pathlib import Path
from typing import Any

from scipy import special

from validation.dossier.comparison_report import (
    INPUT_CHANGES,
    NOT_SET,
    STEP_KEY,
    ComparisonReport,
    DossierFacts,
    NumberChange,
    StepOutcome,
    Unrepeated,
)
from validation.dossier.manifest import MANIFEST, hashes, read_manifest, sha256
from validation.dossier.results import read_results
from validation.faults import Refusal
from validation.study.folder import AMENDMENTS, HISTORY, LOCK, RECORDS
from validation.study.grammar import Limit
from validation.study.history.amendments import read_amendments
from validation.study.plan import PLAN, read_plan
from validation.words import sentence_list, significant

#: Folders of the inputs that no number comes from.
NOT_COMPUTED = (f"{HISTORY}/", f"{RECORDS}/")


def read_facts(folder: Path) -> DossierFacts:
    """Read a finished dossier.

    Raises
    ------
    Refusal
        The folder is not a dossier, or results.json or manifest.json is damaged.
    """
    results, manifest = read_results(folder), read_manifest(folder)
    inputs = {
        name.removeprefix("inputs/"): value for name, value in manifest.files.items() if name.startswith("inputs/")
    }
    name = f"{results['study']['id']} issue {manifest.content.get('issue', folder.resolve().name)}"
    facts = DossierFacts(name, results, inputs, sha256(folder / MANIFEST), manifest.versions)
    return _with_plan_and_amendments(facts, folder / "inputs")


def _with_plan_and_amendments(facts: DossierFacts, inputs: Path) -> DossierFacts:
    """The same, with the lot in use, its record and the amended readings."""
    plan, _ = read_plan(inputs / PLAN)
    stated = None if plan is None else plan.lots.stated.get("in_use")
    lot = "" if stated is None else str(stated)
    standards = [] if plan is None or not lot else [s for s in plan.standards if str(s.get("name")) == lot]
    record = next((str(s["lot_record"]) for s in standards if s.get("lot_record")), "")
    amended: dict[str, frozenset[tuple[str, ...]]] = {}
    for item in read_amendments(inputs)[0]:
        if item.reading:
            row = (item.kind, item.reading, item.column, item.new)
            amended[item.file] = amended.get(item.file, frozenset()) | {row}
    return replace(facts, lot=lot, lot_record=record, amended=amended)


def compare(old: Path, new: Path) -> ComparisonReport:
    """Compare two dossier folders; the allowed step is the one in the new study's plan.

    Raises
    ------
    Refusal
        One of the two is not a dossier.
    """
    plan, _ = read_plan(new / "inputs" / PLAN)
    step = plan.lots.allowed_step if plan is not None else None
    confidence = 2 * plan.confidence - 1 if plan is not None else 0.9
    return compare_facts(read_facts(old), read_facts(new), allowed_step=step, confidence=confidence)


def facts_of_building(name: str, results: Mapping[str, Any], inputs: Path, versions: Mapping[str, str]) -> DossierFacts:
    """The facts of a dossier that is being written."""
    facts = DossierFacts(name, json.loads(json.dumps(results)), hashes(inputs), "", versions)
    return _with_plan_and_amendments(facts, inputs)


def facts_of_step(step: Mapping[str, Any], manifest_hash: str, unit: str) -> DossierFacts:
    """What the record of a step, `step` of results.json, holds of the parent: one quantity, level by level."""
    plain = {"key": step["quantity"], "unit": unit, "source": "", "worksheet": "", "readings": []}
    quantities = [plain | row["parent"] | {"at": row["at"]} for row in step["rows"]]
    results = {"study": {"id": step["since"], "unit": unit}, "quantities": quantities, "requirements": []}
    return DossierFacts(step["since"], results | {"conclusion": {}}, {}, manifest_hash, lot=step["lots"][0])


def compare_facts(
    old: DossierFacts, new: DossierFacts, *, allowed_step: Limit | None, confidence: float
) -> ComparisonReport:
    """Compare what two dossiers say.

    Parameters
    ----------
    allowed_step : the largest change of results that the laboratory lets pass, or None
    confidence : of the interval of a difference, 1 - 2 * alpha

    Raises
    ------
    Refusal
        The two give their results in different units.
    """
    units = (old.results["study"]["unit"], new.results["study"]["unit"])
    if units[0] != units[1]:
        raise Refusal(
            f"{old.name} gives its results in {units[0]}, {new.name} in {units[1]}: numbers in different units are not "
            "compared."
        )
    before = {(q["key"], q["at"]): q for q in old.results["quantities"]}
    after = {(q["key"], q["at"]): q for q in new.results["quantities"]}
    same_study = old.results["study"]["id"] == new.results["study"]["id"]
    inputs = tuple(
        _input_change(name, old.inputs.get(name), new.inputs.get(name), same_study)
        for name in sorted({*old.inputs, *new.inputs})
    )
    versions = tuple(
        f"{name} {old.versions.get(name, 'absent')} -> {new.versions.get(name, 'absent')}"
        for name in sorted({*old.versions, *new.versions})
        if old.versions.get(name) != new.versions.get(name) and old.versions
    )
    why_none = _no_step(old, new, allowed_step)
    judged_step = None if why_none else allowed_step
    why = _Causes(old, new, inputs, versions)
    numbers = tuple(
        why.of(number_change(before[place], after[place], judged_step, confidence), before[place], after[place])
        for place in after
        if place in before
    )
    if not why_none and not any(number.allowed is not None for number in numbers):
        why_none = f"No level of {STEP_KEY} was read in both, so the step between lots is not judged."
    verdicts, same, added, left = _verdict_changes(old.results["requirements"], new.results["requirements"])
    return ComparisonReport(
        old=old,
        new=new,
        conclusions=(old.results["conclusion"], new.results["conclusion"]),
        verdicts=tuple(verdicts),
        verdicts_same=same,
        verdicts_added=tuple(added),
        verdicts_not_repeated=tuple(left),
        inputs=inputs,
        numbers=numbers,
        not_repeated=tuple(before[place] for place in before if place not in after),
        added=tuple(after[place] for place in after if place not in before),
        versions=versions,
        step_limit="" if allowed_step is None else str(allowed_step),
        step_note=why_none,
        cause=_cause(inputs, versions, old, new),
    )


def _no_step(old: DossierFacts, new: DossierFacts, allowed: Limit | None) -> str:
    """Why no step between lots is judged; empty where one is."""
    if old.lot and old.lot == new.lot:
        record = new.lot_record
        changed = record and old.inputs.get(record) != new.inputs.get(record)
        more = f" Its record {record} changed; the numbers that depend on it are listed." if changed else ""
        return f"There is no step between lots to judge: the lot in use is the same, {new.lot}.{more}"
    if allowed is None:
        return "The plan gives no lots.allowed_step: whether a step between lots matters is not judged."
    if not (old.lot and new.lot) and _step_readings(old) and _step_readings(old) == _step_readings(new):
        return "There is no step between lots to judge: the bias rests on the same readings."
    return ""


def _step_readings(facts: DossierFacts) -> set[tuple[str, ...]]:
    """Worksheet, its hash and the readings of the bias."""
    rows = [q for q in facts.results["quantities"] if q["key"] == STEP_KEY]
    return {(q["worksheet"], facts.inputs.get(q["worksheet"], ""), *q["readings"]) for q in rows}


def _cause(inputs: Sequence[Mapping[str, Any]], versions: tuple[str, ...], old: DossierFacts, new: DossierFacts) -> str:
    moved = [item for item in inputs if item["change"] != "same" and not item["file"].startswith(NOT_COMPUTED)]
    if not moved and not versions:
        return "All that numbers come from is the same: any difference would be a fault of the program."
    parts = [f"Lot in use: {old.lot}, then {new.lot}."] if old.lot and new.lot and old.lot != new.lot else []
    by_change: dict[str, list[str]] = {}
    for item in moved:
        by_change.setdefault(item["change"], []).append(item["file"])
    parts += [f"{INPUT_CHANGES[change]}: {', '.join(files)}." for change, files in by_change.items()]
    if versions:
        parts.append(f"Changed versions: {', '.join(versions)}.")
    return " ".join(parts)


def _input_change(name: str, old: str | None, new: str | None, same_study: bool) -> dict[str, Any]:
    if old is None:
        change = "added" if same_study else "only in the new study"
    elif new is None:
        change = "gone" if same_study else "not in the new study"
    else:
        change = "same" if old == new else "changed"
    return {"file": name, "change": change, "old": old, "new": new}


class _Causes:
    """Which input moved a number: its own readings first, then method, plan, lot records, the rest."""

    def __init__(
        self, old: DossierFacts, new: DossierFacts, inputs: Sequence[Mapping[str, Any]], versions: Sequence[str]
    ) -> None:
        self.old, self.new, self.versions = old, new, versions
        self.same_study = old.results["study"]["id"] == new.results["study"]["id"]
        self.change = {item["file"]: item["change"] for item in inputs}
        aside = (AMENDMENTS, LOCK)  # what they did shows in the readings and in the plan
        self.moved = [
            name
            for name, change in self.change.items()
            if change == "changed" and name not in aside and not name.startswith(NOT_COMPUTED)
        ]
        amended = {*old.amended, *new.amended}
        self.amended = sorted(name for name in amended if old.amended.get(name) != new.amended.get(name))

    def of(self, number: NumberChange, old: Mapping[str, Any], new: Mapping[str, Any]) -> NumberChange:
        return replace(number, cause=self._cause_of(old, new)) if number.moved else number

    def _cause_of(self, old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
        file = new["worksheet"]
        if self.change.get(file) == "changed":
            if file.startswith("standards/") or self.same_study:
                return f"a change in {file}"
            return f"other readings in {file}"
        if file != old["worksheet"]:
            return f"read from {file or 'no worksheet'} instead of {old['worksheet'] or 'none'}"
        if file in self.amended:
            return f"amended readings in {file}"
        if old["source"] != new["source"]:
            return "another method"
        beside = [*self.moved, *(f"amended readings in {name}" for name in self.amended if name not in self.moved)]
        if not beside:
            beside = [name for name, change in self.change.items() if change not in ("same", "changed")]
        beside = [*beside, *(["versions of the software"] if self.versions else [])]
        same = ", readings and method being the same" if new["readings"] else ""
        return f"a change in {sentence_list(beside) or 'no input'}{same}"


def _verdict_changes(
    old: Sequence[Mapping[str, Any]], new: Sequence[Mapping[str, Any]]
) -> tuple[list[dict[str, Any]], int, list[dict[str, Any]], list[Unrepeated]]:
    """By quantity, rule and place: two studies may number their requirements differently."""
    before = {(row["quantity"], row.get("rule"), row["at"]): row for row in old}
    changes, added, same = [], [], 0
    for row in new:
        was = before.pop((row["quantity"], row.get("rule"), row["at"]), None)
        verdict = {"id": row["id"], "quantity": row["quantity"], "at": row["at"], "new": row["outcome"]}
        limits = ("", "") if was is None else (str(was.get("limit_text", "")), str(row.get("limit_text", "")))
        if was is None:
            added.append(verdict)
        elif was["outcome"] != row["outcome"] or limits[0] != limits[1]:
            verdict |= {"old": was["outcome"]}
            verdict |= {"limits": list(limits)} if limits[0] != limits[1] else {}
            changes.append(verdict)
        else:
            same += 1
    still_set = {(row["quantity"], row.get("rule")) for row in new}
    left: dict[tuple[str, str], dict[str, list[Any]]] = {}
    why = {}
    for row in before.values():
        name = (row["id"], row["quantity"])
        kept = (row["quantity"], row.get("rule")) in still_set
        why[name] = "not read there" if kept else NOT_SET
        left.setdefault(name, {}).setdefault(row["outcome"], []).append(row["at"])
    unrepeated = [
        Unrepeated(*name, why[name], {outcome: tuple(places) for outcome, places in outcomes.items()})
        for name, outcomes in left.items()
    ]
    return changes, same, added, unrepeated


def number_change(
    old: Mapping[str, Any], new: Mapping[str, Any], allowed: Limit | None, confidence: float
) -> NumberChange:
    """One quantity then and now, and whether its step keeps `allowed`."""
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
    return float((high - low) / 2 / special.ndtri((1 + item["confidence"]) / 2))


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
    half = float(special.stdtrit(df, (1 + confidence) / 2)) * combined
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
