"""The tables of the chapter on decisions: rules side by side, one result, all results, wording for the report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from validation.stats.decision import (
    Zones,
    overall_risk,
    probability_above,
    probability_above_with,
    result_table,
    rounding_uncertainty,
    u_curve,
)
from validation.stats.prior import FittedPrior, Prior, ResultsPrior, UncertaintyOf, fit_prior
from validation.study.decision_rule import DecisionRule
from validation.study.quantity import Quantity
from validation.words import fixed, level_text, places_for, sentence_list, significant

Table = dict[str, Any]

#: Results of a table near a limit, in steps of this share of the limit, and how many on each side.
STEP, STEPS = 0.04, 5
#: Distributions of true values that earlier results are fitted with, the most general first.
PRIORS = ("two lognormals", "lognormal", "gamma")


@dataclass(frozen=True)
class AtLimit:
    """What is known and decided at one limit, in the unit of the study.

    `others` holds the three rules side by side, with the agreed guard band or the usual one.
    """

    limit: float
    u: float
    coverage_factor: float
    degrees_of_freedom: float | None
    zones: Zones
    others: Mapping[str, Zones]

    @property
    def expanded(self) -> float:
        return self.coverage_factor * self.u

    @property
    def places(self) -> int:
        """Decimal places that show the guard band, or the uncertainty, with two digits."""
        return max(0, places_for(self.zones.guard_band or self.u))

    def text(self, value: float) -> str:
        return fixed(value, self.places)


@dataclass(frozen=True)
class History:
    """Earlier results, and the distributions of true values fitted to them; `fits` holds the one in use first."""

    results: tuple[float, ...]
    below: tuple[float, ...]
    fits: tuple[FittedPrior, ...]

    @property
    def chosen(self) -> FittedPrior:
        return self.fits[0]

    @property
    def as_they_are(self) -> ResultsPrior:
        return ResultsPrior((*self.results, *(bound / 2 for bound in self.below)))


@lru_cache(maxsize=64)
def fitted(
    results: tuple[float, ...],
    below: tuple[float, ...],
    values: tuple[float, ...],
    u: tuple[float, ...],
    family: str,
) -> FittedPrior | str:
    """The fit, or the sentence why there is none; kept, since a study is looked at many times with one history."""
    try:
        return fit_prior(results, u_curve(values, u), family=family, below=below)
    except ValueError as error:
        return f"The distribution {family} cannot be fitted to the earlier results: {error}."


def percent(p: float, digits: int = 2) -> str:
    """A probability in per cent: 5.0, 0.031."""
    if 0 < p < 1e-7:
        return "< 0.00001 %"
    return f"{significant(100 * p, digits)} %"


def chance(p: float) -> str:
    """A probability of one result in per cent, where thousandths of a per cent are nothing."""
    if p < 1e-5:
        return "< 0.001 %"
    return "> 99.9 %" if p > 0.9995 else percent(p, 3 if p >= 0.01 else 2)


def in_hundred_thousand(p: float) -> str:
    """A probability as so many in 100 000."""
    count = 100_000 * p
    return f"{significant(count, 2)}" if count >= 0.1 else "fewer than 0.1"


def rules_table(found: Sequence[AtLimit], u: UncertaintyOf, rule: DecisionRule, stated: bool) -> Table:
    """The three rules at each limit, with the largest risk that one result can carry under each."""
    rows = []
    for at in found:
        for name, zones in at.others.items():
            a, r = zones.acceptance_limit, zones.rejection_limit
            cleared = float(probability_above(a, float(u(a)), at.limit, degrees_of_freedom=at.degrees_of_freedom))
            condemned = 1 - float(probability_above(r, float(u(r)), at.limit, degrees_of_freedom=at.degrees_of_freedom))
            mark = ("agreed" if rule.agreed_with else "planned") if stated and name == rule.rule else ""
            texts = [at.text(zones.guard_band), at.text(a), at.text(r), percent(cleared), percent(condemned)]
            rows.append([level_text(at.limit), name, mark, *texts])
    head = ["limit", "rule", "in use", "guard band", "below up to", "above from"]
    head += ["largest risk of a false clearance", "largest risk of a false condemnation"]
    return {"caption": "Decision rules at the customer limits", "head": head, "rows": rows}


def single_tables(found: Sequence[AtLimit], u: UncertaintyOf, history: History | None) -> list[Table]:
    """For results about each limit, and the ends of the zones: the risk, and how they are reported."""
    tables = []
    for at in found:
        ends = {at.zones.acceptance_limit, at.zones.rejection_limit}
        steps = [at.limit * (1 + STEP * step) for step in range(-STEPS, STEPS + 1)]
        # A step that is printed like an end of a zone, or next to it, would only repeat it.
        results = sorted(
            ends | {x for x in steps if x == at.limit or min(abs(x - end) for end in ends) > at.limit / 250}
        )
        rows = []
        for line in result_table(at.zones, u, results, degrees_of_freedom=at.degrees_of_freedom):
            earlier = []
            if history is not None:
                known = probability_above_with(history.chosen.prior, line["result"], at.limit, u)
                earlier = ["unlike the earlier ones" if known is None else chance(known)]
            zone = line["zone"]
            wrong = line["above"] if zone.endswith("below") else line["below"]
            rows.append(
                [
                    fixed(line["result"], max(at.places, 2)),
                    significant(line["u"], 3),
                    chance(line["above"]),
                    *earlier,
                    zone,
                    chance(wrong),
                ]
            )
        head = ["result", "u at the result", "true value above"]
        head += [] if history is None else ["above, earlier results known"]
        head += ["reported as", "wrong with a probability of"]
        tables.append({"caption": f"One result near the limit {level_text(at.limit)}", "head": head, "rows": rows})
    return tables


def overall_table(found: Sequence[AtLimit], u: UncertaintyOf, history: History) -> Table:
    """The three rules applied to many samples like the earlier ones."""
    rows = []
    for at in found:
        for name, zones in at.others.items():
            risk = overall_risk(history.chosen.prior, zones, u)
            missed = "none above" if risk.missed is None else percent(risk.missed)
            shares = [risk.false_clearance, risk.false_condemnation, risk.above, risk.cleared, risk.between]
            rows.append([level_text(at.limit), name, *map(percent, shares), percent(risk.condemned), missed])
    head = ["limit", "rule", "false clearance", "false condemnation", "true value above", "reported as below"]
    head += ["between", "reported as above", "of those above, cleared"]
    return {"caption": "All results: what each rule does to samples like the earlier ones", "head": head, "rows": rows}


def prior_notes(
    found: Sequence[AtLimit], u: UncertaintyOf, history: History, quantities: Sequence[Quantity]
) -> list[str]:
    """What other distributions of the true values would change: a sentence where one exceeds a stated interval."""
    known = {(q.key.rpartition(".")[2], q.at): q for q in quantities}
    others: list[Prior | ResultsPrior] = [*(fit.prior for fit in history.fits[1:]), history.as_they_are]
    parts = []
    for at in found:
        risks = [overall_risk(prior, at.zones, u) for prior in others]
        for name in ("false_clearance", "false_condemnation"):
            q, most = known[name, at.limit], max(getattr(risk, name) for risk in risks)
            if q.value is not None and most > (q.interval[1] if q.interval else 1.5 * q.value):
                place = f"{name.replace('_', ' ')} at the limit {level_text(at.limit)}"
                parts.append(f"{place} up to {percent(most)} ({percent(q.value)} reported)")
    if not parts:
        return []
    names = sentence_list([*(f"a {prior.name} distribution" for prior in others[:-1]), "the results as they are"])
    return [
        f"The choice of the distribution of true values is in no interval: with {names} it would be {'; '.join(parts)}."
    ]


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
    found: Sequence[AtLimit], u: UncertaintyOf, rule: DecisionRule, unit: str, coverage: float
) -> list[Table]:
    """Sentences for the customer's report, one for each zone, and the numbers of each limit that go into them."""
    rows = [[zone, _WHERE[zone, rule.rule], _sentence(zone, found, rule, unit, coverage)] for zone in _zones(found[0])]
    wording = {
        "caption": "Wording for the report; [result] and the numbers of the limit go into the square brackets",
        "head": ["zone", "for a result", "wording"],
        "rows": rows,
    }
    names = ["[limit]", "[U]", "[k]", "[guard band]", "[A]", "[R]", "[risk]"]
    if rule.rule == "simple":
        names = names[:3]
    elif rule.rule == "guarded":
        names.remove("[R]")
    caption = "Numbers for the wording: U and k are those of the budget at the limit, [A] and [R] the ends of the zones"
    numbers = {
        "caption": caption
        if "[A]" in names
        else "Numbers for the wording: U and k are those of the budget at the limit",
        "head": names,
        "rows": [[_numbers(at, u)[name] for name in names] for at in found],
    }
    return [wording, numbers]


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


