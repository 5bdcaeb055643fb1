"""Measurement uncertainty: top-down from what was measured, bottom-up from components, each counted once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from math import isfinite
from typing import Any

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics import _budget_checks as beside
from validation.characteristics._budgets import (
    BIAS,
    NO_REFERENCE_UNCERTAINTY,
    LevelBudget,
    Sources,
    answers,
    left_out,
    level_budget,
    measured_parts,
)
from validation.characteristics._precision_runs import EXPERIMENT, place_text, precision_runs, unit_text
from validation.stats.estimate import Estimate, OldEstimate
from validation.stats.monte_carlo import AgreementResult, MonteCarloResult, agreement, monte_carlo
from validation.stats.uncertainty import (
    COMBINED_SOURCE,
    EXPANDED_SOURCE,
    FUNCTION_SOURCE,
    Term,
    UncertaintyFunction,
    combine,
    measurement_model,
    uncertainty_function,
)
from validation.study.budget import Budget
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed, level_text, places_for, sentence_list, significant

NAME = "uncertainty"
BOTTOM_UP_SOURCE = "JCGM 100:2008, 5.1.2 (from memory), measurement model of one-point calibration"
#: Draws at each level: the ends of the interval are then known to a hundredth of u, which two digits need.
DRAWS = 200_000
SEED = 2008

TREATMENTS = {
    "enlarge": "Results are not corrected for the bias: the bias and its own uncertainty both enlarge the uncertainty.",
    "correct": "Results are taken as corrected for the bias, as the procedure says; its own uncertainty alone counts.",
    "restrict": (
        "Results are not corrected for the bias, and it does not enlarge the uncertainty: levels at which it exceeds "
        "twice its own uncertainty have no budget, and its own uncertainty counts at the others."
    ),
}


def evaluate(study: Study) -> Evaluation:
    """Both budgets at every level, the map between them, u as a function of the level, and what is not answered."""
    runs = precision_runs(study, NAME, with_reference=True)
    if isinstance(runs, Evaluation):
        return runs
    sources = Sources(study)
    if not sources.tested:
        said = "Every level was measured in one run only: without further runs there is no uncertainty of a result."
        return Evaluation(NAME, missing=said)
    budget = study.plan.uncertainty
    if budget is None:
        return Evaluation(NAME, missing=_measured_alone(study, sources))
    found, notes = _budgets(study, budget, sources)
    if not found:
        return Evaluation(NAME, missing=" ".join(notes) or "No level has an uncertainty budget.")
    function, function_notes = _function(found)
    found, general = _told_once(found)
    checklist = answers(study, budget, found[-1].components)
    unanswered = [question for question, _, answer in checklist if answer == "not answered"]
    if unanswered:
        notes.append(
            f"The plan does not answer: {sentence_list(unanswered)}. Give each a size, or a reason why it is "
            "negligible or not applicable."
        )
    if "u_level" not in study.experiments[EXPERIMENT].table:
        notes.append(NO_REFERENCE_UNCERTAINTY)
    notes = [TREATMENTS[budget.bias], *general, *notes, *function_notes, *_on_factors(study, budget, found)]
    quantities = [q for one in found for q in _quantities(one, study)]
    if function is not None:
        quantities += _function_quantities(function, found, study)
    details: dict[str, Any] = {}
    if not study.looked_at_otherwise:
        details = _details(study, budget, found, function, checklist, sources)
    return Evaluation(NAME, tuple(quantities), (), tuple(dict.fromkeys(notes)), details=details)


def _measured_alone(study: Study, sources: Sources) -> str:
    """What the sentence says that stands in place of a budget: the measured part, named as what it is."""
    places = [x for x in study.plan.study.customer_limits if sources.tested[0] <= x <= sources.tested[-1]]
    level = max(places) if places else sources.tested[-1]
    parts = measured_parts(sources, level, "enlarge", standard_is_component=False)
    said = "The plan has no block uncertainty: what each component brings, or why it brings nothing, is not stated."
    if parts is None:
        return said
    within, _, of_bias, standard, _, _ = parts
    u = combine([Term("within", within.value), *of_bias, *([standard] if standard else [])]).combined.value
    named = ["within-laboratory reproducibility", *(["bias"] if of_bias else []), *(["standard"] if standard else [])]
    return (
        f"{said} What this study measured in its runs ({sentence_list(named)}) makes a standard uncertainty of "
        f"{fixed(u, places_for(u))}{unit_text(study.unit)} at {place_text(level, study.unit)}; that is no uncertainty "
        "of a result, for oil, fuel and whatever else did not vary in the runs is not in it."
    )


def _budgets(study: Study, budget: Budget, sources: Sources) -> tuple[list[LevelBudget], list[str]]:
    found, notes = [], []
    for level in _levels(study, budget, sources):
        one = level_budget(study, budget, sources, level)
        if one is None:
            notes.append(f"Level {level_text(level)} lies outside the tested levels: no uncertainty is stated there.")
        elif left_out(budget, one):
            notes.append(
                f"Level {level_text(level)} has no uncertainty: its bias exceeds twice its own uncertainty, and the "
                "plan restricts the method to levels where it does not."
            )
        else:
            found.append(one)
    return found, notes


def _told_once(found: Sequence[LevelBudget]) -> tuple[list[LevelBudget], list[str]]:
    """What holds at every level is told of the chapter; the rest stays with its level."""
    every = [note for note in found[0].general if all(note in one.general for one in found)]
    left = [
        replace(one, general=(), notes=(*one.notes, *(note for note in one.general if note not in every)))
        for one in found
    ]
    return left, every


def _on_factors(study: Study, budget: Budget, found: Sequence[LevelBudget]) -> list[str]:
    """What holds for k and for the agreement at every level."""
    used = [str(one.result.coverage_df) for one in found if one.result.coverage_df is not None]
    said = f"k holds for a coverage probability of {100 * (budget.coverage or study.confidence):g} %"
    said += (
        f", with the effective degrees of freedom truncated to a whole number: {sentence_list(used)}" if used else ""
    )
    notes = [f"{said}."]
    if any(one.agreement is not None for one in found):
        notes.append("The interval of the agreement counts the degrees of freedom of the top-down budget alone.")
    return notes


def _levels(study: Study, budget: Budget, sources: Sources) -> list[float]:
    if budget.levels:
        return sorted(set(budget.levels))
    low, high = study.plan.study.range
    inside = [level for level in sources.tested if low <= level <= high]
    return sorted({*inside, *study.plan.study.customer_limits})


def _function(found: Sequence[LevelBudget]) -> tuple[UncertaintyFunction | None, list[str]]:
    """u(x) over the levels; levels at which the bias dominates bend it and are left out."""
    usable = [one for one in found if one.u > 0 and not one.bias_dominates]
    notes = []
    if len({abs(one.level) for one in usable}) < 2:
        usable = [one for one in found if one.u > 0]
    elif len(usable) < len(found):
        names = sentence_list([level_text(one.level) for one in found if one.bias_dominates])
        notes.append(
            f"At level {names} the bias makes up more than half of the variance: u as a function of the level is "
            "fitted without it, and holds for the levels below and between alone."
        )
    if len({abs(one.level) for one in usable}) < 2:
        return None, ["u as a function of the level needs a budget at two levels."]
    return uncertainty_function([one.level for one in usable], [one.u for one in usable]), notes


def _quantities(one: LevelBudget, study: Study) -> list[Quantity]:
    measured = one.within.quantities
    readings = tuple(dict.fromkeys(reading for q in measured for reading in q.readings))
    worksheet, censored = measured[0].worksheet, sum(q.censored for q in measured)
    units = [q.units for q in measured if q.units is not None]

    def quantity(
        key: str, estimate: OldEstimate, judged: OldEstimate | None = None, *, unit: str = study.unit
    ) -> Quantity:
        counted = OldEstimate(
            estimate.value,
            estimate.interval,
            estimate.confidence,
            None,
            estimate.degrees_of_freedom,
            len(readings),
            min(units) if units else None,
            (*estimate.notes, *one.notes),
            estimate.source,
        )
        return Quantity.from_estimate(
            f"{NAME}.{key}",
            one.level,
            counted,
            unit=unit,
            worksheet=worksheet,
            readings=readings,
            judged=judged,
            unit_name="runs",
            censored=censored,
        )

    result, judged = one.result, one.judged
    k = OldEstimate(
        result.coverage_factor,
        degrees_of_freedom=result.combined.degrees_of_freedom,
        source="JCGM 100:2008, G.4.1, G.6.4 (from memory)",
    )
    found = [
        quantity("combined", result.combined, judged.combined),
        quantity("expanded", result.expanded, judged.expanded),
        quantity("coverage_factor", k, unit="1"),
        quantity("measured_part", one.measured.combined),
    ]
    if one.bottom_up is not None:
        df = one.bottom_up.effective_df
        bottom = OldEstimate(
            one.bottom_up.combined,
            degrees_of_freedom=df if isfinite(df) else None,
            notes=one.bottom_up.notes,
            source=BOTTOM_UP_SOURCE,
        )
        found.append(quantity("bottom_up", bottom))
        if one.agreement is not None:
            found.append(
                quantity("agreement", _agreement(one, result.combined), _agreement(one, judged.combined), unit="1")
            )
    return found


def _agreement(one: LevelBudget, combined: OldEstimate) -> OldEstimate:
    """Bottom-up over top-down; the interval is that of the top-down budget, the bottom-up one taken as stated."""
    bottom = 0.0 if one.bottom_up is None else one.bottom_up.combined
    ends = combined.interval
    return OldEstimate(
        bottom / combined.value,
        None if ends is None else (bottom / ends[1], bottom / ends[0]),
        combined.confidence,
        degrees_of_freedom=combined.degrees_of_freedom,
        source="ratio of the two combined uncertainties (common practice, no source)",
    )


def _function_quantities(function: UncertaintyFunction, found: Sequence[LevelBudget], study: Study) -> list[Quantity]:
    readings = dict.fromkeys(r for one in found for q in one.within.quantities for r in q.readings)
    note = (
        f"Fitted through {function.n_levels} levels, from which it departs by "
        f"{100 * function.largest_departure:.0f} % at most."
    )
    return [
        Quantity(
            key=f"{NAME}.{key}",
            at=None,
            estimate=Estimate(value, n=len(readings), units=function.n_levels, notes=(note,), source=FUNCTION_SOURCE),
            level=study.confidence,
            unit=unit,
            worksheet=found[0].within.quantities[0].worksheet,
            readings=tuple(readings),
            unit_name="levels",
        )
        for key, value, unit in (
            ("constant", function.constant, study.unit),
            ("proportional", function.proportional, "1"),
        )
    ]


# What the chapter shows ------------------------------------------------------------------------------------------


def _details(
    study: Study,
    budget: Budget,
    found: Sequence[LevelBudget],
    function: UncertaintyFunction | None,
    checklist: Sequence[tuple[str, str, str]],
    sources: Sources,
) -> dict[str, Any]:
    focus = _focus(study, found)
    checks, sharing = beside.checks(focus, sources, study.unit), beside.shared(focus, sources)
    drawn = {one.level: _drawn(one, budget.coverage or study.confidence) for one in found if one.bottom_up is not None}
    return {
        "focus": focus.level,
        "treatment": budget.bias,
        "coverage": budget.coverage or study.confidence,
        "limits": [one.level for one in found if one.level in study.plan.study.customer_limits],
        "groups": [
            {"name": g.name, "top_down": g.top_down, "bottom_up": g.bottom_up, "parts": list(g.parts)}
            for g in focus.groups
        ],
        "bottom_up_parts": [
            {"name": part.name, "u": abs(part.contribution)}
            for part in (focus.bottom_up.parts if focus.bottom_up is not None else ())
        ],
        "levels": [_shown(one) for one in found],
        "function": None if function is None else _curve(function, found),
        "gap": _gap(focus, study.unit),
        "omission": _omission(focus),
        "checks": [asdict(check) for check in checks],
        "shared": beside.shared_details(sharing),
        "used_oils": beside.used_oils(found, focus, sources),
        "unanswered": [question for question, _, answer in checklist if answer == "not answered"],
        "checklist": [list(row) for row in checklist],
        "monte_carlo": None if focus.level not in drawn else _compared(focus, *drawn[focus.level]),
        "tables": [
            _map_table(focus, study.unit),
            _top_down_table(found),
            _bias_table(found),
            _drawn_table(found, drawn),
            _checklist_table(checklist),
            *([beside.checks_table(checks)] if checks else []),
            *([beside.shared_table(sharing, focus, study.unit, study.confidence)] if sharing else []),
        ],
    }


def _focus(study: Study, found: Sequence[LevelBudget]) -> LevelBudget:
    """The level whose budget is shown part by part: the highest customer limit, else the highest level."""
    limits = [one for one in found if one.level in study.plan.study.customer_limits]
    return (limits or list(found))[-1]


def _shown(one: LevelBudget) -> dict[str, Any]:
    interval = one.result.combined.interval
    return {
        "at": one.level,
        "tested": one.tested,
        "combined": one.u,
        "interval": None if interval is None else list(interval),
        "expanded": one.result.expanded.value,
        "measured_part": one.measured.combined.value,
        "bottom_up": None if one.bottom_up is None else one.bottom_up.combined,
        "bias_dominates": one.bias_dominates,
    }


def _curve(function: UncertaintyFunction, found: Sequence[LevelBudget]) -> dict[str, Any]:
    fitted = [one.level for one in found if not one.bias_dominates] or [one.level for one in found]
    top = max(fitted)
    x = [top * step / 40 for step in range(41)]
    return {
        "constant": function.constant,
        "proportional": function.proportional,
        "x": x,
        "u": [function.at(value) for value in x],
    }


def _omission(one: LevelBudget) -> dict[str, Any] | None:
    """The expanded uncertainty without what did not vary in the runs; None where nothing else stands in the budget."""
    names = [c.name for c in one.components if c.part_of is None]
    if not names:
        return None
    return {"names": names, "without": _measured_expanded(one), "with": one.result.expanded.value}


def _measured_expanded(one: LevelBudget) -> float:
    """The measured part times the k of the whole budget: its own k would hide part of what is left out."""
    return one.result.coverage_factor * one.measured.combined.value


def _gap(one: LevelBudget, unit: str) -> str:
    """Where the two budgets differ, in a sentence."""
    if one.agreement is None:
        return "There is no bottom-up budget: the plan names no component with a size."
    total = (
        f"At {place_text(one.level, unit)} the bottom-up budget gives {100 * one.agreement:.0f} % of the top-down one"
    )
    widest = max(one.groups, key=lambda group: abs(group.difference), default=None)
    if widest is None or abs(widest.difference) < 1e-4 * one.u**2:
        return f"{total}; no line of the map differs."

    def size(value: float | None) -> str:
        return "nothing" if value is None else f"{fixed(value, places_for(one.u) + 1)}{unit_text(unit)}"

    why = "; the measurement model takes the calibration as a straight line through zero" if widest.name == BIAS else ""
    return (
        f"{total}. The widest difference lies in the line {widest.name}: top-down {size(widest.top_down)}, bottom-up "
        f"{size(widest.bottom_up)}{why}."
    )


def _drawn(one: LevelBudget, coverage: float) -> tuple[MonteCarloResult, AgreementResult]:
    assert one.bottom_up is not None
    model = measurement_model(one.level, one.places)
    result = monte_carlo(model, one.bottom_up_inputs, draws=DRAWS, seed=SEED, confidence=coverage)
    return result, agreement(one.bottom_up, result)


def _compared(one: LevelBudget, result: MonteCarloResult, verdict: AgreementResult) -> dict[str, Any]:
    return {
        "propagated": None if one.bottom_up is None else list(one.bottom_up.interval),
        "drawn": list(result.symmetric),
        "difference": max(verdict.low, verdict.high),
        "tolerance": verdict.tolerance,
        "agrees": verdict.agrees,
        "u": result.standard_uncertainty,
    }


def _map_table(one: LevelBudget, unit: str) -> dict[str, Any]:
    rows: list[list[Any]] = [
        [g.name, g.top_down, ", ".join(g.parts) or "none named", g.bottom_up, g.remark] for g in one.groups
    ]
    bottom = None if one.bottom_up is None else one.bottom_up.combined
    rows.append(["all together", one.u, "", bottom, "" if one.agreement is None else f"ratio {one.agreement:.2f}"])
    k = one.result.coverage_factor
    rows.append([f"times k = {k:.2f}", one.result.expanded.value, "", None if bottom is None else k * bottom, ""])
    caption = f"Map of the two budgets at {place_text(one.level, unit)}: each component counted once on each side"
    head = ["component", "top-down u", "single components in it", "bottom-up u", "remark"]
    return {"caption": caption, "head": head, "rows": rows}


def _top_down_table(found: Sequence[LevelBudget]) -> dict[str, Any]:
    names = list(dict.fromkeys(g.name for one in found for g in one.groups if g.top_down is not None))
    rows = []
    for one in found:
        sizes = {g.name: g.top_down for g in one.groups}
        last = [one.u, one.result.expanded.value, _measured_expanded(one)]
        rows.append([level_text(one.level), *(sizes.get(name) for name in names), *last])
    head = ["level", *names, "u", "U", "U of the measured part alone"]
    return {"caption": "Top-down budget over the levels", "head": head, "rows": rows}


def _bias_table(found: Sequence[LevelBudget]) -> dict[str, Any]:
    rows = []
    for one in found:
        if one.bias is None:
            continue
        u = one.bias.uncertainty
        zeta = one.bias.value / u if u else None
        share = sum(t.standard_uncertainty**2 for t in one.bias_terms) / one.u**2 if one.u else None
        rows.append([level_text(one.level), one.bias.value, u, zeta, share])
    head = ["level", "bias", "its standard uncertainty", "bias over its uncertainty", "share of the variance"]
    return {"caption": "Bias and its own uncertainty over the levels", "head": head, "rows": rows}


def _drawn_table(
    found: Sequence[LevelBudget], drawn: dict[float, tuple[MonteCarloResult, AgreementResult]]
) -> dict[str, Any]:
    rows = []
    for one in found:
        if one.bottom_up is None or one.level not in drawn:
            continue
        result, verdict = drawn[one.level]
        low, high = one.bottom_up.interval
        said = "within the tolerance" if verdict.agrees else "beyond the tolerance"
        rows.append(
            [
                level_text(one.level),
                one.bottom_up.combined,
                result.standard_uncertainty,
                f"{significant(low, 4)} to {significant(high, 4)}",
                f"{significant(result.symmetric[0], 4)} to {significant(result.symmetric[1], 4)}",
                said if verdict.resolved else f"{said}, on the edge of what the draws can tell",
            ]
        )
    head = [
        "level",
        "u, propagation",
        "u, Monte Carlo",
        "interval, propagation",
        "interval, Monte Carlo",
        "ends differ",
    ]
    return {"caption": "Bottom-up budget by propagation and by Monte Carlo", "head": head, "rows": rows}


def _checklist_table(checklist: Sequence[tuple[str, str, str]]) -> dict[str, Any]:
    rows = [list(row) for row in checklist]
    return {"caption": "What the budget answers", "head": ["component", "what it is", "answer"], "rows": rows}


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    if evaluation.missing:
        return [evaluation.missing]
    details, of, sentences = evaluation.details, unit_text(unit), _expanded_words(evaluation, unit)
    groups = [g for g in details.get("groups", ()) if g["top_down"]]
    if groups:
        total = sum(g["top_down"] ** 2 for g in groups)
        largest = max(groups, key=lambda g: g["top_down"])
        sentences.append(
            f"At {place_text(details['focus'], unit)} the largest part is the {largest['name']}, with "
            f"{100 * largest['top_down'] ** 2 / total:.0f} % of the variance."
        )
    if details.get("gap"):
        sentences.append(details["gap"])
    omitted = details.get("omission")
    if omitted and omitted["names"]:
        places = places_for(omitted["with"])
        sentences.append(
            f"Without what did not vary in the runs ({sentence_list(omitted['names'])}) it would be "
            f"{fixed(omitted['without'], places)}{of} instead of {fixed(omitted['with'], places)}{of} at "
            f"{place_text(details['focus'], unit)}: repeating a measurement does not show it."
        )
    sentences += beside.checks_words(details.get("checks", ()))
    if details.get("shared"):
        at = details["focus"]
        expanded = evaluation.get(f"{NAME}.expanded", at)
        known = 0.0 if expanded is None else expanded.value or 0.0
        sentences += beside.shared_words(details["shared"], at, known, unit)
    sentences += beside.used_oil_words(details.get("used_oils"), unit)
    function = details.get("function")
    if function:
        sentences.append(
            f"Over the levels u follows the root of {significant(function['constant'], 2)}² + "
            f"({significant(function['proportional'], 2)} × level)²."
        )
    drawn = details.get("monte_carlo")
    if drawn:
        places = places_for(drawn["u"]) + 1
        first, second = (
            " to ".join(fixed(end, places) for end in ends) for ends in (drawn["drawn"], drawn["propagated"])
        )
        verdict = (
            "they agree in the two digits of u that count"
            if drawn["agrees"]
            else f"they differ by up to {fixed(drawn['difference'], places)}{of}, beyond half a unit of the second "
            "digit of u; the one by Monte Carlo, which keeps the shape of each component, holds"
        )
        sentences.append(
            f"At {place_text(details['focus'], unit)} the bottom-up interval is {first}{of} by Monte Carlo and "
            f"{second}{of} by propagation: {verdict}."
        )
    for question, _, answer in details.get("checklist", ()):
        if question == "sampling" and answer != "not answered":
            sentences.append(f"Sampling, {answer}.")
    return sentences


def _expanded_words(evaluation: Evaluation, unit: str) -> list[str]:
    """U at the customer's limits, and how far it runs over the levels; the table has every level."""
    details, of = evaluation.details, unit_text(unit)
    known = [q for q in evaluation.quantities if q.key == f"{NAME}.expanded" and q.value is not None]
    if not known:
        return []
    named = [q for q in known if q.at in details.get("limits", ())] or known[-1:]

    def size(q: Quantity) -> str:
        u = evaluation.get(f"{NAME}.combined", q.at)
        return f"{fixed(q.value or 0.0, places_for((u.value if u is not None else None) or q.value or 0.0))}{of}"

    parts = []
    for q in named:
        k = evaluation.get(f"{NAME}.coverage_factor", q.at)
        factor = "" if k is None or k.value is None else f" (k = {fixed(k.value, 2)})"
        parts.append(f"{size(q)}{factor} at {place_text(q.at, unit)}")
    coverage = f", for a coverage of {100 * details['coverage']:g} %" if "coverage" in details else ""
    said = [f"The expanded uncertainty of a result is {sentence_list(parts)}{coverage}."]
    if len(known) > len(named):
        low, high = known[0], known[-1]
        said.append(
            f"Over the levels it runs from {size(low)} at {place_text(low.at, unit)} to {size(high)} at "
            f"{place_text(high.at, unit)}."
        )
    return said


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Measurement uncertainty",
    position=170,
    experiment=EXPERIMENT,
    method=(
        "Top-down: within-laboratory reproducibility s_I, the bias with its own uncertainty, the standard, and the "
        "components of the plan that did not vary in the runs, joined by root sum of squares. Calibration noise is "
        "in s_I and counted there alone.",
        "Bottom-up: the content of the standard, times the sample's reading over the standard's, times one factor for "
        "each further component; no blank reading is subtracted. By the law of propagation and by Monte Carlo, on the "
        "plan's components.",
        "A map sets the two side by side, component by component; a component that the study measured as part of a "
        "whole counts in the bottom-up budget alone.",
        "k is Student's t for the effective degrees of freedom (Welch-Satterthwaite), truncated to a whole number. "
        "The interval of u joins those of its measured parts (modified large sample); what the plan states counts as "
        "known.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.combined",
            "combined standard uncertainty of a result, top-down",
            "u",
            "u^2 = s_I^2 + b^2 + u_b^2 + u_std^2 + sum(u_i^2), b the bias, u_i what did not vary in the runs",
            COMBINED_SOURCE,
            "level",
            "study",
            ("upper bound", "point"),
            None,
            ("Nordtest TR 537, ammonium in water", "JCGM 100:2008, G.4.1 and H.1"),
        ),
        KeyInfo(
            f"{NAME}.expanded",
            "expanded uncertainty of a result, top-down",
            "U",
            "U = k u",
            EXPANDED_SOURCE,
            "level",
            "study",
            ("upper bound", "point"),
            None,
            ("Nordtest TR 537, ammonium in water", "JCGM 100:2008, G.4.1 and H.1"),
        ),
        KeyInfo(
            f"{NAME}.coverage_factor",
            "coverage factor for the effective degrees of freedom",
            "k",
            "k = t((1 + p) / 2, ν_eff), ν_eff = u^4 / sum(u_i^4 / ν_i), truncated",
            "JCGM 100:2008, G.4.1, G.6.4 (from memory)",
            "level",
            "1",
            (),
            None,
            ("JCGM 100:2008, G.4.1 and H.1",),
        ),
        KeyInfo(
            f"{NAME}.measured_part",
            "standard uncertainty of what varied in the runs alone; not the uncertainty of a result",
            "u_run",
            "u_run^2 = s_I^2 + b^2 + u_b^2 + u_std^2",
            COMBINED_SOURCE,
            "level",
            "study",
        ),
        KeyInfo(
            f"{NAME}.bottom_up",
            "combined standard uncertainty of a result, bottom-up",
            "u'",
            "u'^2 = sum(c_i u_i)^2, c_i the derivatives of x = x_std (S - S_b) / (S_std - S_b) f_1 f_2 ...",
            BOTTOM_UP_SOURCE,
            "level",
            "study",
            ("point",),
            None,
            ("JCGM 100:2008, H.1 and H.2", "JCGM 101:2008, 9.2 to 9.5"),
        ),
        KeyInfo(
            f"{NAME}.agreement",
            "bottom-up over top-down combined uncertainty",
            "u'/u",
            "u'/u, its interval from that of u, the bottom-up budget taken as known",
            "ratio of the two combined uncertainties (common practice, no source)",
            "level",
            "1",
            ("equivalence", "point"),
        ),
        KeyInfo(
            f"{NAME}.constant",
            "part of u that does not grow with the level",
            "s_0",
            "s_0 from u(x)^2 = s_0^2 + (s_1 x)^2, weighted least squares over the levels",
            FUNCTION_SOURCE,
            "none",
            "study",
        ),
        KeyInfo(
            f"{NAME}.proportional",
            "growth of u with the level, far from zero",
            "s_1",
            "s_1 from the same fit",
            FUNCTION_SOURCE,
            "none",
            "1",
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("budget_parts", "uncertainty_by_level"),
    also_reads=("reproducibility", "ruggedness", "fuel"),
)
