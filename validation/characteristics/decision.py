"""Decision rule: at each limit of the customer, which results are reported how, and how often that is wrong."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np

from validation.characteristics import Characteristic, KeyInfo, characteristics
from validation.characteristics import _decision_tables as tables
from validation.characteristics._decision_tables import PRIORS, AtLimit, History
from validation.stats.decision import (
    OVERALL,
    RULE,
    RULES,
    Zones,
    guard_factor,
    guarded_rule,
    non_binary_rule,
    overall_risk,
    probability_above,
    simple_rule,
    u_curve,
)
from validation.stats.estimate import OldEstimate
from validation.stats.prior import FittedPrior, Prior, UncertaintyOf, density_of_results
from validation.study.decision_rule import DecisionRule
from validation.study.model import ExperimentData, Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import THIN_SPACE, fixed, level_text, sentence_list, significant

NAME = "decision"
EXPERIMENT = "history"
#: Fewer earlier results say too little about the share beyond a limit; fewer than the second, about two kinds of it.
FEWEST, FEWEST_FOR_TWO = 20, 60
#: k where the uncertainty chapter states none.
USUAL_K = 2.0

NO_LIMITS = (
    "The plan names no limit of the customer: nothing is decided. Limits in the plan would supply it "
    "(study.customer_limits, or decision.limits)."
)
NO_AGREEMENT = (
    "That the customer agreed to the rule is not stated; ISO/IEC 17025:2017, 7.8.6.1 and 7.1.3, asks for a rule agreed "
    "before results are reported against a limit (decision.agreed_with, decision.agreed_on)."
)
NO_RULE = (
    "The plan states no decision rule (decision). The three usual rules are shown side by side; the quantities hold "
    "for the non-binary rule with a one-sided risk of 5 %."
)
NO_HISTORY = (
    "No earlier results are at hand (experiment history), so how often reports are wrong over all samples cannot be "
    "said; the risk of one result needs none."
)
FROM_HISTORY = (
    "The earlier results are taken as true value plus error, with the uncertainty that this study found; the spread "
    "of the error is taken out by the fit. The interval of false clearance and false condemnation holds the number of "
    "earlier results alone: the form of the distribution and u are taken as known."
)
CHECKED = (
    "How the overall risk was checked: its integrals agree with the bivariate normal distribution where contents are "
    "normal, with adaptive integration for other contents, and with the wrong reports counted in 200 000 simulated "
    "samples for every rule and every distribution, inside exact binomial bounds; an uncertainty 10 % too small is "
    "found by the same count (tests of this chapter)."
)


def evaluate(study: Study) -> Evaluation:
    """Guard band and zones at each limit; with earlier results also how often a report is wrong over all samples."""
    stated = study.plan.decision
    rule = DecisionRule() if stated is None else stated
    limits = sorted(rule.limits or study.plan.study.customer_limits)
    if not limits:
        return Evaluation(NAME, missing=NO_LIMITS)
    known = _Uncertainty.of(study)
    if isinstance(known, str):
        return Evaluation(NAME, missing=known)
    notes = [*([] if stated is not None else [NO_RULE]), *([] if rule.agreed_with else [NO_AGREEMENT])]
    found: list[AtLimit] = []
    for limit in limits:
        try:
            found.append(_at_limit(limit, known, rule))
        except ValueError as error:
            notes.append(f"At the limit {level_text(limit)} no guard band can be given: {error}.")
    if not found:
        return Evaluation(NAME, missing=" ".join(notes))
    notes += _limit_notes(found, known, rule, study)
    history, history_notes = _history(study, known)
    notes += history_notes
    quantities = [q for at in found for q in _zone_quantities(at, known, study)]
    if history is not None and not (study.looked_at_otherwise and not _risk_is_required(study)):
        risks = [q for at in found for q in _risk_quantities(at, known, history, study)]
        quantities += risks
        if not study.looked_at_otherwise:
            notes += [*tables.prior_notes(found, known.curve, history, risks), CHECKED]
    details = {} if study.looked_at_otherwise else _details(found, known, history, rule, stated is not None, study)
    if not study.looked_at_otherwise:
        notes.append(tables.rounding_note(found, rule, _unit(study.unit)))
    return Evaluation(NAME, tuple(quantities), (), tuple(dict.fromkeys(notes)), details=details)


# Uncertainty ----------------------------------------------------------------------------------------------------


class _Uncertainty:
    """The combined standard uncertainty by level, as the chapter on uncertainty found it."""

    def __init__(self, evaluation: Evaluation) -> None:
        self.evaluation = evaluation
        held = [
            q
            for q in evaluation.quantities
            if q.key == "uncertainty.combined" and isinstance(q.at, float | int) and q.value
        ]
        self.levels = sorted(held, key=lambda q: float(q.at))  # type: ignore[arg-type]
        self.values = tuple(float(q.at) for q in self.levels)  # type: ignore[arg-type]
        self.sizes = tuple(float(q.value) for q in self.levels)  # type: ignore[arg-type]
        self.curve: UncertaintyOf = u_curve(self.values, self.sizes) if self.values else u_curve([0.0], [1.0])

    @classmethod
    def of(cls, study: Study) -> _Uncertainty | str:
        """The uncertainty, or the sentence that says why there is none."""
        evaluation = characteristics()["uncertainty"].evaluate(replace(study, looked_at_otherwise=True))
        known = cls(evaluation)
        if not known.values:
            why = f" {evaluation.missing}" if evaluation.missing else ""
            return f"The decision needs the combined standard uncertainty of a result at the limit.{why}"
        return known

    def nearest(self, limit: float) -> Quantity:
        return min(self.levels, key=lambda q: abs(float(q.at) - limit))  # type: ignore[arg-type]

    def coverage_factor(self, limit: float) -> float:
        q = self.evaluation.get("uncertainty.coverage_factor", self.nearest(limit).at)
        return USUAL_K if q is None or not q.value else float(q.value)


def _at_limit(limit: float, known: _Uncertainty, rule: DecisionRule) -> AtLimit:
    df = known.nearest(limit).degrees_of_freedom if rule.distribution == "t" else None
    k = known.coverage_factor(limit)
    if rule.coverage is not None:
        k = guard_factor((1 - rule.coverage) / 2, degrees_of_freedom=df)
    factor = k if rule.guard == "U" else guard_factor(rule.one_sided_risk, degrees_of_freedom=df)
    at_result = rule.u_at == "result"
    others: dict[str, Zones] = {
        "simple": simple_rule(limit),
        "guarded": guarded_rule(limit, known.curve, factor, at_result=at_result),
        "non-binary": non_binary_rule(limit, known.curve, factor, at_result=at_result),
    }
    return AtLimit(limit, float(known.curve(limit)), k, df, others[rule.rule], {name: others[name] for name in RULES})


def _limit_notes(found: Sequence[AtLimit], known: _Uncertainty, rule: DecisionRule, study: Study) -> list[str]:
    notes, (low, high) = [], study.plan.study.range
    for at in found:
        name = level_text(at.limit)
        if at.limit not in known.values:
            notes.append(
                f"The uncertainty was not drawn up at the limit {name}: it is taken on the straight line between the "
                "levels beside it."
            )
        if not low <= at.limit <= high:
            notes.append(f"The limit {name} lies outside the range of the study.")
        if at.zones.acceptance_limit <= 0:
            notes.append(f"At the limit {name} the guard band reaches down to zero: no result is reported as below.")
    notes += _changing_u(found, known, _unit(study.unit)) if rule.u_at == "limit" else []
    for lower, upper in pairwise(found):
        if lower.zones.rejection_limit > upper.zones.acceptance_limit:
            a, b = level_text(lower.limit), level_text(upper.limit)
            notes.append(
                f"The zones of the limits {a} and {b} overlap: a result can be neither above the one nor below the "
                "other. A smaller uncertainty would part them."
            )
    return notes


def _changing_u(found: Sequence[AtLimit], known: _Uncertainty, unit: str) -> list[str]:
    """Where u at an end of a zone is larger than at the limit, the guard band is too narrow there."""
    parts = []
    for at in found:
        ends = [(at.zones.acceptance_limit, "false clearance")]
        if at.zones.rule == "non-binary":
            ends.append((at.zones.rejection_limit, "false condemnation"))
        for end, what in ends if at.zones.guard_band > 0 else ():
            there, meant = (_wrong(at, end, u) for u in (float(known.curve(end)), at.u))
            if there > meant + 0.005:
                parts.append(
                    f"at {at.text(end)}{unit} the risk of a {what} is {tables.percent(there)} in place of "
                    f"{tables.percent(meant)}, for u grows from {significant(at.u, 2)} to "
                    f"{significant(float(known.curve(end)), 2)}{unit}"
                )
    if not parts:
        return []
    return [
        f"The guard band is made from the uncertainty at the limit: {'; '.join(parts)}. Ends made with the uncertainty "
        "at the result itself would keep the risk (decision.u_at)."
    ]


def _wrong(at: AtLimit, end: float, u: float) -> float:
    """Probability that a result at an end of a zone lies on the other side of the limit."""
    above = float(probability_above(end, u, at.limit, degrees_of_freedom=at.degrees_of_freedom))
    return above if end <= at.limit else 1 - above


# Earlier results ------------------------------------------------------------------------------------------------


def _history(study: Study, known: _Uncertainty) -> tuple[History | None, list[str]]:
    """The earlier results with the distributions fitted to them, and what must be said about them."""
    data = study.experiments.get(EXPERIMENT)
    if data is None or data.awaiting:
        return None, [NO_HISTORY]
    results = tuple(float(value) for value in data.table["result"])
    below, lost = _bounds(data)
    notes = [*data.notes, *lost]
    if len(results) < FEWEST:
        notes.append(
            f"The worksheet {data.worksheet} holds {len(results)} earlier results with a value; {FEWEST} are needed to "
            "say how often reports are wrong over all samples."
        )
        return None, notes
    fits = []
    for family in PRIORS[0 if len(results) >= FEWEST_FOR_TWO else 1 :]:
        fit = tables.fitted(results, below, known.values, known.sizes, family)
        if isinstance(fit, str):
            notes.append(fit)
        else:
            fits.append(fit)
    fits.sort(key=lambda fit: fit.covariance is None)  # the order of PRIORS, those without an interval last
    if not fits:
        return None, [*notes, "How often reports are wrong over all samples therefore cannot be said."]
    if fits[0].family != PRIORS[0]:
        notes.append(
            f"The earlier results do not tell two kinds of samples apart; the distribution is {fits[0].family}, which "
            "understates the share beyond a limit where a few samples are of another kind than most."
        )
    notes += [FROM_HISTORY, *_grades(data, study)]
    return History(results, below, tuple(fits)), notes


def _bounds(data: ExperimentData) -> tuple[tuple[float, ...], list[str]]:
    """Upper bounds of results such as "<0.1", which enter the fit as such; those above a bound do not enter."""
    bounds, other = [], 0
    for reading in data.censored:
        text = reading.values.get("result", "").strip()
        if text[:1] in "<≤":
            bounds.append(float(text.lstrip("<≤= ")))
        else:
            other += 1
    notes = []
    if bounds:
        notes.append(
            f"{len(bounds)} earlier result(s) reported as below a bound enter as such; where results are taken as they "
            "are, with half the bound."
        )
    if other:
        notes.append(f"{other} earlier result(s) reported as above a bound were left out.")
    return tuple(bounds), notes


def _grades(data: ExperimentData, study: Study) -> list[str]:
    if "grade" not in data.table or study.plan.study.grade is None:
        return []
    others = sorted({str(grade) for grade in data.table["grade"] if grade and grade != study.plan.study.grade})
    if not others:
        return []
    return [
        f"Earlier results come from the grade {sentence_list(others)}: engines filled with {study.plan.study.grade} "
        "are taken to hold as much fuel."
    ]


# Quantities -----------------------------------------------------------------------------------------------------


def _zone_quantities(at: AtLimit, known: _Uncertainty, study: Study) -> list[Quantity]:
    behind = known.nearest(at.limit)
    values = {
        "guard_band": at.zones.guard_band,
        "acceptance_limit": at.zones.acceptance_limit,
        "rejection_limit": at.zones.rejection_limit,
    }
    return [
        Quantity.from_estimate(
            f"{NAME}.{name}",
            at.limit,
            OldEstimate(value, degrees_of_freedom=at.degrees_of_freedom, n=behind.n, source=RULE),
            unit=study.unit,
            worksheet=behind.worksheet,
            readings=behind.readings,
        )
        for name, value in values.items()
    ]


def _risk_quantities(at: AtLimit, known: _Uncertainty, history: History, study: Study) -> list[Quantity]:
    data = study.experiments[EXPERIMENT]
    readings = [
        *(str(name) for name in data.table["reading"]),
        *(r.reading for r in data.censored if r.values.get("result", "").strip()[:1] in "<≤"),
    ]
    ways: dict[str, Callable[[Prior], float]] = {
        "false_clearance": lambda prior: overall_risk(prior, at.zones, known.curve).false_clearance,
        "false_condemnation": lambda prior: overall_risk(prior, at.zones, known.curve).false_condemnation,
    }
    found = []
    for name, way in ways.items():
        estimate, judged = (
            replace(history.chosen.estimate(way, confidence=level), source=OVERALL)
            for level in (study.confidence, study.judged_confidence)
        )
        found.append(
            Quantity.from_estimate(
                f"{NAME}.{name}",
                at.limit,
                estimate,
                unit="1",
                worksheet=data.worksheet,
                readings=readings,
                judged=judged,
                unit_name="samples",
            )
        )
    return found


def _risk_is_required(study: Study) -> bool:
    return any(item.quantity.startswith(f"{NAME}.false_") for item in study.plan.requirements)


# What the chapter shows -----------------------------------------------------------------------------------------


def _details(
    found: Sequence[AtLimit],
    known: _Uncertainty,
    history: History | None,
    rule: DecisionRule,
    stated: bool,
    study: Study,
) -> dict[str, Any]:
    unit = _unit(study.unit)
    shown: list[dict[str, Any]] = [tables.rules_table(found, known.curve, rule, stated)]
    shown += tables.single_tables(found, known.curve, history)
    if history is not None:
        shown.append(tables.overall_table(found, known.curve, history))
    shown += tables.wording_tables(found, known.curve, rule, unit, _coverage(rule, study))
    return {
        "agreement": tables.agreement_words(rule),
        "stated": stated,
        "between": rule.between,
        "limits": [_shown(at, known, history, rule, unit) for at in found],
        "history": None if history is None else _history_shown(history, known),
        "tables": shown,
    }


def _coverage(rule: DecisionRule, study: Study) -> float:
    """The coverage probability of the U that a report states."""
    budget = study.plan.uncertainty
    return rule.coverage or (budget.coverage if budget is not None else None) or study.confidence


def _shown(at: AtLimit, known: _Uncertainty, history: History | None, rule: DecisionRule, unit: str) -> dict[str, Any]:
    drawn = tables.curve(at, known.curve)
    low, high = drawn["x"][0], drawn["x"][-1]
    near = [] if history is None else sorted(value for value in history.results if low <= value <= high)
    return {
        "limit": at.limit,
        "u": at.u,
        "guard_band": at.zones.guard_band,
        "acceptance": at.zones.acceptance_limit,
        "rejection": at.zones.rejection_limit,
        "rule": at.zones.rule,
        "rule_words": tables.rule_words(at, rule, unit),
        "places": at.places,
        "results": near,
        "beyond": 0 if history is None else sum(value > at.limit for value in history.results),
        **drawn,
    }


def _history_shown(history: History, known: _Uncertainty) -> dict[str, Any]:
    """Earlier results in classes, and how many the fitted distribution would put into each."""
    prior = history.chosen.prior
    top = 1.05 * max(history.results)
    edges = np.linspace(0.0, top, 31)
    counts, _ = np.histogram(np.clip(history.results, 0.0, top), edges)
    x = np.linspace(0.0, top, 241)
    expected = len(history.results) * float(edges[1]) * density_of_results(prior, x, known.curve)
    return {
        "edges": edges.tolist(),
        "counts": [int(count) for count in counts],
        "x": x.tolist(),
        "expected": expected.tolist(),
        "n": len(history.results),
        "below": len(history.below),
        "family": history.chosen.family,
        "parameters": _parameters(history.chosen),
    }


def _parameters(fit: FittedPrior) -> str:
    """The fitted distribution in words."""
    prior: Any = fit.prior
    if fit.family == "two lognormals":
        most, others = prior.most, prior.others
        return (
            f"{significant(100 * (1 - prior.share), 2)} % of the samples with median {significant(most.median, 2)} and "
            f"log standard deviation {significant(most.log_sd, 2)}, {significant(100 * prior.share, 2)} % with "
            f"{significant(others.median, 2)} and {significant(others.log_sd, 2)}"
        )
    if fit.family == "lognormal":
        return f"median {significant(prior.median, 2)}, log standard deviation {significant(prior.log_sd, 2)}"
    return f"shape {significant(prior.shape, 2)}, scale {significant(prior.scale, 2)}"


def _unit(unit: str) -> str:
    return "" if unit == "1" else f"\N{NO-BREAK SPACE}{unit}"


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    if evaluation.missing:
        return [evaluation.missing]
    of, details = _unit(unit), evaluation.details
    sentences = []
    for entry in details.get("limits", ()):
        limit = f"{level_text(entry['limit'])}{of}"
        a, r = (fixed(entry[name], entry["places"]) for name in ("acceptance", "rejection"))
        first = (
            f"At the limit {limit} the standard uncertainty is {significant(entry['u'], 2)}{of}; {entry['rule_words']}."
        )
        if entry["acceptance"] <= 0:
            zones = f" The guard band reaches down to zero: no result is reported as below {limit}."
        elif entry["rule"] == "non-binary":
            zones = (
                f" A result up to {a}{of} is reported as below the limit, one from {r}{of} on as above; between them "
                f"the laboratory's own rule is to {details['between']}."
            )
        else:
            zones = f" A result up to {a}{of} is reported as below the limit, any other as above."
        sentences.append(first + zones)
        sentences += _overall_words(evaluation, entry["limit"], limit)
    whole = "The rule is stated in the plan" if details.get("stated") else "The plan states no rule"
    sentences.append(f"{whole}; {details.get('agreement', '')}.")
    sentences.append(
        "A report says on which side of a limit a result lies and how sure that is; it does not say what to do with "
        "the engine."
    )
    return sentences


def _overall_words(evaluation: Evaluation, at: float, limit: str) -> list[str]:
    found = [evaluation.get(f"{NAME}.{name}", at) for name in ("false_clearance", "false_condemnation")]
    cleared, condemned = found
    if cleared is None or condemned is None or cleared.value is None or condemned.value is None:
        return []
    parts = []
    for q, what in (
        (cleared, "are cleared although they hold more"),
        (condemned, "are reported as above although they do not"),
    ):
        sure = ""
        if q.interval is not None:
            ends = " to ".join(tables.in_hundred_thousand(end) for end in q.interval)
            sure = f" ({ends} with {100 * (q.confidence or 0):g} % confidence)"
        parts.append(f"about {tables.in_hundred_thousand(q.value or 0.0)}{sure} {what}")
    return [f"Of 100{THIN_SPACE}000 samples like the {cleared.n} earlier ones, at {limit} {' and '.join(parts)}."]


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Decision rule",
    position=180,
    experiment=EXPERIMENT,
    also_reads=("precision", "reproducibility", "ruggedness", "fuel"),
    method=(
        "A result near a limit can lie on its other side. The probability that the true value lies above the limit "
        "follows from the result and its combined standard uncertainty; a guard band keeps it small for results that "
        "are reported as below or above.",
        "Three rules are usual: simple acceptance, where the result alone decides; a binary rule with guard band; and "
        "a non-binary rule with conditional zones between acceptance and rejection limit.",
        "Cleared means reported as below the limit, condemned reported as above. Over all samples, false clearance is "
        "the probability that a sample lies above the limit and is cleared, false condemnation that it does not and is "
        "condemned. The distribution of true values is fitted to the laboratory's earlier results, the error of "
        "measurement taken out.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.guard_band",
            "width that a result must keep from the limit to be reported as clearly below or above",
            "w",
            "w = z u(L), z the normal quantile of one minus the risk; or w = U; or 0 for simple acceptance",
            RULE,
            "level",
            "study",
            ("point",),
            None,
            ("JCGM 106:2012, table 1 (from memory)", "ILAC-G8:09/2019, risks of w = U, 1.64 u and 0 (from memory)"),
        ),
        KeyInfo(
            f"{NAME}.acceptance_limit",
            "largest result that is reported as below the limit",
            "A",
            "A = L - w; with u at the result A + z u(A) = L",
            RULE,
            "level",
            "study",
            (),
            None,
            ("JCGM 106:2012, table 1 (from memory)",),
        ),
        KeyInfo(
            f"{NAME}.rejection_limit",
            "smallest result that is reported as above the limit",
            "R",
            "R = L + w, binary rules R = A; with u at the result R - z u(R) = L",
            RULE,
            "level",
            "study",
            ("point",),
            None,
            ("JCGM 106:2012, 8.3.3, speed limit with relative uncertainty (from memory)",),
        ),
        KeyInfo(
            f"{NAME}.false_clearance",
            "probability that a sample lies above the limit and is reported as below",
            "P_fc",
            "P_fc = integral over y > L of f(y) Φ((A - y)/u(y)), f the distribution of true values",
            OVERALL,
            "level",
            "1",
            ("upper bound", "point"),
            None,
            (
                "the bivariate normal distribution of scipy, normal contents, every rule",
                "adaptive integration of scipy, normal, lognormal and gamma contents",
                "200 000 simulated samples, every rule and distribution of contents",
            ),
        ),
        KeyInfo(
            f"{NAME}.false_condemnation",
            "probability that a sample does not lie above the limit and is reported as above",
            "P_fr",
            "P_fr = integral over y <= L of f(y) Φ((y - R)/u(y))",
            OVERALL,
            "level",
            "1",
            ("upper bound", "point"),
            None,
            (
                "the bivariate normal distribution of scipy, normal contents, every rule",
                "adaptive integration of scipy, normal, lognormal and gamma contents",
                "200 000 simulated samples, every rule and distribution of contents",
            ),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("zones", "earlier_results"),
)
