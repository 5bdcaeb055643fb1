"""The two uncertainty budgets at one level: top-down from what the study measured, bottom-up from single components."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import inf, isfinite, sqrt
from typing import Any

from validation.characteristics import characteristics, evaluated, known_keys
from validation.characteristics._precision_runs import EXPERIMENT, levels, unit_text
from validation.stats.distributions import Distribution, Normal, Rectangular, StudentT, triangular
from validation.stats.propagation import PropagationResult, propagate
from validation.stats.uncertainty import (
    BIAS_ITSELF,
    CombinedResult,
    Place,
    Term,
    Treatment,
    bias_shows,
    bias_terms,
    combine,
    measurement_model,
    root_sum_of_squares,
)
from validation.study.budget import CHECKLIST, MEASURED, Budget, Component
from validation.study.grammar import Limit
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import level_text

WITHIN, BIAS, STANDARD = MEASURED
S_I, TRUENESS_BIAS = "intermediate_precision.s_I", "trueness.bias"

#: Where the answer to each question enters the measurement model; what is not named is a factor of its own.
PLACES: dict[str, Place] = {
    "standard": "standard",
    "sample reading": "sample",
    "standard reading": "standard reading",
}

NO_REFERENCE_UNCERTAINTY = (
    "The precision worksheet states no uncertainty of the reference values (column u_level): it is not part "
    "of the bias."
)

#: Two uncertainties nearer to one another than this share are taken as the same: u itself is hardly known better.
CLOSE = 0.1


def in_words(key: str) -> str:
    """What a key of the results stands for: "repeatability standard deviation"."""
    info = known_keys().get(key)
    return key if info is None else info.meaning.partition(", ")[0].partition(":")[0]


@dataclass(frozen=True, slots=True)
class Found:
    """A measured number at a level, with what stands behind it."""

    value: float
    degrees_of_freedom: float
    uncertainty: float | None = None
    bounds: tuple[float, float] | None = None
    judged_bounds: tuple[float, float] | None = None
    quantities: tuple[Quantity, ...] = ()
    notes: tuple[str, ...] = ()


class Sources:
    """What the other chapters measured, each evaluated once and for its quantities alone."""

    def __init__(self, study: Study) -> None:
        self.study = replace(study, looked_at_otherwise=True)
        self._evaluations: dict[str, Evaluation] = {}
        self._levels = levels(study.experiments[EXPERIMENT])

    def evaluation(self, name: str) -> Evaluation:
        """The evaluation of an earlier chapter."""
        return evaluated(characteristics()[name], self.study, self._evaluations)

    def quantities(self, key: str) -> list[Quantity]:
        """All quantities of a key that have a value."""
        if key in (S_I, TRUENESS_BIAS):
            return self._within if key == S_I else self._biases
        evaluation = self.evaluation(key.partition(".")[0])
        return [q for q in evaluation.judged if q.key == key]

    # Those two by the functions that their chapters call, without the models over levels that the chapters add: the
    # sensitivity of a verdict asks for them again and again.
    @cached_property
    def _within(self) -> list[Quantity]:
        estimates = [(level, level.precision.s_I) for level in self._levels]
        return [level.quantity(S_I, s, self.study) for level, s in estimates if s is not None]

    @cached_property
    def _biases(self) -> list[Quantity]:
        return [level.quantity(TRUENESS_BIAS, level.bias, self.study) for level in self._levels]

    def at(self, key: str, level: float) -> Found | None:
        """A quantity at a level: as found there, or on the straight line between the tested levels beside it."""
        known = sorted((q for q in self.quantities(key) if isinstance(q.at, float | int)), key=lambda q: float(q.at))  # type: ignore[arg-type]
        below = [q for q in known if float(q.at) <= level]  # type: ignore[arg-type]
        above = [q for q in known if float(q.at) >= level]  # type: ignore[arg-type]
        if not below or not above:
            return None
        low, high = below[-1], above[0]
        if low is high:
            return Found(
                low.value or 0.0,
                _df(low),
                low.standard_uncertainty,
                low.interval,
                low.judged_interval,
                (low,),
                low.notes,
            )
        x0, x1 = float(low.at), float(high.at)  # type: ignore[arg-type]
        share = (level - x0) / (x1 - x0)
        errors = [q.standard_uncertainty for q in (low, high) if q.standard_uncertainty is not None]
        note = (
            f"Level {level_text(level)} was not tested: the {in_words(key)} is taken on the straight line between the "
            f"levels {level_text(low.at)} and {level_text(high.at)}."
        )
        return Found(
            (1 - share) * (low.value or 0.0) + share * (high.value or 0.0),
            min(_df(low), _df(high)),
            max(errors) if len(errors) == 2 else None,
            _between(low.interval, high.interval, share),
            _between(low.judged_interval, high.judged_interval, share),
            (low, high),
            tuple(dict.fromkeys((*low.notes, *high.notes, note))),
        )

    def single(self, key: str) -> Quantity | None:
        """A quantity without a level; at several names, that of the lot in use, else None."""
        known = self.quantities(key)
        in_use = self.lot_in_use
        named = [q for q in known if q.at is None or str(q.at) == in_use]
        return named[0] if named else known[0] if len(known) == 1 else None

    @property
    def lot_in_use(self) -> str:
        """The lot that results lean on: as the plan says, else the one that new lots are compared with."""
        compared = self.study.plan.experiments.get("lots")
        return str(self.study.plan.lots.stated.get("in_use") or (compared.reference if compared else "") or "")

    @cached_property
    def tested(self) -> list[float]:
        """Levels with an intermediate precision."""
        return sorted(float(q.at) for q in self.quantities(S_I) if isinstance(q.at, float | int))

    @cached_property
    def standard(self) -> tuple[float | None, float, str]:
        """Relative standard uncertainty of the routine standard, its degrees of freedom, and a sentence on it."""
        q = self.single("standards.relative_uncertainty")
        if q is not None and q.value is not None:
            said = f"The uncertainty of the standard {q.at} is that of its lot record." if q.at else ""
            return q.value, q.degrees_of_freedom or inf, said
        return self._stated_standard()

    def _stated_standard(self) -> tuple[float | None, float, str]:
        entries = self.study.plan.standards
        in_use = self.lot_in_use
        named = [entry for entry in entries if str(entry.get("name", "")) == in_use] or list(entries)
        if len(named) != 1:
            count = "names no standard" if not named else "names several standards and not the lot in use"
            return None, inf, f"The plan {count}: the uncertainty of the standard's content is missing in the budget."
        value, u = named[0].get("value"), named[0].get("uncertainty")
        name = named[0].get("name", "")
        if value is None or u is None or not _positive(value) or not _positive(u):
            said = f"The plan gives no value with an uncertainty for the standard {name}: it is missing in the budget."
            return None, inf, said
        return (
            float(u) / float(value),
            inf,
            f"The uncertainty {u:g} of the standard {name} is taken from the plan as a standard uncertainty (k = 1).",
        )


def _df(q: Quantity) -> float:
    """Degrees of freedom of a measured number; where it carries none, those of its runs."""
    if q.degrees_of_freedom:
        return q.degrees_of_freedom
    return float(q.units - 1) if q.units is not None and q.units > 1 else inf


def _between(
    low: tuple[float, float] | None, high: tuple[float, float] | None, share: float
) -> tuple[float, float] | None:
    if low is None or high is None:
        return None
    return (1 - share) * low[0] + share * high[0], (1 - share) * low[1] + share * high[1]


def _positive(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value) and value > 0


@dataclass(frozen=True, slots=True)
class Sized:
    """One component of the plan with its size at a level. `deviation` is relative to the level, None at level zero.

    `stated`: the plan gives the size itself; else it comes from what the study measured.
    """

    name: str
    term: Term
    told: str
    part_of: str | None
    question: str | None
    origin: str
    deviation: Distribution | None
    notes: tuple[str, ...] = ()
    stated: bool = True


@dataclass(frozen=True, slots=True)
class Group:
    """One line of the map: what the study measured as a whole beside the single components that it contains."""

    name: str
    top_down: float | None
    bottom_up: float | None
    parts: tuple[str, ...]
    remark: str

    @property
    def difference(self) -> float:
        """Bottom-up minus top-down variance."""
        return (self.bottom_up or 0.0) ** 2 - (self.top_down or 0.0) ** 2


@dataclass(frozen=True, slots=True)
class LevelBudget:
    """Both budgets at one level, in the unit of the study; `notes` hold for the level, `general` for the plan."""

    level: float
    tested: bool
    within: Found
    bias: Found | None
    bias_terms: tuple[Term, ...]
    standard: Term | None
    components: tuple[Sized, ...]
    result: CombinedResult
    judged: CombinedResult
    measured: CombinedResult
    bottom_up: PropagationResult | None
    bottom_up_inputs: dict[str, Distribution]
    places: dict[str, Place]
    groups: tuple[Group, ...]
    notes: tuple[str, ...]
    general: tuple[str, ...]

    @property
    def u(self) -> float:
        return self.result.combined.value

    @property
    def bias_dominates(self) -> bool:
        """Whether the bias itself makes up more than half of the variance."""
        return any(t.name == BIAS_ITSELF and t.standard_uncertainty**2 > self.u**2 / 2 for t in self.bias_terms)

    @property
    def agreement(self) -> float | None:
        return None if self.bottom_up is None or self.u == 0 else self.bottom_up.combined / self.u


#: Said wherever both stand in the budget.
TWICE = (
    "What the value of the standard errs by moved the bias too, which was found under it: to count both errs on the "
    "side of caution."
)


def measured_parts(
    sources: Sources, level: float, treatment: Treatment, *, standard_is_component: bool
) -> tuple[Found, Found | None, tuple[Term, ...], Term | None, list[str], list[str]] | None:
    """Within-laboratory reproducibility, bias and standard at a level; None where nothing was measured.

    Last come the notes on this level, and those on the standard, which hold for every one.
    """
    within = sources.at(S_I, level)
    if within is None:
        return None
    bias, notes = sources.at(TRUENESS_BIAS, level), [*within.notes]
    terms: tuple[Term, ...] = ()
    if bias is None:
        notes.append("No bias was measured at this level: it is missing in the budget.")
    else:
        notes += [note for note in bias.notes if "was not tested" in note]
        if bias.uncertainty is None:
            notes.append("The bias has no uncertainty of its own here; one run, or run means that do not differ.")
        terms = _terms_of(bias, treatment, bias.bounds)
    relative, df, said = sources.standard
    if standard_is_component:
        return within, bias, terms, None, notes, []
    standard = None if relative is None else Term(STANDARD, relative * abs(level), df)
    general = [said] if said else []
    if terms and standard is not None:
        general.append(TWICE)
    return within, bias, terms, standard, notes, general


def _terms_of(bias: Found, treatment: Treatment, interval: tuple[float, float] | None) -> tuple[Term, ...]:
    df = bias.degrees_of_freedom
    return bias_terms(
        bias.value, bias.uncertainty or 0.0, treatment=treatment, degrees_of_freedom=df, interval=interval
    )


def level_budget(study: Study, budget: Budget, sources: Sources, level: float) -> LevelBudget | None:
    """Draw up both budgets at one level; None where no intermediate precision is known there."""
    components, unsized = _sized_components(budget, sources, level, study.unit)
    own_standard = any(c.question == "standard" and c.part_of is None for c in components)
    parts = measured_parts(sources, level, budget.bias, standard_is_component=own_standard)
    if parts is None:
        return None
    within, bias, of_bias, standard, notes, general = parts
    general += [*unsized, *(note for component in components for note in component.notes)]
    of_bias_judged = () if bias is None else _terms_of(bias, budget.bias, bias.judged_bounds)
    both = [component.term for component in components if component.part_of is None]
    coverage = budget.coverage or study.confidence
    n = len({reading for q in within.quantities for reading in q.readings})

    def joined(further: Sequence[Term], confidence: float) -> CombinedResult:
        judged = confidence != study.confidence
        own = Term(WITHIN, within.value, within.degrees_of_freedom, within.judged_bounds if judged else within.bounds)
        beside = [*(of_bias_judged if judged else of_bias), *([standard] if standard else [])]
        return combine([own, *beside, *further], coverage=coverage, confidence=confidence, n=n)

    places = {c.name: PLACES.get(c.question or "", "factor") for c in components}
    inputs = {c.name: c.deviation for c in components if c.deviation is not None}
    bottom_up = None
    if level > 0 and inputs:
        bottom_up = propagate(measurement_model(level, places), inputs, confidence=coverage)
    return LevelBudget(
        level=level,
        tested=level in sources.tested,
        within=within,
        bias=bias,
        bias_terms=of_bias,
        standard=standard,
        components=tuple(components),
        result=joined(both, study.confidence),
        judged=joined(both, study.judged_confidence),
        measured=joined([], study.confidence),
        bottom_up=bottom_up,
        bottom_up_inputs=inputs,
        places=places,
        groups=_groups(within, of_bias, standard, components, bottom_up),
        notes=tuple(dict.fromkeys(notes)),
        general=tuple(dict.fromkeys(general)),
    )


def left_out(budget: Budget, found: LevelBudget) -> bool:
    """Whether the treatment `restrict` gives this level no uncertainty, because its bias shows."""
    if budget.bias != "restrict" or found.bias is None:
        return False
    return bias_shows(found.bias.value, found.bias.uncertainty or 0.0)


def _sized_components(budget: Budget, sources: Sources, level: float, unit: str) -> tuple[list[Sized], list[str]]:
    """Every component with a size at this level, and a sentence for each that should have one and has none."""
    sized, notes = [], []
    for component in budget.components:
        if component.reason is not None:
            continue
        one = _sized(component, sources, level, unit)
        if one is None:
            at = "" if component.at is None else f" at {level_text(component.at)}"
            notes.append(
                f"{component.name}: the {in_words(str(component.taken_from))} was not measured{at} "
                f"({component.taken_from}), so the component is missing in the budget; the uncertainty is too small."
            )
        else:
            sized.append(one)
    if not any(component.question == "fuel" for component in budget.components):
        spread = sources.single("fuel.spread")
        if spread is not None and spread.value is not None:
            sized.append(_measured_fuel(spread, level))
    return sized, notes


def _measured_fuel(spread: Quantity, level: float) -> Sized:
    size, df = (spread.value or 0.0) * abs(level), _df(spread)
    note = "The plan answers nothing for the fuel: the spread over all fuels of the fuel experiment is taken."
    deviation = StudentT(0.0, spread.value or 0.0, df) if level else None
    told = in_words("fuel.spread")
    return Sized("fuel", Term("fuel", size, df), told, None, "fuel", "fuel experiment", deviation, (note,), False)


def told_size(size: Limit, unit: str) -> str:
    """A size of the plan in words: "2 % of the level", "0.03 + 1.8 % of the level", "0.1 %"."""
    if size.number is not None:
        return f"{size}{unit_text(unit)}"
    text = str(size).replace(" %", " % of the level")
    flat = text.startswith("sum(") and text.count("(") == 1
    return text[len("sum(") : -1].replace(", ", " + ") if flat else text


def _sized(component: Component, sources: Sources, level: float, unit: str) -> Sized | None:
    df, notes = component.degrees_of_freedom or inf, []
    shape = "normal"
    if component.taken_from is not None:
        taken = _taken(component, sources, level)
        if taken is None:
            return None
        size, measured_df, told = taken
        df = component.degrees_of_freedom or measured_df
        half = 0.0
    elif component.half_width is not None:
        half, shape = abs(component.half_width.value(level)), component.shape or "rectangular"
        size = half / sqrt({"rectangular": 3, "triangular": 6, "one-sided": 12}[shape])
        told = f"half-width {told_size(component.half_width, unit)}, {shape}"
        if shape == "one-sided":
            told = f"from nothing to {told_size(component.half_width, unit)}, one-sided"
            notes = [
                f"{component.name} is one-sided: results move by half of its limit on average. The budget takes them "
                "as corrected for that; where they are not, it belongs to the bias."
            ]
            half /= 2
    else:
        assert component.size is not None
        size, half, told = abs(component.size.value(level)), 0.0, told_size(component.size, unit)
    return Sized(
        component.name,
        Term(component.name, size, df),
        told,
        component.part_of,
        component.question,
        component.origin or "origin not stated",
        _deviation(shape, size, half, df, abs(level)),
        tuple(notes),
        component.taken_from is None,
    )


def _deviation(shape: str, size: float, half: float, df: float, level: float) -> Distribution | None:
    if level == 0:
        return None
    if shape == "triangular":
        return triangular(-half / level, half / level, degrees_of_freedom=df)
    if shape != "normal":
        return Rectangular(-half / level, half / level, degrees_of_freedom=df)
    return StudentT(0.0, size / level, df) if isfinite(df) else Normal(0.0, size / level)


def _taken(component: Component, sources: Sources, level: float) -> tuple[float, float, str] | None:
    """A measured standard deviation as a component: its size here, its degrees of freedom, how it came about."""
    key, at = str(component.taken_from), component.at
    divided = f", mean of {component.readings} readings" if component.readings > 1 else ""
    found = sources.at(key, level if at is None else at)
    if found is not None:
        # Taken elsewhere, as the standard's readings are, it comes along as a share of the level there.
        share = 1.0 if at is None else abs(level / at) if at else 0.0
        place = "" if at is None else f" at {level_text(at)}"
        return (
            share * found.value / sqrt(component.readings),
            found.degrees_of_freedom,
            f"{in_words(key)}{place}{divided}",
        )
    q = sources.single(key)
    if q is None or q.value is None or isinstance(q.at, float):
        return None
    # A size in the unit of the study that was found at one level comes along as a share of that level.
    scale = abs(level) if q.unit == "1" else 1.0 if not at else abs(level / at)
    place = "" if at is None else f" at {level_text(at)}"
    return scale * q.value / sqrt(component.readings), _df(q), f"{in_words(key)}{place}{divided}"


def _groups(
    within: Found,
    of_bias: Sequence[Term],
    standard: Term | None,
    components: Sequence[Sized],
    bottom_up: PropagationResult | None,
) -> tuple[Group, ...]:
    contributions = {} if bottom_up is None else {part.name: abs(part.contribution) for part in bottom_up.parts}

    def group(name: str, top_down: float | None, parts: Sequence[Sized], lacking: str) -> Group:
        names = tuple(part.name for part in parts)
        sizes = [contributions[name] for name in names if name in contributions]
        bottom = root_sum_of_squares(sizes) if sizes else None
        remark = ""
        if top_down is None and bottom is not None:
            remark = "bottom-up alone: the study has no measured value"
        elif top_down is not None and bottom is None:
            remark = lacking
        elif name == STANDARD and top_down and bottom and abs(bottom / top_down - 1) > CLOSE:
            remark = "what the plan says of the standard differs from what is counted top-down"
        return Group(name, top_down, bottom, names, remark)

    def inside(name: str) -> list[Sized]:
        return [component for component in components if component.part_of == name]

    u_bias = root_sum_of_squares([term.standard_uncertainty for term in of_bias]) if of_bias else None
    measured = [
        group(WITHIN, within.value, inside(WITHIN), "top-down alone: the plan names no component that makes it up"),
        group(
            BIAS,
            u_bias,
            inside(BIAS),
            "top-down alone: the measurement model takes the calibration as a straight line through zero",
        ),
        group(
            STANDARD,
            None if standard is None else standard.standard_uncertainty,
            inside(STANDARD),
            "top-down alone: the plan names no component for it",
        ),
    ]
    own = [
        replace(group(part.name, part.term.standard_uncertainty, [part], "top-down alone"), remark="the same in both")
        for part in components
        if part.part_of is None
    ]
    return tuple(line for line in (*measured, *own) if line.top_down is not None or line.bottom_up is not None)


def answers(study: Study, budget: Budget, components: Sequence[Sized]) -> list[tuple[str, str, str]]:
    """Question, meaning and answer of the checklist; "not answered" where neither plan nor design says anything."""
    found = []
    for question, meaning in CHECKLIST.items():
        said = [f"{c.told}: {c.origin}" for c in components if c.question == question]
        said += [c.reason for c in budget.components if c.question == question and c.reason is not None]
        found.append((question, meaning, "; ".join(said) or _varied(study, question) or "not answered"))
    return found


def _varied(study: Study, question: str) -> str:
    """What the precision experiment itself varied and so contains."""
    table = study.experiments[EXPERIMENT].table
    if question in ("analyst", "instrument") and question in table:
        names = sorted({str(name).strip() for name in table[question]} - {""})
        if len(names) > 1:
            return f"varied in the precision experiment ({len(names)} of them): contained in its reproducibility"
    if question == "sample reading":
        return "contained in the within-laboratory reproducibility"
    return ""
