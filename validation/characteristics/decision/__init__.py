"""Decision rule: at each limit of the customer, which results are reported how, and how often that is wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics.decision.chances import in_hundred_thousand
from validation.characteristics.decision.risk import (
    EXPERIMENT,
    History,
    earlier_results,
    history_of,
    overall_table,
    prior_notes,
    risk_quantities,
    single_tables,
    uncertain_u_table,
)
from validation.characteristics.decision.wording import agreement_words, rounding_note, rule_words, wording_tables
from validation.characteristics.decision.zones import (
    AtLimit,
    Known,
    at_limit,
    known_uncertainty,
    limit_notes,
    limit_zones,
    rules_table,
    unit_after,
    zone_quantities,
)
from validation.figures.decision import DecisionView, LimitZones
from validation.stats.decision import OVERALL, RULE
from validation.study.decision_rule import DecisionRule
from validation.study.model import Study
from validation.study.quantity import Display, Evaluation, Quantity, Table
from validation.words import THIN_SPACE, fixed, level_text, significant

NAME = "decision"
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
CHECKED = (
    "How the overall risk was checked: its integrals agree with the bivariate normal distribution where contents are "
    "normal, with adaptive integration for other contents, and with the wrong reports counted in 200 000 simulated "
    "samples for every rule and every distribution, inside exact binomial bounds; an uncertainty 10 % too small is "
    "found by the same count (tests of this chapter)."
)


def evaluate(study: Study, uncertainty: Evaluation) -> Evaluation:
    """Guard band and zones at each limit; with earlier results also how often a report is wrong over all samples."""
    stated = study.plan.decision
    rule = DecisionRule() if stated is None else stated
    customer = sorted(rule.limits or study.plan.study.customer_limits)
    if not customer:
        return Evaluation(NAME, missing=NO_LIMITS)
    known = known_uncertainty(uncertainty)
    if isinstance(known, str):
        return Evaluation(NAME, missing=known)
    limits, lost = _limits(customer, known, rule)
    notes = [*([NO_RULE] if stated is None else []), *([] if rule.agreed_with else [NO_AGREEMENT]), *lost]
    if not limits:
        return Evaluation(NAME, missing=" ".join(notes))
    notes += limit_notes(limits, known, rule, study)
    chapter, required = _Chapter(study, rule, known, limits), _risk_is_required(study)

    @cache
    def over_all() -> _OverAll:
        return _over_all(chapter)

    def show() -> Display:
        return _display(chapter, over_all(), judged=required)

    zones = [q for at in limits for q in zone_quantities(at, known, study)]
    risks = over_all().risks if required else ()
    return Evaluation(NAME, (*zones, *risks), (), tuple(dict.fromkeys(notes)), show=show)


@dataclass(frozen=True)
class _Chapter:
    """What the chapter starts from: the rule, the uncertainty, and the zones at each limit."""

    study: Study
    rule: DecisionRule
    known: Known
    limits: tuple[AtLimit, ...]


@dataclass(frozen=True)
class _OverAll:
    """What the earlier results say over all samples: the risks at each limit, none without enough results."""

    history: History | None
    risks: tuple[Quantity, ...]
    notes: tuple[str, ...]


def _limits(customer: Sequence[float], known: Known, rule: DecisionRule) -> tuple[tuple[AtLimit, ...], list[str]]:
    """The zones at each limit, and a sentence for each limit at which there is no guard band."""
    limits, notes = [], []
    for limit in customer:
        try:
            limits.append(at_limit(limit, known, rule))
        except ValueError as error:
            notes.append(f"At the limit {level_text(limit)} no guard band can be given: {error}.")
    return tuple(limits), notes


def _over_all(chapter: _Chapter) -> _OverAll:
    history, notes = history_of(chapter.study, chapter.known)
    if history is None:
        return _OverAll(None, (), tuple(notes))
    risks = [q for at in chapter.limits for q in risk_quantities(at, chapter.known, history, chapter.study)]
    return _OverAll(history, tuple(risks), tuple(notes))


def _risk_is_required(study: Study) -> bool:
    return any(item.quantity.startswith(f"{NAME}.false_") for item in study.plan.requirements)


# What the chapter shows -----------------------------------------------------------------------------------------


def _display(chapter: _Chapter, over_all: _OverAll, *, judged: bool) -> Display:
    """Tables, figures and notes; the risks where they are not among the judged quantities."""
    study, rule, limits = chapter.study, chapter.rule, chapter.limits
    curve, unit, history = chapter.known.curve, unit_after(study.unit), over_all.history
    further = [] if history is None else [*prior_notes(limits, curve, history, over_all.risks), CHECKED]
    results = () if history is None else history.results
    return Display(
        quantities=() if judged else over_all.risks,
        notes=(*over_all.notes, *further, rounding_note(limits, rule, unit)),
        tables=_tables(chapter, history),
        view=DecisionView(
            limits=tuple(limit_zones(at, curve, results, rule_words(at, rule, unit)) for at in limits),
            history=None if history is None else earlier_results(history, curve),
            risks=over_all.risks,
            rule_is_stated=study.plan.decision is not None,
            agreement=agreement_words(rule),
            between=rule.between,
        ),
    )


def _tables(chapter: _Chapter, history: History | None) -> tuple[Table, ...]:
    study, rule, limits, curve = chapter.study, chapter.rule, chapter.limits, chapter.known.curve
    budget = study.plan.uncertainty
    coverage = rule.coverage or (budget.coverage if budget is not None else None) or study.confidence
    return (
        rules_table(limits, curve, rule, study.plan.decision is not None),
        *single_tables(limits, curve, history),
        *([] if history is None else [overall_table(limits, curve, history)]),
        *uncertain_u_table(limits, chapter.known, history),
        *wording_tables(limits, curve, rule, unit_after(study.unit), coverage),
    )


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What the chapter shows, in sentences."""
    view: DecisionView = evaluation.display.view
    of = unit_after(unit)
    sentences = []
    for at in view.limits:
        limit = f"{level_text(at.limit)}{of}"
        first = f"At the limit {limit} the standard uncertainty is {significant(at.u, 2)}{of}; {at.rule_words}."
        sentences.append(f"{first} {_zones_in_words(at, view.between, limit, of)}")
        sentences += _overall_words([q for q in view.risks if q.at == at.limit], limit)
    whole = "The rule is stated in the plan" if view.rule_is_stated else "The plan states no rule"
    sentences.append(f"{whole}; {view.agreement}.")
    sentences.append(
        "A report says on which side of a limit a result lies and how sure that is; it does not say what to do with "
        "the engine."
    )
    return sentences


