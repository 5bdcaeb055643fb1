"""The fitness statement: what holds at once, for which grades and fuels, on which terms, and what stays open.

It is the intersection of everything that was judged. Nothing here estimates; a person signs, the program proposes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from validation.judging.conclusion import Conclusion, NotEvaluated, in_plain_words, range_text
from validation.judging.requirements import RequirementResult
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed, level_text, places_for, sentence_list, with_interval

Standing = Literal["own standard of this study", "common standard", "own standard needed", "excluded from the scope"]

#: The two chapters that compare materials: what they compare, and their keys.
MATERIALS = {
    "matrix": ("grade", ("matrix.slope_ratio", "matrix.blank_difference")),
    "fuel": ("fuel", ("fuel.slope_ratio",)),
}


@dataclass(frozen=True, slots=True)
class Material:
    """One oil grade or fuel blend, and how the scope treats it."""

    kind: str
    name: str
    standing: Standing
    reason: str

    @property
    def inside(self) -> bool:
        """Whether a sample of it may be reported under this validation."""
        return self.standing in ("own standard of this study", "common standard")

    def to_dict(self) -> dict[str, Any]:
        return {"kind": self.kind, "name": self.name, "standing": self.standing, "reason": self.reason}


@dataclass(frozen=True, slots=True)
class Fitness:
    """`results.json` `fitness`: the scope, the terms on which it holds, and what is left to do.

    `terms` are tolerances of the procedure and terms of use of standards, each from a verdict; `open_actions` what a
    person still has to decide or supply; `scope` wording for a schedule of accreditation, to be edited by people.
    """

    statement: str
    materials: tuple[Material, ...]
    terms: tuple[str, ...]
    open_actions: tuple[str, ...]
    scope: str
    outside: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        return {
            "statement": self.statement,
            "materials": [material.to_dict() for material in self.materials],
            "terms": list(self.terms),
            "open_actions": list(self.open_actions),
            "scope": self.scope,
            "outside": list(self.outside),
        }


def fitness(
    study: Study,
    rows: Sequence[RequirementResult],
    evaluations: Mapping[str, Evaluation],
    conclusion: Conclusion,
    absent: Sequence[NotEvaluated],
) -> Fitness:
    """Put verdicts and conclusion together.

    Parameters
    ----------
    study, evaluations : as judged
    rows : the verdict rows
    conclusion : the proposed conclusion, whose range is the range of the scope
    absent : what was not evaluated
    """
    materials = tuple(material for chapter in MATERIALS for material in _materials(study, chapter, rows, evaluations))
    termed = {row: term for row in rows if (term := _term(row, evaluations, study)) is not None}
    return Fitness(
        statement=_statement(study, materials, conclusion),
        materials=materials,
        terms=tuple(termed.values()),
        open_actions=tuple(_open([row for row in rows if row not in termed], absent, conclusion, study)),
        scope=_scope(study, materials, conclusion),
        outside=tuple(_outside(study, materials, conclusion)),
    )


# ------------------------------------------------------------------------------------------------ grades and fuels


def _materials(
    study: Study, chapter: str, rows: Sequence[RequirementResult], evaluations: Mapping[str, Evaluation]
) -> list[Material]:
    kind, keys = MATERIALS[chapter]
    own = study.plan.study.grade if kind == "grade" else study.plan.study.fuel
    evaluation = evaluations.get(chapter)
    found = [] if own is None else [Material(kind, own, "own standard of this study", f"the {kind} of this study")]
    if evaluation is None or evaluation.missing:
        return found
    reference = evaluation.details.get("reference")
    if own is None and reference:
        found.append(Material(kind, str(reference), "own standard of this study", f"the {kind} the others are held to"))
    names = [str(q.at) for q in evaluation.quantities if q.key == keys[0] and q.at != own]
    return found + [_material(kind, name, keys, rows, evaluation) for name in dict.fromkeys(names)]


def _material(
    kind: str, name: str, keys: Sequence[str], rows: Sequence[RequirementResult], evaluation: Evaluation
) -> Material:
    own = [row for row in rows if row.at == name and row.quantity in keys]
    slopes = [row for row in own if row.quantity == keys[0]]
    others = [row for row in own if row.quantity != keys[0]]
    size = _size(evaluation.get(keys[0], name))
    if not slopes:
        reason = f"{size}; the plan sets no requirement on its slope ratio, so nothing admits it"
        return Material(kind, name, "excluded from the scope", reason)
    told = sentence_list([f"{row.id} {row.outcome}" for row in own])
    if all(row.outcome == "met" for row in own):
        return Material(kind, name, "common standard", f"{size}: {told}")
    if kind == "fuel":
        # Which fuel thinned a used oil is seldom known, so a standard of its own would not help.
        return Material(kind, name, "excluded from the scope", f"{size}: {told}")
    if any(row.outcome == "not met" for row in slopes) and all(row.outcome == "met" for row in others):
        reason = f"{size}: {told}; with a standard of its own it could be validated in a study of its own"
        return Material(kind, name, "own standard needed", reason)
    return Material(kind, name, "excluded from the scope", f"{size}: {told}")


def _size(ratio: Quantity | None) -> str:
    if ratio is None or ratio.value is None:
        return "no slope ratio"
    value, span = with_interval(ratio.value, ratio.judged_interval or ratio.interval)
    return f"slope ratio {value}" + (f" ({span})" if span else "")


# ---------------------------------------------------------------------------------------------------------- terms


def _term(row: RequirementResult, evaluations: Mapping[str, Evaluation], study: Study) -> str | None:
    """What a verdict on the procedure or a standard means for daily work; None where it says nothing of that kind."""
    chapter, _, name = row.quantity.partition(".")
    if row.outcome == "not judged" or row.observed is None or row.at is None:
        return None
    if chapter == "ruggedness" and name in ("effect", "relative_effect"):
        return _tolerance(row, study)
    if chapter == "carry_over" and name in ("effect", "share"):
        shown = row.outcome == "met"
        use = "clears the path after a high sample" if shown else "does not clear the path after a high sample"
        after = "" if shown else "; until something else is shown, a blank is read before a result that matters"
        setting = "As the triples were read, the procedure" if row.at == "all" else f"The setting {row.at}"
        return f"{setting} {use}: carry-over {row.outcome} ({row.id}){after}."
    if chapter == "stability" and name in ("change", "expiry"):
        return _use_by(row, evaluations["stability"])
    if row.quantity == "lots.response_ratio":
        released = "may replace the reference lot" if row.outcome == "met" else "is not released by these readings"
        return f"Lot {row.at} {released}: step {row.outcome} ({row.id})."
    return None


def _tolerance(row: RequirementResult, study: Study) -> str:
    experiment = study.plan.experiments.get("ruggedness")
    settings = ((experiment.factors if experiment is not None else None) or {}).get(str(row.at))
    between = f" between {settings['low']} and {settings['high']}" if settings else ""
    relative = row.quantity.endswith("relative_effect")
    value, span = _effect_text(row, relative)
    size = f"{value}, {span}" if span else value
    if row.outcome == "met":
        return f"{row.at}: may vary{between}; it moves the result by {size} ({row.id} met)."
    held = (
        f"{row.at}: hold it as the procedure states; going{between or ' from low to high'} moves the result by {size}"
    )
    return f"{held} ({row.id} {row.outcome})."


def _effect_text(row: RequirementResult, relative: bool) -> tuple[str, str]:
    assert row.observed is not None
    factor, unit = (100.0, " %") if relative else (1.0, f" {row.unit}")
    interval = row.interval
    if interval is None:
        return f"{fixed(factor * row.observed, 1)}{unit}", ""
    low, high = (factor * end for end in interval)
    places = places_for((high - low) / 4)
    return f"{fixed(factor * row.observed, places)}{unit}", f"{fixed(low, places)} to {fixed(high, places)}{unit}"


def _use_by(row: RequirementResult, evaluation: Evaluation) -> str:
    expiry = evaluation.get("stability.expiry", row.at)
    days = "" if expiry is None or expiry.value is None else f"use within {fixed(int(expiry.value), 0)} days"
    if row.outcome == "met":
        return f"Standard, {row.at}: the change over the planned time stays inside its limit ({row.id} met)."
    kept = days or "no time of use is shown"
    return f"Standard, {row.at}: {kept}; the change over the planned time is {row.outcome} ({row.id})."


# -------------------------------------------------------------------------------------------- statement and scope


def _inside(materials: Sequence[Material], kind: str) -> list[str]:
    return [material.name for material in materials if material.kind == kind and material.inside]


def _excluded(materials: Sequence[Material]) -> list[str]:
    return [material.name for material in materials if not material.inside]


def _statement(study: Study, materials: Sequence[Material], conclusion: Conclusion) -> str:
    if conclusion.range is None:
        return f"The readings support no range of use; proposed: {conclusion.outcome}."
    over = f"{range_text(conclusion.range)} {study.unit}"
    grades, fuels = _inside(materials, "grade"), _inside(materials, "fuel")
    of = (f" for grade {sentence_list(grades)}" if grades else "") + (
        f" with fuel {sentence_list(fuels)}" if fuels else ""
    )
    out = _excluded(materials)
    left = f" Outside the scope: {sentence_list(out)}." if out else ""
    return f"Proposed: {conclusion.outcome}{of}, {over}, on the terms below.{left}"


def _scope(study: Study, materials: Sequence[Material], conclusion: Conclusion) -> str:
    """Wording for a schedule of accreditation: measurand, materials, range, procedure."""
    if conclusion.range is None or conclusion.outcome not in ("fit", "fit with restrictions"):
        return ""
    facts = study.plan.study
    low, high = (level_text(end) for end in conclusion.range)
    grades, fuels = _inside(materials, "grade"), _inside(materials, "fuel")
    parts = [
        f"Measurand: {facts.measurand}",
        f"Materials: {sentence_list([*grades])}" if grades else "",
        f"Fuel: {sentence_list(fuels)}" if fuels else "",
        f"Range: {low} {facts.unit} to {high} {facts.unit}",
        f"Procedure: {facts.procedure.partition(':')[0]} (in-house)" if facts.procedure else "",
    ]
    return "; ".join(part for part in parts if part) + "."


def _outside(study: Study, materials: Sequence[Material], conclusion: Conclusion) -> list[str]:
    """How a result outside the scope may be told."""
    if conclusion.range is None:
        return []
    low, high = (level_text(end) for end in conclusion.range)
    said = [
        f"Below {low} {study.unit}: reported as less than {low} {study.unit}.",
        f"Above {high} {study.unit}: reported as more than {high} {study.unit}; a number beside it is indicative only.",
    ]
    out = _excluded(materials)
    if out:
        said.append(
            f"A sample of {sentence_list(out)}, or of a grade or fuel that is not known, is reported outside the scope "
            "or not at all."
        )
    return said


def _open(
    rows: Sequence[RequirementResult], absent: Sequence[NotEvaluated], conclusion: Conclusion, study: Study
) -> list[str]:
    """What a person still has to supply or to decide; a term of use or a narrower range has settled the rest."""
    said = [
        f"{item.title}: neither evaluated nor excused; supply the readings or a reason."
        for item in absent
        if not item.excused
    ]
    for row in rows:
        if row.outcome == "not shown" and not _cut_away(row, conclusion):
            place = "" if row.at is None else f" ({level_text(row.at)})"
            said.append(f"{row.id}, {in_plain_words(row.quantity)}{place}: not shown. {row.reason}")
    for entry in study.amendments:
        if entry["kind"] == "impact":
            said.append(
                f"{entry['column']}: expired {entry['old']} while the study ran; impact note {entry['number']} by "
                f"{entry['by']} is to be reviewed, and the new certificate to be entered in the next plan."
            )
    if rows and all(row.outcome == "not judged" for row in rows):
        said.append("No requirement is judged: freeze the plan before the readings of the next study.")
    return said


def _cut_away(row: RequirementResult, conclusion: Conclusion) -> bool:
    """Whether the level lies outside the range that is proposed anyway."""
    if not isinstance(row.at, float) or conclusion.range is None:
        return False
    low, high = conclusion.range
    return not low <= row.at <= high
