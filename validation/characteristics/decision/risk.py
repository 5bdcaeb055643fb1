"""How often reports are wrong: for one result, and over all samples like the laboratory's earlier ones."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from validation.characteristics.decision.chances import chance, percent
from validation.characteristics.decision.zones import AtLimit, Known
from validation.figures.decision import EarlierResults
from validation.stats.decision import (
    OVERALL,
    OneResult,
    averaged,
    one_result,
    overall_risk,
    probability_above,
    probability_above_with,
    u_curve,
)
from validation.stats.prior import FittedPrior, Prior, ResultsPrior, UncertaintyOf, density_of_results, fit_prior
from validation.study.model import ExperimentData, Study
from validation.study.quantity import Quantity, Table
from validation.study.text_files import bound_of, is_below
from validation.words import counted, fixed, level_text, sentence_list, significant

EXPERIMENT = "history"
#: Fewer earlier results say too little about the share beyond a limit; fewer than the second, about two kinds of it.
FEWEST, FEWEST_FOR_TWO = 20, 60
#: Results of a table near a limit, in steps of this share of the limit, and how many on each side.
STEP, STEPS = 0.04, 5
#: Distributions of true values that earlier results are fitted with, the most general first.
PRIORS = ("two lognormals", "lognormal", "gamma")

NO_HISTORY = (
    "No earlier results are at hand (experiment history), so how often reports are wrong over all samples cannot be "
    "said; the risk of one result needs none."
)
FROM_HISTORY = (
    "The earlier results are taken as true value plus error, with the uncertainty that this study found; the spread "
    "of the error is taken out by the fit. The interval of false clearance and false condemnation holds the number of "
    "earlier results alone: the form of the distribution and u are taken as known. A table of its own shows what they "
    "are where u is another."
)


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


def history_of(study: Study, known: Known) -> tuple[History | None, list[str]]:
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
        fit = _fitted(results, below, known.values, known.sizes, family)
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
        bound = bound_of(reading.values["result"])
        if bound is not None and is_below(reading.values["result"]):
            bounds.append(float(bound))
        else:
            other += 1
    notes = []
    if bounds:
        enter = "enters" if len(bounds) == 1 else "enter"
        notes.append(
            f"{counted(len(bounds), 'earlier result')} reported as below a bound {enter} as such; where results are "
            "taken as they are, with half the bound."
        )
    if other:
        were = "was" if other == 1 else "were"
        notes.append(f"{counted(other, 'earlier result')} reported as above a bound {were} left out.")
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


@lru_cache(maxsize=64)
def _fitted(
    results: tuple[float, ...],
    below: tuple[float, ...],
    values: tuple[float, ...],
    u: tuple[float, ...],
    family: str,
) -> FittedPrior | str:
    """The fit, or the sentence why there is none; kept, since a study is judged many times with one history."""
    try:
        return fit_prior(results, u_curve(values, u), family=family, below=below)
    except ValueError as error:
        return f"The distribution {family} cannot be fitted to the earlier results: {error}."


def risk_quantities(at: AtLimit, known: Known, history: History, study: Study) -> list[Quantity]:
    """False clearance and false condemnation over all samples, at one limit."""
    data = study.experiments[EXPERIMENT]
    bounds = (reading.reading for reading in data.censored if is_below(reading.values["result"]))
    readings = (*(str(name) for name in data.table["reading"]), *bounds)
    ways: dict[str, Callable[[Prior], float]] = {
        "false_clearance": lambda prior: overall_risk(prior, at.zones, known.curve).false_clearance,
        "false_condemnation": lambda prior: overall_risk(prior, at.zones, known.curve).false_condemnation,
    }
    return [
        Quantity(
            key=f"decision.{name}",
            at=at.limit,
            estimate=replace(history.chosen.estimate(way), source=OVERALL),
            level=study.confidence,
            unit="1",
            worksheet=data.worksheet,
            readings=readings,
            unit_name="samples",
        )
        for name, way in ways.items()
    ]


# Tables and notes -----------------------------------------------------------------------------------------------


def single_tables(limits: Sequence[AtLimit], u: UncertaintyOf, history: History | None) -> list[Table]:
    """For results about each limit, and the ends of the zones: the risk, and how they are reported."""
    head = ["result", "u at the result", "true value above"]
    head += [] if history is None else ["above, earlier results known"]
    head += ["reported as", "wrong with a probability of"]
    tables = []
    for at in limits:
        results = one_result(at.zones, u, _near(at), degrees_of_freedom=at.degrees_of_freedom)
        rows = tuple(_single_row(result, at, u, history) for result in results)
        tables.append(Table("one result", f"One result near the limit {level_text(at.limit)}", tuple(head), rows))
    return tables


def _near(at: AtLimit) -> list[float]:
    """Results in steps about a limit, and the ends of its zones."""
    ends = {at.zones.acceptance_limit, at.zones.rejection_limit}
    steps = [at.limit * (1 + STEP * step) for step in range(-STEPS, STEPS + 1)]
    # A step that is printed like an end of a zone, or next to it, would only repeat it.
    return sorted(ends | {x for x in steps if x == at.limit or min(abs(x - end) for end in ends) > at.limit / 250})


def _single_row(result: OneResult, at: AtLimit, u: UncertaintyOf, history: History | None) -> tuple[str, ...]:
    earlier = []
    if history is not None:
        known = probability_above_with(history.chosen.prior, result.result, at.limit, u)
        earlier = ["unlike the earlier ones" if known is None else chance(known)]
    value = fixed(result.result, max(at.places, 2))
    return (value, significant(result.u, 3), chance(result.above), *earlier, result.zone, chance(result.wrong))


def overall_table(limits: Sequence[AtLimit], u: UncertaintyOf, history: History) -> Table:
    """The three rules applied to many samples like the earlier ones."""
    rows: list[tuple[str, ...]] = []
    for at in limits:
        for name, zones in at.others.items():
            risk = overall_risk(history.chosen.prior, zones, u)
            missed = "none above" if risk.missed is None else percent(risk.missed)
            shares = [risk.false_clearance, risk.false_condemnation, risk.above, risk.cleared, risk.between]
            rows.append((level_text(at.limit), name, *map(percent, shares), percent(risk.condemned), missed))
    head = ["limit", "rule", "false clearance", "false condemnation", "true value above", "reported as below"]
    head += ["between", "reported as above", "of those above, cleared"]
    caption = "All results: what each rule does to samples like the earlier ones"
    return Table("all results", caption, tuple(head), tuple(rows))


def uncertain_u_table(limits: Sequence[AtLimit], known: Known, history: History | None) -> list[Table]:
    """What the risks become where u is not the one reported: at the ends of its interval, and averaged over it."""
    head = ["limit", "u", "its size", "a result at the acceptance limit", "a result at the rejection limit"]
    head += [] if history is None else ["false clearance", "false condemnation"]
    caption = "Risk of a wrong report where u is not the one reported, by which the zones were made"
    rows = tuple(row for at in limits for row in _rows_by_u(at, known, history))
    return [Table("uncertain u", caption, tuple(head), rows)] if rows else []


def _rows_by_u(at: AtLimit, known: Known, history: History | None) -> list[tuple[str, ...]]:
    """The risks at one limit; none where u has no interval."""
    q = known.nearest(at.limit)
    ends, of_u = q.interval, q.estimate.distribution
    if ends is None or of_u is None or not q.value:
        return []
    risks, limit = _risks_by_u(at, q.value, known, history), level_text(at.limit)
    sizes = {"as reported": q.value, "lower end of its interval": ends[0], "upper end of its interval": ends[1]}
    rows = [
        (limit, name, significant(at.u * u / q.value, 3), *(percent(risk(u)) for risk in risks))
        for name, u in sizes.items()
    ]
    means = [averaged(of_u, risk) for risk in risks]
    return [*rows, (limit, "averaged over u", "", *("" if mean is None else percent(mean) for mean in means))]


def _risks_by_u(at: AtLimit, reported: float, known: Known, history: History | None) -> list[Callable[[float], float]]:
    """Each risk as a function of the u at the limit; elsewhere u keeps its share of that."""
    zones = at.zones

    def single(end: float) -> Callable[[float], float]:
        side = 1.0 if end <= at.limit else -1.0
        return lambda u: float(probability_above(side * end, u * float(known.curve(end)) / reported, side * at.limit))

    def overall(name: str) -> Callable[[float], float]:
        def risk(u: float) -> float:
            assert history is not None
            of_u = overall_risk(history.chosen.prior, zones, lambda x: known.curve(x) * u / reported)
            return float(getattr(of_u, name))

        return risk

    over_all = [] if history is None else [overall("false_clearance"), overall("false_condemnation")]
    return [single(zones.acceptance_limit), single(zones.rejection_limit), *over_all]


def prior_notes(
    limits: Sequence[AtLimit], u: UncertaintyOf, history: History, quantities: Sequence[Quantity]
) -> list[str]:
    """What other distributions of the true values would change: a sentence where one exceeds a stated interval."""
    known = {(q.key.rpartition(".")[2], q.at): q for q in quantities}
    others: list[Prior | ResultsPrior] = [*(fit.prior for fit in history.fits[1:]), history.as_they_are]
    parts = []
    for at in limits:
        risks = [overall_risk(prior, at.zones, u) for prior in others]
        for name in ("false_clearance", "false_condemnation"):
            q, most = known[name, at.limit], max(getattr(risk, name) for risk in risks)
            if most > (q.interval[1] if q.interval else 1.5 * q.value):
                place = f"{name.replace('_', ' ')} at the limit {level_text(at.limit)}"
                parts.append(f"{place} up to {percent(most)} ({percent(q.value)} reported)")
    if not parts:
        return []
    names = sentence_list([*(f"a {prior.name} distribution" for prior in others[:-1]), "the results as they are"])
    return [
        f"The choice of the distribution of true values is in no interval: with {names} it would be {'; '.join(parts)}."
    ]


def earlier_results(history: History, u: UncertaintyOf) -> EarlierResults:
    """Earlier results in classes, and how many the fitted distribution would put into each."""
    top = 1.05 * max(history.results)
    edges = np.linspace(0.0, top, 31)
    counts, _ = np.histogram(np.clip(history.results, 0.0, top), edges)
    x = np.linspace(0.0, top, 241)
    expected = len(history.results) * float(edges[1]) * density_of_results(history.chosen.prior, x, u)
    return EarlierResults(
        edges=tuple(edges.tolist()),
        counts=tuple(counts.tolist()),
        x=tuple(x.tolist()),
        expected=tuple(expected.tolist()),
        n=len(history.results),
        family=history.chosen.family,
    )