def _zones_in_words(at: LimitZones, between: str, limit: str, of: str) -> str:
    a, r = (fixed(end, at.places) for end in (at.acceptance, at.rejection))
    if at.acceptance <= 0:
        return f"The guard band reaches down to zero: no result is reported as below {limit}."
    if at.rule == "non-binary":
        return (
            f"A result up to {a}{of} is reported as below the limit, one from {r}{of} on as above; between them "
            f"the laboratory's own rule is to {between}."
        )
    return f"A result up to {a}{of} is reported as below the limit, any other as above."


def _overall_words(risks: Sequence[Quantity], limit: str) -> list[str]:
    """False clearance and false condemnation as counts of samples; nothing without earlier results."""
    if not risks:
        return []
    parts = []
    wrong = ("are cleared although they hold more", "are reported as above although they do not")
    for q, what in zip(risks, wrong, strict=True):
        sure = ""
        if q.interval is not None:
            ends = " to ".join(in_hundred_thousand(end) for end in q.interval)
            sure = f" ({ends} with {100 * (q.confidence or 0):g} % confidence)"
        parts.append(f"about {in_hundred_thousand(q.value)}{sure} {what}")
    return [f"Of 100{THIN_SPACE}000 samples like the {risks[0].n} earlier ones, at {limit} {' and '.join(parts)}."]


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Decision rule",
    position=180,
    experiment=EXPERIMENT,
    also_reads=("precision", "reproducibility", "ruggedness", "fuel"),
    depends_on=("uncertainty",),
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