def _zones(at: AtLimit) -> list[str]:
    return [zone for zone, _, _ in at.zones.spans()]


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


def _sentence(zone: str, found: Sequence[AtLimit], rule: DecisionRule, unit: str, coverage: float) -> str:
    limit = f"the limit of [limit]{unit}"
    result = (
        f"The result is [result]{unit} with an expanded uncertainty of [U]{unit} (k = [k], coverage probability "
        f"{100 * coverage:g} %)"
    )
    by = f"Decision rule: {_template_rule(found, rule, unit)}; {agreement_words(rule)}."
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


def _template_rule(found: Sequence[AtLimit], rule: DecisionRule, unit: str) -> str:
    """ "non-binary, guard band [guard band] % (1.64 u)"; the factor where it is the same at every limit."""
    if rule.rule == "simple":
        return "simple acceptance without a guard band"
    factors = {"U" if rule.guard == "U" else _in_u(at) for at in found}
    factor = f" ({factors.pop()})" if len(factors) == 1 else ""
    return f"{rule.rule}, guard band [guard band]{unit}{factor}"


def rounding_note(found: Sequence[AtLimit], rule: DecisionRule, unit: str) -> str:
    """What rounding does beside the guard band, and which rounded results lie on both sides of an end of a zone."""
    if rule.rounding is None:
        return (
            "The plan does not say to which step results are reported (decision.rounding): the zone is that of the "
            "result before rounding."
        )
    step, own = rule.rounding, rounding_uncertainty(rule.rounding)
    parts = []
    for at in found:
        unclear = sorted({round(end / step) * step for end in (at.zones.acceptance_limit, at.zones.rejection_limit)})
        between = [v for v in unclear if _inside(v, step, at)]
        if between:
            told = " and ".join(fixed(v, max(0, places_for(step, 1))) for v in between)
            parts.append(f"{told}{unit} at the limit {level_text(at.limit)}{unit}")
    bands = [at.zones.guard_band for at in found if at.zones.guard_band > 0]
    share = f", {significant(50 * step / min(bands), 2)} % of the narrowest guard band" if bands else ""
    said = (
        f"Results are reported in steps of {significant(step, 2)}{unit}. Rounding adds a standard uncertainty of "
        f"{significant(own, 2)}{unit} and moves a result by up to {significant(step / 2, 2)}{unit}{share}: "
        "the zone follows from the result before rounding."
    )
    if parts:
        said += f" A reported {'; '.join(parts)} may stand for results in two zones."
    return said


def _inside(rounded: float, step: float, at: AtLimit) -> bool:
    ends = (at.zones.acceptance_limit, at.zones.rejection_limit)
    return any(abs(rounded - end) < step / 2 * (1 - 1e-9) for end in ends)


def curve(at: AtLimit, u: UncertaintyOf) -> dict[str, list[float]]:
    """The probability that the true value lies above, along results about the limit."""
    reach = max(0.2 * at.limit, 1.6 * max(at.zones.guard_band, at.u))
    x = np.linspace(max(at.limit - reach, 0.0), at.limit + reach, 161)
    p = probability_above(x, u(x), at.limit, degrees_of_freedom=at.degrees_of_freedom)
    return {"x": x.tolist(), "above": p.tolist()}
