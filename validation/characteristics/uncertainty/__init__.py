"""Measurement uncertainty: top-down from what was measured, bottom-up from components, each counted once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._precision_runs import EXPERIMENT, place_text, precision_runs, unit_text
from validation.characteristics.uncertainty.budgets import (
    NO_REFERENCE_UNCERTAINTY,
    LevelBudget,
    answers,
    left_out,
    level_budget,
    measured_parts,
)
from validation.characteristics.uncertainty.display import Budgets, display
from validation.characteristics.uncertainty.sources import Sources
from validation.figures.uncertainty import UncertaintyView
from validation.stats.confidence import Reciprocal
from validation.stats.estimate import Estimate
from validation.stats.uncertainty import (
    COMBINED_SOURCE,
    EXPANDED_SOURCE,
    FUNCTION_SOURCE,
    UncertaintyFunction,
    combine,
    uncertainty_function,
)
from validation.study.budget import Budget
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed, level_text, places_for, sentence_list

NAME = "uncertainty"
BOTTOM_UP_SOURCE = "JCGM 100:2008, 5.1.2 (from memory), measurement model of one-point calibration"
K_SOURCE = "JCGM 100:2008, G.4.1, G.6.4 (from memory)"
DEPENDS_ON = (
    *("repeatability", "intermediate_precision", "trueness", "reproducibility", "detection", "matrix", "fuel"),
    *("ruggedness", "standards"),
)

TREATMENTS = {
    "enlarge": "Results are not corrected for the bias: the bias and its own uncertainty both enlarge the uncertainty.",
    "correct": "Results are taken as corrected for the bias, as the procedure says; its own uncertainty alone counts.",
    "restrict": (
        "Results are not corrected for the bias, and it does not enlarge the uncertainty: levels at which it exceeds "
        "twice its own uncertainty have no budget, and its own uncertainty counts at the others."
    ),
}


def evaluate(study: Study, *others: Evaluation) -> Evaluation:
    """Both budgets at every level, the map between them, u as a function of the level, and what is not answered.

    `others` are the evaluations of `DEPENDS_ON`, in that order.
    """
    budgets = budgets_of(study, *others)
    if isinstance(budgets, Evaluation):
        return budgets
    quantities = [q for one in budgets.levels for q in _quantities(one, study)]
    if budgets.function is not None:
        quantities += _function_quantities(budgets.function, budgets.levels, study)
    return Evaluation(NAME, tuple(quantities), (), budgets.notes, show=lambda: display(budgets))


def budgets_of(study: Study, *others: Evaluation) -> Budgets | Evaluation:
    """The budgets of the study, or the evaluation that says why there is none."""
    runs = precision_runs(study, NAME, with_reference=True)
    if isinstance(runs, Evaluation):
        return runs
    sources = Sources(study, {evaluation.name: evaluation for evaluation in others})
    if not sources.tested:
        few = "Every level was measured in one run only: without further runs there is no uncertainty of a result."
        return Evaluation(NAME, missing=few)
    budget = study.plan.uncertainty
    if budget is None:
        return Evaluation(NAME, missing=_measured_alone(study, sources))
    levels, notes = _budgets(study, budget, sources)
    if not levels:
        return Evaluation(NAME, missing=" ".join(notes) or "No level has an uncertainty budget.")
    function, function_notes = _function(levels)
    levels, general = _told_once(levels)
    checklist = tuple(answers(study, budget, levels[-1].components))
    unanswered = [question for question, _, answer in checklist if answer == "not answered"]
    if unanswered:
        notes.append(
            f"The plan does not answer: {sentence_list(unanswered)}. Give each a size, or a reason why it is "
            "negligible or not applicable."
        )
    if "u_level" not in runs.data.table:
        notes.append(NO_REFERENCE_UNCERTAINTY)
    notes = [TREATMENTS[budget.bias], *general, *notes, *function_notes, *_on_factors(study, budget, levels)]
    return Budgets(budget, sources, tuple(levels), function, checklist, tuple(notes))


def _measured_alone(study: Study, sources: Sources) -> str:
    """What the sentence says that stands in place of a budget: the measured part, named as what it is."""
    places = [x for x in study.plan.study.customer_limits if sources.tested[0] <= x <= sources.tested[-1]]
    level = max(places) if places else sources.tested[-1]
    parts = measured_parts(sources, level, Budget())
    lacking = "The plan has no block uncertainty: what each component brings, or why it brings nothing, is not stated."
    if parts is None:
        return lacking
    u = combine(parts.terms).combined.value
    named = ["within-laboratory reproducibility"]
    named += [name for name, there in (("bias", parts.bias_terms), ("standard", parts.standard)) if there]
    return (
        f"{lacking} What this study measured in its runs ({sentence_list(named)}) makes a standard uncertainty of "
        f"{fixed(u, places_for(u))}{unit_text(study.unit)} at {place_text(level, study.unit)}; that is no uncertainty "
        "of a result, for oil, fuel and whatever else did not vary in the runs is not in it."
    )


def _budgets(study: Study, budget: Budget, sources: Sources) -> tuple[list[LevelBudget], list[str]]:
    levels, notes = [], []
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
            levels.append(one)
    return levels, notes


def _told_once(levels: Sequence[LevelBudget]) -> tuple[list[LevelBudget], list[str]]:
    """What holds at every level becomes a note of the chapter; the rest stays with its level."""
    every = [note for note in levels[0].general if all(note in one.general for one in levels)]
    left = [
        replace(one, general=(), notes=(*one.notes, *(note for note in one.general if note not in every)))
        for one in levels
    ]
    return left, every


def _on_factors(study: Study, budget: Budget, levels: Sequence[LevelBudget]) -> list[str]:
    """What holds for k and for the agreement at every level."""
    used = [str(one.result.coverage_df) for one in levels if one.result.coverage_df is not None]
    holds = f"k holds for a coverage probability of {100 * (budget.coverage or study.confidence):g} %"
    if used:
        holds += f", with the effective degrees of freedom truncated to a whole number: {sentence_list(used)}"
    notes = [f"{holds}."]
    if any(one.agreement is not None for one in levels):
        notes.append("The interval of the agreement counts the degrees of freedom of the top-down budget alone.")
    return notes


def _levels(study: Study, budget: Budget, sources: Sources) -> list[float]:
    if budget.levels:
        return sorted(set(budget.levels))
    low, high = study.plan.study.range
    inside = [level for level in sources.tested if low <= level <= high]
    return sorted({*inside, *study.plan.study.customer_limits})


def _function(levels: Sequence[LevelBudget]) -> tuple[UncertaintyFunction | None, list[str]]:
    """u(x) over the levels; levels at which the bias dominates bend it and are left out."""
    usable = [one for one in levels if one.u > 0 and not one.bias_dominates]
    notes = []
    if len({abs(one.level) for one in usable}) < 2:
        usable = [one for one in levels if one.u > 0]
    elif len(usable) < len(levels):
        names = sentence_list([level_text(one.level) for one in levels if one.bias_dominates])
        notes.append(
            f"At level {names} the bias makes up more than half of the variance: u as a function of the level is "
            "fitted without it, and holds for the levels below and between alone."
        )
    if len({abs(one.level) for one in usable}) < 2:
        return None, ["u as a function of the level needs a budget at two levels."]
    return uncertainty_function([one.level for one in usable], [one.u for one in usable]), notes


def _quantities(one: LevelBudget, study: Study) -> list[Quantity]:
    result = one.result
    k = Estimate(result.coverage_factor, degrees_of_freedom=result.combined.degrees_of_freedom, source=K_SOURCE)
    quantities = [
        _quantity("combined", result.combined, one, study),
        _quantity("expanded", result.expanded, one, study),
        _quantity("coverage_factor", k, one, study, unit="1"),
        _quantity("measured_part", one.measured.combined, one, study, judged=False),
    ]
    if one.bottom_up is not None:
        df = one.bottom_up.effective_df
        bottom = Estimate(
            one.bottom_up.combined,
            degrees_of_freedom=df if isfinite(df) else None,
            notes=one.bottom_up.notes,
            source=BOTTOM_UP_SOURCE,
        )
        quantities.append(_quantity("bottom_up", bottom, one, study))
        if one.agreement is not None:
            quantities.append(_quantity("agreement", _agreement(one.agreement, result.combined), one, study, unit="1"))
    return quantities


def _quantity(
    key: str, estimate: Estimate, one: LevelBudget, study: Study, *, unit: str | None = None, judged: bool = True
) -> Quantity:
    """A number of the budget with the readings behind its measured part."""
    measured = one.within.quantities
    readings = tuple(dict.fromkeys(reading for q in measured for reading in q.readings))
    units = [q.units for q in measured if q.units is not None]
    counted = replace(estimate, n=len(readings), units=min(units) if units else None)
    return Quantity(
        key=f"{NAME}.{key}",
        at=one.level,
        estimate=counted.with_notes(*one.notes),
        level=study.confidence,
        unit=study.unit if unit is None else unit,
        worksheet=measured[0].worksheet,
        readings=readings,
        unit_name="runs",
        censored=sum(q.censored for q in measured),
        judged=judged,
    )


def _agreement(ratio: float, combined: Estimate) -> Estimate:
    """Bottom-up over top-down; the interval is that of the top-down budget, the bottom-up one taken as stated."""
    of_u = combined.distribution
    return Estimate(
        ratio,
        None if of_u is None else Reciprocal(of_u, ratio * combined.value),
        degrees_of_freedom=combined.degrees_of_freedom,
        source="ratio of the two combined uncertainties (common practice, no source)",
    )


def _function_quantities(function: UncertaintyFunction, levels: Sequence[LevelBudget], study: Study) -> list[Quantity]:
    readings = dict.fromkeys(r for one in levels for q in one.within.quantities for r in q.readings)
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
            worksheet=levels[0].within.quantities[0].worksheet,
            readings=tuple(readings),
            unit_name="levels",
        )
        for key, value, unit in (
            ("constant", function.constant, study.unit),
            ("proportional", function.proportional, "1"),
        )
    ]


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """The result in sentences, which were made beside the budgets."""
    view: UncertaintyView = evaluation.display.view
    return list(view.sentences)


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
        "The interval of u is about the mean square error of a result: s_I and the bias rest on the same run means, "
        "whose mean square it counts once, and it adds nothing to the square of the bias, which on average holds the "
        "variance of the bias. What the plan states counts as known.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.combined",
            "combined standard uncertainty of a result, top-down",
            "u",
            "u^2 = s_I^2 + b^2 + u_b^2 + u_std^2 + sum(u_i^2), b the bias, u_std where b does not hold it, u_i what "
            "did not vary in the runs",
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
            "k = t((1 + p) / 2, ν_eff), ν_eff = u^4 / sum(u_i^4 / ν_i) over independent mean squares, truncated",
            K_SOURCE,
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
            "u_run^2 = s_I^2 + b^2 + u_b^2 + u_std^2, u_std where b does not hold it",
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
    depends_on=DEPENDS_ON,
)
