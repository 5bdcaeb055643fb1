"""The fitness statement: what holds at once, for which grades and fuels, on which terms, and what stays open.

It is the intersection of everything that was judged. Nothing here estimates; a person signs, the program proposes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from validation.judging.actions import Action, numbered
from validation.judging.conclusion import Conclusion, NotEvaluated, in_plain_words, range_text
from validation.judging.requirements import RequirementResult
from validation.study.experiments import EXPERIMENTS, Compared
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed, level_text, places_for, sentence_list, significant, with_interval

Standing = Literal["own standard of this study", "common standard", "own standard needed", "excluded from the scope"]


@dataclass(frozen=True, slots=True)
class Material:
    """One oil grade or fuel blend, and how the scope treats it; `range` where it may be reported, None for nowhere."""

    kind: str
    name: str
    standing: Standing
    reason: str
    range: tuple[float, float] | None = None

    @property
    def inside(self) -> bool:
        """Whether a sample of it may be reported under this validation."""
        return self.standing in ("own standard of this study", "common standard")

    def to_dict(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "name": self.name,
            "standing": self.standing,
            "reason": self.reason,
            "range": None if self.range is None else list(self.range),
        }


@dataclass(frozen=True, slots=True)
class Fitness:
    """`results.json` `fitness`: the scope, the terms on which it holds, and what is left to do.

    `terms` are tolerances of the procedure and terms of use of standards, each from a verdict; `actions` what a
    person still has to decide or supply; `scope` wording for a schedule of accreditation, to be edited by people.
    """

    statement: str
    materials: tuple[Material, ...]
    terms: tuple[str, ...]
    actions: tuple[Action, ...]
    scope: str
    outside: tuple[str, ...]

    @property
    def open_actions(self) -> tuple[str, ...]:
        """The actions in words."""
        return tuple(action.text for action in self.actions)

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
    *,
    further: Sequence[tuple[str, str]] = (),
) -> Fitness:
    """Put verdicts and conclusion together.

    Parameters
    ----------
    study, evaluations : as judged
    rows : the verdict rows
    conclusion : the proposed conclusion, whose range is the range of the scope
    absent : what was not evaluated
    further : actions that do not come from verdicts, each as its source and its text
    """
    materials = tuple(
        replace(material, range=_range_of(material, study, conclusion) if material.inside else None)
        for chapter, compared in _comparisons().items()
        for material in _materials(study, chapter, compared, rows, evaluations)
    )
    termed = {row: term for row in rows if (term := _term(row, evaluations, study)) is not None}
    return Fitness(
        statement=_statement(study, materials, conclusion),
        materials=materials,
        terms=tuple(termed.values()),
        actions=numbered([*_open([row for row in rows if row not in termed], absent, conclusion, study), *further]),
        scope=_scope(study, materials, conclusion),
        outside=tuple(_outside(study, materials, conclusion)),
    )


# ------------------------------------------------------------------------------------------------ grades and fuels


def _comparisons() -> dict[str, Compared]:
    """The chapters that compare materials."""
    return {name: record.compares for name, record in EXPERIMENTS.items() if record.compares is not None}


def _materials(
    study: Study,
    chapter: str,
    compared: Compared,
    rows: Sequence[RequirementResult],
    evaluations: Mapping[str, Evaluation],
) -> list[Material]:
    kind, keys = compared.kind, compared.keys
    own = getattr(study.plan.study, kind)
    evaluation = evaluations.get(chapter)
    materials = [] if own is None else [Material(kind, own, "own standard of this study", f"the {kind} of this study")]
    if evaluation is None or evaluation.missing:
        return materials
    # The slope of the reference comes first; only the others have a ratio.
    reference = next((str(q.at) for q in evaluation.judged if q.key == f"{chapter}.slope"), None)
    if own is None and reference:
        materials.append(Material(kind, reference, "own standard of this study", f"the {kind} the others are held to"))
    # A used oil of the study's own grade is the study's own matrix: the chapter compares it, the scope has it already.
    names = [
        name
        for q in evaluation.judged
        if q.key == keys[0] and (name := str(q.at)) != own and not name.startswith(f"{own}, ")
    ]
    return materials + [_material(name, compared, rows, evaluation) for name in dict.fromkeys(names)]


def _material(name: str, compared: Compared, rows: Sequence[RequirementResult], evaluation: Evaluation) -> Material:
    kind, keys = compared.kind, compared.keys
    own = [row for row in rows if row.at == name and row.quantity in keys]
    slopes = [row for row in own if row.quantity == keys[0]]
    others = [row for row in own if row.quantity != keys[0]]
    size = _size(evaluation.get(keys[0], name))
    if not slopes:
        reason = f"{size}; the plan sets no requirement on its slope ratio, so nothing admits it"
        return Material(kind, name, "excluded from the scope", reason)
    outcomes = sentence_list([f"{row.id} {row.outcome}" for row in own])
    if all(row.outcome == "met" for row in own):
        return Material(kind, name, "common standard", f"{size}: {outcomes}")
    if not compared.own_standard:
        return Material(kind, name, "excluded from the scope", f"{size}: {outcomes}")
    if any(row.outcome == "not met" for row in slopes) and all(row.outcome == "met" for row in others):
        reason = f"{size}: {outcomes}; with a standard of its own it could be validated in a study of its own"
        return Material(kind, name, "own standard needed", reason)
    return Material(kind, name, "excluded from the scope", f"{size}: {outcomes}")


def _range_of(material: Material, study: Study, conclusion: Conclusion) -> tuple[float, float] | None:
    """The proposed range, for another grade or fuel no further than it was read itself."""
    if conclusion.range is None or material.standing != "common standard":
        return conclusion.range
    chapter = next(name for name, compared in _comparisons().items() if compared.kind == material.kind)
    data = study.ready(chapter)
    if data is None or not data.numeric_levels or material.kind not in data.table:
        return conclusion.range
    levels = data.table.loc[data.table[material.kind] == material.name, "level"]
    if levels.empty:  # read as a material within a grade, such as a used oil
        return conclusion.range
    low, high = max(conclusion.range[0], float(levels.min())), min(conclusion.range[1], float(levels.max()))
    return (low, high) if low <= high else None


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
        return _purge(row, evaluations.get("carry_over"))
    if chapter == "stability" and name in ("change", "expiry"):
        return _use_by(row, evaluations["stability"])
    if row.quantity == "lots.response_ratio":
        meaning = (
            "may replace the reference lot" if row.outcome == "met" else "these readings do not support its release"
        )
        return f"Lot {row.at}: {meaning}; its step is {row.outcome} ({row.id})."
    return None


def _purge(row: RequirementResult, evaluation: Evaluation | None) -> str:
    """Carry-over at one setting, and after which samples the limit would still be kept."""
    head = "carry-over" if row.at == "all" else f"carry-over at {row.at}"
    effect, share, reach = (
        None if evaluation is None else evaluation.get(f"carry_over.{name}", row.at)
        for name in ("effect", "share", "reach")
    )
    if effect is not None and share is not None and share.value != 0:
        # The share is the effect over the mean high result.
        head += f" after samples near {fixed(effect.value / share.value, 1)} {effect.unit}"
    text = f"{head}: {row.outcome} ({row.id})"
    if row.outcome != "met" and row.quantity.endswith("effect") and reach is not None:
        size = f"{significant(reach.value, 2)} {reach.unit}"
        text += f"; by the bound of the share the limit is kept after samples up to about {size}"
    return f"{text}."


def _tolerance(row: RequirementResult, study: Study) -> str:
    """What a factor does between its settings, and how far it may go for the limit to be kept."""
    experiment = study.plan.experiments.get("ruggedness")
    factors = {} if experiment is None else experiment.settings.get("factors", {})
    settings = factors.get(str(row.at))
    between = f"from {settings['low']} to {settings['high']}" if settings else "from low to high"
    value, span = _effect_text(row, row.quantity.endswith("relative_effect"))
    moved = f"{row.at}: {between} the result moves by {value}" + (f" ({span})" if span else "")
    if row.outcome == "met":
        return f"{moved}; {row.id} met, so it may vary between the two."
    return f"{moved}; {row.id} {row.outcome}.{_allowed_part(row, settings)}"


def _allowed_part(row: RequirementResult, settings: Mapping[str, str] | None) -> str:
    """How much of the step between two numeric settings would keep the limit, were the effect proportional."""
    if not settings or not row.interval or not row.limit:
        return ""
    low, high = (re.fullmatch(r"([+-]?[0-9]+(?:\.[0-9]+)?)\s*(.*)", settings[end]) for end in ("low", "high"))
    if low is None or high is None or low[2] != high[2]:
        return ""
    step, worst = abs(float(high[1]) - float(low[1])), max(abs(end) for end in row.interval)
    if worst <= row.limit or step == 0:
        return ""
    part = step * row.limit / worst
    size = fixed(part, places_for(part, 2))
    return f" Were the effect proportional, its bound would keep the limit over {size} {high[2]}."


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
    days = "" if expiry is None or expiry.value is None else f"shown for {fixed(int(expiry.value), 0)} days"
    if row.outcome == "met":
        more = f"; {days}" if days else ""
        return f"Standard, {row.at}: the change over the planned time stays inside its limit ({row.id} met){more}."
    kept = days or "no time of use is shown"
    return f"Standard, {row.at}: {kept}; the change over the planned time is {row.outcome} ({row.id})."


# -------------------------------------------------------------------------------------------- statement and scope


def _own(materials: Sequence[Material], kind: str) -> str:
    return next(
        (item.name for item in materials if item.kind == kind and item.standing == "own standard of this study"), ""
    )


def _shared(materials: Sequence[Material], kind: str) -> list[Material]:
    return [item for item in materials if item.kind == kind and item.standing == "common standard" and item.range]


def _excluded(materials: Sequence[Material]) -> list[str]:
    return [material.name for material in materials if not material.inside]


def _either(names: Sequence[str]) -> str:
    return sentence_list(list(names)).replace(" and ", " or ")


def _pairs(study: Study, materials: Sequence[Material]) -> list[str]:
    """ "OG-K with FB-7 (from 0.5 to 5 %)": grades were read with the study's fuel, fuels in the study's grade."""
    grade, fuel = _own(materials, "grade"), _own(materials, "fuel")
    pairs = []
    for kind in ("grade", "fuel"):
        for item in _shared(materials, kind):
            assert item.range is not None
            pair = (item.name, fuel) if kind == "grade" else (grade, item.name)
            pairs.append(f"{' with '.join(name for name in pair if name)} ({range_text(item.range)} {study.unit})")
    return pairs


def _statement(study: Study, materials: Sequence[Material], conclusion: Conclusion) -> str:
    if conclusion.range is None:
        return f"The readings support no range of use; proposed: {conclusion.outcome}."
    over = f"{range_text(conclusion.range)} {study.unit}"
    grade, fuel = _own(materials, "grade"), _own(materials, "fuel")
    of = (f" for grade {grade}" if grade else "") + (f" with fuel {fuel}" if fuel else "")
    sentences = [f"Proposed: {conclusion.outcome}{of}, {over}, on the terms below."]
    pairs = _pairs(study, materials)
    if pairs:
        sentences.append(f"Under the same standard also {sentence_list(pairs)}.")
    grades, fuels = _shared(materials, "grade"), _shared(materials, "fuel")
    if grades and fuels:
        unread = [f"{a.name} with {b.name}" for a in grades for b in fuels]
        sentences.append(f"Not read, and so outside: {_either(unread)}.")
    out = _excluded(materials)
    if out:
        sentences.append(f"Outside the scope: {sentence_list(out)}.")
    return " ".join(sentences)


def _scope(study: Study, materials: Sequence[Material], conclusion: Conclusion) -> str:
    """Wording for a schedule of accreditation: measurand, materials, range, procedure."""
    if conclusion.range is None or conclusion.outcome not in ("fit", "fit with restrictions"):
        return ""
    facts = study.plan.study
    low, high = (level_text(end) for end in conclusion.range)
    grade, fuel = _own(materials, "grade"), _own(materials, "fuel")
    pairs = _pairs(study, materials)
    parts = [
        f"Measurand: {facts.measurand}",
        f"Oil grade: {grade}" if grade else "",
        f"Fuel: {fuel}" if fuel else "",
        f"Range: {low} {facts.unit} to {high} {facts.unit}",
        f"Under the same standard: {sentence_list(pairs)}" if pairs else "",
        f"Procedure: {facts.procedure.partition(':')[0]} (in-house)" if facts.procedure else "",
    ]
    return "; ".join(part for part in parts if part) + "."


def _outside(study: Study, materials: Sequence[Material], conclusion: Conclusion) -> list[str]:
    """How a result outside the scope may be reported."""
    if conclusion.range is None:
        return []
    low, high = (level_text(end) for end in conclusion.range)
    sentences = [
        f"Below {low} {study.unit}: reported as less than {low} {study.unit}.",
        f"Above {high} {study.unit}: reported as more than {high} {study.unit}; a number given with it is indicative "
        "only.",
    ]
    out = _excluded(materials)
    if out:
        sentences.append(
            f"A sample of {_either(out)}, or of a grade or fuel that is not known, is reported outside the scope "
            "or not at all."
        )
    return sentences


def _open(
    rows: Sequence[RequirementResult], absent: Sequence[NotEvaluated], conclusion: Conclusion, study: Study
) -> list[tuple[str, str]]:
    """What a person still has to supply or to decide, as source and text; a term of use or a narrower range has
    settled the rest."""
    actions = [
        ("not evaluated", f"{item.title}: neither evaluated nor excused; supply the readings or a reason.")
        for item in absent
        if not item.excused
    ]
    for row in rows:
        if row.outcome == "not shown" and not _cut_away(row, conclusion):
            actions.append((row.id, f"{row.id}, {in_plain_words(row.quantity)}{_place(row)}: not shown. {row.reason}"))
    for entry in study.amendments:
        if entry["kind"] == "impact":
            text = (
                f"{entry['column']}: expired {entry['old']} while the study ran; impact note {entry['number']} by "
                f"{entry['by']} is to be reviewed, and the new certificate to be entered in the next plan."
            )
            actions.append((f"amendment {entry['number']}", text))
    if rows and all(row.outcome == "not judged" for row in rows):
        actions.append(
            ("plan.lock", "No requirement is judged: freeze the plan before the readings of the next study.")
        )
    return actions


def _place(row: RequirementResult) -> str:
    """ " at 4 %", " (S-02)"; nothing for the study as a whole."""
    if isinstance(row.at, float):
        return f" at {level_text(row.at)}" + ("" if row.unit in ("", "1") else f" {row.unit}")
    return "" if row.at is None else f" ({row.at})"


def _cut_away(row: RequirementResult, conclusion: Conclusion) -> bool:
    """Whether the level is outside the range that is proposed anyway."""
    if not isinstance(row.at, float) or conclusion.range is None:
        return False
    low, high = conclusion.range
    return not low <= row.at <= high
