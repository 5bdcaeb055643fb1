"""The rule in words, the wording for the customer's report, and what rounding does to a zone."""

from __future__ import annotations

from collections.abc import Sequence

from validation.characteristics.decision.chances import percent
from validation.characteristics.decision.zones import AtLimit
from validation.stats.decision import probability_above, rounding_uncertainty
from validation.stats.prior import UncertaintyOf
from validation.study.decision_rule import DecisionRule
from validation.study.quantity import Table
from validation.words import fixed, level_text, places_for, significant


def rule_words(at: AtLimit, rule: DecisionRule, unit: str) -> str:
    """ "non-binary, guard band 0.33 % (1.64 u)"."""
    zones = at.zones
    if zones.rule == "simple":
        return "simple acceptance without a guard band"
    width = f"guard band {at.text(zones.guard_band)}{unit}"
    if rule.guard == "U":
        return f"{zones.rule}, {width} (U)"
    return f"{zones.rule}, {width} ({_in_u(at)})"


def _in_u(at: AtLimit) -> str:
    """The guard band in standard uncertainties: 1.64 u for a risk of 5 %."""
    return f"{at.zones.guard_band / at.u:.2f}\N{NO-BREAK SPACE}u"


def agreement_words(rule: DecisionRule) -> str:
    """Who agreed, and when; "not stated" where the plan does not say."""
    if rule.agreed_with and rule.agreed_on:
        return f"agreed with {rule.agreed_with} on {rule.agreed_on}"
    return f"agreed with: {rule.agreed_with or 'not stated'}, on: {rule.agreed_on or 'not stated'}"


def wording_tables(
    limits: Sequence[AtLimit], u: UncertaintyOf, rule: DecisionRule, unit: str, coverage: float
) -> tuple[Table, ...]:
    """Sentences for the customer's report, one for each zone, and the numbers of each limit that go into them."""
    zones = [zone for zone, _, _ in limits[0].zones.spans()]
    rows = tuple((zone, _WHERE[zone, rule.rule], _sentence(zone, limits, rule, unit, coverage)) for zone in zones)
    caption = "Wording for the report; [result] and the numbers of the limit go into the square brackets"
    wording = Table("wording", caption, ("zone", "for a result", "wording"), rows)
    names = ["[limit]", "[U]", "[k]", "[guard band]", "[A]", "[R]", "[risk]"]
    if rule.rule == "simple":
        names = names[:3]
    elif rule.rule == "guarded":
        names.remove("[R]")
    caption = "Numbers for the wording: U and k are those of the budget at the limit"
    caption += ", [A] and [R] the ends of the zones" if "[A]" in names else ""
    numbers = tuple(tuple(_numbers(at, u)[name] for name in names) for at in limits)
    return wording, Table("numbers", caption, tuple(names), numbers)


#: Which results a sentence is for, by zone and rule.
_WHERE = {
    ("below", "simple"): "up to [limit]",
    ("above", "simple"): "above [limit]",
    ("below", "guarded"): "up to [A]",
    ("above", "guarded"): "above [A]",
    ("below", "non-binary"): "up to [A]",
    ("conditionally below", "non-binary"): "above [A], up to [limit]",
    ("conditionally above", "non-binary"): "above [limit], below [R]",
    ("above", "non-binary"): "from [R]",
}


def _numbers(at: AtLimit, u: UncertaintyOf) -> dict[str, str]:
    """What stands in the square brackets at one limit."""
    a = at.zones.acceptance_limit
    risk = float(probability_above(a, float(u(a)), at.limit, degrees_of_freedom=at.degrees_of_freedom))
    return {
        "[limit]": level_text(at.limit),
        "[U]": fixed(at.expanded, max(0, places_for(at.u))),
        "[k]": fixed(at.coverage_factor, 2),
        "[guard band]": at.text(at.zones.guard_band),
        "[A]": at.text(a),
        "[R]": at.text(at.zones.rejection_limit),
        "[risk]": percent(risk),
    }


def _sentence(zone: str, limits: Sequence[AtLimit], rule: DecisionRule, unit: str, coverage: float) -> str:
    limit = f"the limit of [limit]{unit}"
    result = (
        f"The result is [result]{unit} with an expanded uncertainty of [U]{unit} (k = [k], coverage probability "
        f"{100 * coverage:g} %)"
    )
    by = f"Decision rule: {_template_rule(limits, rule, unit)}; {agreement_words(rule)}."
    own = (
        f"What the laboratory does here by its own rule: {rule.between}. The trend and the engine decide what follows."
    )
    judgement = "The result supports a judgement of the engine and does not replace it."
    band = f"the guard band of [guard band]{unit}"
    if zone == "below":
        sure = (
            "A result at the limit is wrong in one case of two."
            if rule.rule == "simple"
            else "A content above the limit is so reported with a probability of at most [risk]."
        )
        return f"{result} and lies below {limit}. {by} {sure}"
    if zone.startswith("conditionally"):
        side = zone.rpartition(" ")[2]
        return (
            f"{result}. It lies {side} {limit}, but by less than {band}: that the content lies {side} is not shown. "
            f"{by} {own}"
        )
    if rule.rule == "guarded":
        far = f"does not lie below {limit} by {band}"
        return f"{result} and {far}; the binary rule reports it as above. {by} {judgement}"
    return f"{result} and lies above {limit}. {by} {judgement}"


def _template_rule(limits: Sequence[AtLimit], rule: DecisionRule, unit: str) -> str:
    """ "non-binary, guard band [guard band] % (1.64 u)"; the factor where it is the same at every limit."""
    if rule.rule == "simple":
        return "simple acceptance without a guard band"
    factors = {"U" if rule.guard == "U" else _in_u(at) for at in limits}
    factor = f" ({factors.pop()})" if len(factors) == 1 else ""
    return f"{rule.rule}, guard band [guard band]{unit}{factor}"


def rounding_note(limits: Sequence[AtLimit], rule: DecisionRule, unit: str) -> str:
    """What rounding does beside the guard band, and which rounded results lie on both sides of an end of a zone."""
    if rule.rounding is None:
        return (
            "The plan does not say to which step results are reported (decision.rounding): the zone is that of the "
            "result before rounding."
        )
    step, own = rule.rounding, rounding_uncertainty(rule.rounding)
    parts = []
    for at in limits:
        unclear = sorted({round(end / step) * step for end in (at.zones.acceptance_limit, at.zones.rejection_limit)})
        between = [v for v in unclear if _inside(v, step, at)]
        if between:
            values = " and ".join(fixed(v, max(0, places_for(step, 1))) for v in between)
            parts.append(f"{values}{unit} at the limit {level_text(at.limit)}{unit}")
    bands = [at.zones.guard_band for at in limits if at.zones.guard_band > 0]
    share = f", {significant(50 * step / min(bands), 2)} % of the narrowest guard band" if bands else ""
    note = (
        f"Results are reported in steps of {significant(step, 2)}{unit}. Rounding adds a standard uncertainty of "
        f"{significant(own, 2)}{unit} and moves a result by up to {significant(step / 2, 2)}{unit}{share}: "
        "the zone follows from the result before rounding."
    )
    if parts:
        note += f" A reported {'; '.join(parts)} may stand for results in two zones."
    return note


def _inside(rounded: float, step: float, at: AtLimit) -> bool:
    ends = (at.zones.acceptance_limit, at.zones.rejection_limit)
    return any(abs(rounded - end) < step / 2 * (1 - 1e-9) for end in ends)
