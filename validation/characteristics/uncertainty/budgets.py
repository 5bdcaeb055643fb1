"""The two uncertainty budgets at one level: top-down from what the study measured, bottom-up from single components."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite, sqrt

from validation.characteristics._precision_runs import EXPERIMENT, unit_text
from validation.characteristics.uncertainty.sources import (
    IN_WORDS,
    S_I,
    Measured,
    MeasuredBias,
    Sources,
    degrees_behind,
)
from validation.characteristics.uncertainty.standard import standard_counts
from validation.stats.confidence import Affine, ConfidenceDistribution
from validation.stats.distributions import Distribution, Normal, Rectangular, StudentT, triangular
from validation.stats.propagation import PropagationResult, propagate
from validation.stats.uncertainty import (
    BIAS_ITSELF,
    CombinedResult,
    Place,
    Term,
    bias_shows,
    bias_terms,
    combine,
    measurement_model,
    root_sum_of_squares,
)
from validation.study.budget import CHECKLIST, MEASURED, Budget, Component
from validation.study.grammar import Limit
from validation.study.model import Study
from validation.study.quantity import Quantity
from validation.words import level_text, sentence_list

WITHIN, BIAS, STANDARD = MEASURED

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


@dataclass(frozen=True, slots=True)
class Sized:
    """One component of the plan with its size at a level. `deviation` is relative to the level, None at level zero.

    `stated`: the plan gives the size itself; else it comes from what the study measured.
    """

    name: str
    term: Term
    in_words: str
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


@dataclass(frozen=True)
class MeasuredParts:
    """Within-laboratory reproducibility, bias and standard at a level, with the notes on it.

    `standard_beside`: whether the standard counts beside the bias; else it is in it. `general` notes are those that
    need not hold for this level alone.
    """

    within: Measured
    bias: MeasuredBias | None
    bias_terms: tuple[Term, ...]
    standard: Term | None
    standard_beside: bool
    notes: tuple[str, ...]
    general: tuple[str, ...]

    @property
    def terms(self) -> list[Term]:
        own = Term(WITHIN, self.within.value, self.within.degrees_of_freedom, self.within.distribution)
        return [own, *self.bias_terms, *([self.standard] if self.standard else [])]


@dataclass(frozen=True, slots=True)
class LevelBudget:
    """Both budgets at one level, in the unit of the study; `notes` hold for the level, `general` for the plan."""

    level: float
    tested: bool
    within: Measured
    bias: MeasuredBias | None
    bias_terms: tuple[Term, ...]
    standard: Term | None
    components: tuple[Sized, ...]
    result: CombinedResult
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


def measured_parts(
    sources: Sources, level: float, budget: Budget, *, stated: float | None = None
) -> MeasuredParts | None:
    """What the study itself measured of the uncertainty at a level; None where nothing was.

    `stated`: size of the standard at this level where the plan states it as a component of its own.
    """
    within = sources.at(S_I, level)
    if within is None:
        return None
    bias, notes = sources.bias(level), [*within.notes]
    counts = standard_counts(budget.reference, sources, bias)
    relative, df, of_standard = sources.standard
    if counts.size is not None:
        relative, df, of_standard = counts.size, inf, counts.of_lots
    standard = None if relative is None else Term(STANDARD, relative * abs(level), df)
    size = stated if stated is not None or standard is None else standard.standard_uncertainty
    terms: tuple[Term, ...] = ()
    if bias is None:
        notes.append("No bias was measured at this level: it is missing in the budget.")
    else:
        notes += [note for note in bias.of_trueness.notes if "was not tested" in note]
        if bias.uncertainty is None:
            notes.append("The bias has no uncertainty of its own here; one run, or run means that do not differ.")
        terms = _bias_terms(bias, budget, (size or 0.0) if counts.shared else 0.0)
    if stated is not None or not counts.beside:
        standard, of_standard = None, ""
    known = size is not None or not counts.beside
    general = [note for note in (of_standard, counts.note if known else "", _shared_runs(sources)) if note]
    return MeasuredParts(within, bias, terms, standard, counts.beside, tuple(notes), tuple(general))


def _shared_runs(sources: Sources) -> str:
    """Said where several runs share an analyst or an instrument, and others have another one."""
    table = sources.study.experiments[EXPERIMENT].table
    runs = table["run"].nunique()
    shared = []
    for factor in ("analyst", "instrument"):
        count = len(set(table[factor].astype(str).str.strip()) - {""}) if factor in table else 0
        if 1 < count < runs:
            shared.append(f"{count} {factor}s")
    if not shared:
        return ""
    return (
        f"{runs} runs share {sentence_list(shared)}, and the interval of u takes the runs as independent: where these "
        "differ as much as runs do, a u exactly at its limit is called met in 10 to 17 of 100 studies of 8 runs with "
        "few of them, instead of 5."
    )


def _bias_terms(bias: MeasuredBias, budget: Budget, shared: float) -> tuple[Term, ...]:
    """Terms of the bias; `shared` is the part of the uncertainty of the reference values that counts elsewhere."""
    return bias_terms(
        bias.value,
        bias.error,
        treatment=budget.bias,
        reference=sqrt(max(bias.reference**2 - shared**2, 0.0)),
        degrees_of_freedom=float(bias.runs - 1) or inf,
        distribution=bias.of_trueness.distribution,
        runs=bias.runs,
    )


def level_budget(study: Study, budget: Budget, sources: Sources, level: float) -> LevelBudget | None:
    """Draw up both budgets at one level; None where no intermediate precision is known there."""
    components, unsized = _sized_components(budget, sources, level, study.unit)
    of_standard = [c for c in components if c.question == "standard" and c.part_of is None]
    stated = root_sum_of_squares([c.term.standard_uncertainty for c in of_standard]) if of_standard else None
    parts = measured_parts(sources, level, budget, stated=stated)
    if parts is None:
        return None
    if not parts.standard_beside:
        components = [replace(c, part_of=STANDARD) if c in of_standard else c for c in components]
    both = [component.term for component in components if component.part_of is None]
    coverage = budget.coverage or study.confidence
    n = len({reading for q in parts.within.quantities for reading in q.readings})
    places = {c.name: PLACES.get(c.question or "", "factor") for c in components}
    inputs = {c.name: c.deviation for c in components if c.deviation is not None}
    bottom_up = None
    if level > 0 and inputs:
        bottom_up = propagate(measurement_model(level, places), inputs, confidence=coverage)
    return LevelBudget(
        level=level,
        tested=level in sources.tested,
        within=parts.within,
        bias=parts.bias,
        bias_terms=parts.bias_terms,
        standard=parts.standard,
        components=tuple(components),
        result=combine([*parts.terms, *both], coverage=coverage, n=n),
        measured=combine(parts.terms, coverage=coverage, n=n),
        bottom_up=bottom_up,
        bottom_up_inputs=inputs,
        places=places,
        groups=_groups(parts, components, bottom_up),
        notes=parts.notes,
        general=tuple(dict.fromkeys((*parts.general, *unsized, *(note for c in components for note in c.notes)))),
    )


def measured_expanded(one: LevelBudget) -> float:
    """The measured part times the k of the whole budget: its own k would hide part of what is left out."""
    return one.result.coverage_factor * one.measured.combined.value


def expanded_with(one: LevelBudget, *further: float) -> float:
    """U with further uncertainties, at the k of the budget: its own k would hide part of what is added."""
    return one.result.coverage_factor * root_sum_of_squares([one.u, *further])


def left_out(budget: Budget, one: LevelBudget) -> bool:
    """Whether the treatment `restrict` gives this level no uncertainty, because its bias shows."""
    if budget.bias != "restrict" or one.bias is None:
        return False
    return bias_shows(one.bias.value, one.bias.uncertainty or 0.0)


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
                f"{component.name}: the {IN_WORDS[str(component.taken_from)]} was not measured{at} "
                f"({component.taken_from}), so the component is missing in the budget; the uncertainty is too small."
            )
        else:
            sized.append(one)
    if not any(component.question == "fuel" for component in budget.components):
        spread = sources.single("fuel.spread")
        if spread is not None:
            sized.append(_measured_fuel(spread, level))
    return sized, notes


def _measured_fuel(spread: Quantity, level: float) -> Sized:
    size, df = spread.value * abs(level), degrees_behind(spread)
    own = _scaled(spread.estimate.distribution, abs(level))
    note = "The plan answers nothing for the fuel: the spread over all fuels of the fuel experiment is taken."
    deviation = StudentT(0.0, spread.value, df) if level else None
    origin = IN_WORDS["fuel.spread"]
    term = Term("fuel", size, df, own)
    return Sized("fuel", term, origin, None, "fuel", "fuel experiment", deviation, (note,), False)


def _scaled(distribution: ConfidenceDistribution | None, factor: float) -> ConfidenceDistribution | None:
    """That of `factor` times a measured standard deviation; None where there is none, or nothing is left of it."""
    return None if distribution is None or not factor else Affine(distribution, factor)


def size_in_words(size: Limit, unit: str) -> str:
    """A size of the plan in words: "2 % of the level", "0.03 + 1.8 % of the level", "0.1 %"."""
    if size.number is not None:
        return f"{size}{unit_text(unit)}"
    text = str(size).replace(" %", " % of the level")
    flat = text.startswith("sum(") and text.count("(") == 1
    return text[len("sum(") : -1].replace(", ", " + ") if flat else text


def _sized(component: Component, sources: Sources, level: float, unit: str) -> Sized | None:
    df, notes = component.degrees_of_freedom or inf, []
    shape, own = "normal", None
    if component.taken_from is not None:
        taken = _taken(component, sources, level)
        if taken is None:
            return None
        size, measured_df, in_words, distribution = taken
        df = component.degrees_of_freedom or measured_df
        own = None if component.degrees_of_freedom else distribution
        half = 0.0
    elif component.half_width is not None:
        half, shape = abs(component.half_width.value(level)), component.shape or "rectangular"
        size = half / sqrt({"rectangular": 3, "triangular": 6, "one-sided": 12}[shape])
        in_words = f"half-width {size_in_words(component.half_width, unit)}, {shape}"
        if shape == "one-sided":
            in_words = f"from nothing to {size_in_words(component.half_width, unit)}, one-sided"
            notes = [
                f"{component.name} is one-sided: results move by half of its limit on average. The budget takes them "
                "as corrected for that; where they are not, it belongs to the bias."
            ]
            half /= 2
    else:
        assert component.size is not None
        size, half, in_words = abs(component.size.value(level)), 0.0, size_in_words(component.size, unit)
    return Sized(
        component.name,
        Term(component.name, size, df, own),
        in_words,
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


_Taken = tuple[float, float, str, ConfidenceDistribution | None]


def _taken(component: Component, sources: Sources, level: float) -> _Taken | None:
    """A measured standard deviation as a component: size here, degrees of freedom, how it came about, distribution."""
    key, at = str(component.taken_from), component.at
    divided = f", mean of {component.readings} readings" if component.readings > 1 else ""
    measured = sources.at(key, level if at is None else at)
    if measured is not None:
        # Taken elsewhere, as the standard's readings are, it comes along as a share of the level there.
        share = 1.0 if at is None else abs(level / at) if at else 0.0
        place = "" if at is None else f" at {level_text(at)}"
        factor, in_words = share / sqrt(component.readings), f"{IN_WORDS[key]}{place}{divided}"
        own = _scaled(measured.distribution, factor)
        return factor * measured.value, measured.degrees_of_freedom, in_words, own
    q = sources.single(key)
    if q is None or isinstance(q.at, float):
        return None
    # A size in the unit of the study that was found at one level comes along as a share of that level.
    scale = abs(level) if q.unit == "1" else 1.0 if not at else abs(level / at)
    place = "" if at is None else f" at {level_text(at)}"
    factor = scale / sqrt(component.readings)
    own = _scaled(q.estimate.distribution, factor)
    return factor * q.value, degrees_behind(q), f"{IN_WORDS[key]}{place}{divided}", own


def _groups(
    parts: MeasuredParts, components: Sequence[Sized], bottom_up: PropagationResult | None
) -> tuple[Group, ...]:
    within, of_bias, standard, beside = parts.within, parts.bias_terms, parts.standard, parts.standard_beside
    contributions = {} if bottom_up is None else {part.name: abs(part.contribution) for part in bottom_up.parts}

    def group(name: str, top_down: float | None, parts: Sequence[Sized], lacking: str) -> Group:
        names = tuple(part.name for part in parts)
        sizes = [contributions[name] for name in names if name in contributions]
        bottom = root_sum_of_squares(sizes) if sizes else None
        remark = ""
        if name == STANDARD and not beside:
            remark = "top-down it is in the bias, which holds what its value errs by"
        elif top_down is None and bottom is not None:
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
            "top-down alone: the measurement model takes the calibration as a straight line through zero"
            + ("" if beside else "; what the standard errs by is in it"),
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
    rows = []
    for question, meaning in CHECKLIST.items():
        answer = [f"{c.in_words}: {c.origin}" for c in components if c.question == question]
        answer += [c.reason for c in budget.components if c.question == question and c.reason is not None]
        rows.append((question, meaning, "; ".join(answer) or _varied(study, question) or "not answered"))
    return rows


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
