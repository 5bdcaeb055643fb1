"""The precision experiment taken apart: levels, runs in them, independent preparations in those."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import Any

from validation.characteristics._censored import all_censored
from validation.stats.accuracy import ToleranceResult, tolerance_limits
from validation.stats.estimate import Estimate, mean
from validation.stats.precision import PrecisionResult, precision
from validation.stats.precision_forms import FORMULAS, RULE, precision_forms
from validation.stats.precision_model import PrecisionModelResult, precision_model
from validation.stats.robust import robust_precision
from validation.stats.trueness import bias
from validation.study.model import ExperimentData, Study
from validation.study.quantity import At, Evaluation, Quantity
from validation.words import level_text, significant

EXPERIMENT = "precision"
NO_PREPARATION = "The worksheet has no preparation column: independence of the replicates is not shown."
DEFAULT_REFERENCE = "The worksheet has no assigned column: the level itself is taken as the reference value."
LABELS = (
    "The levels are labels: neither bias nor tolerance limits are computed. Numeric levels, with the reference value "
    "of each preparation in the column assigned, would supply them."
)


@dataclass(frozen=True)
class Run:
    """One run at one level: positions in the table, grouped by independent preparation."""

    name: str
    preparations: tuple[tuple[int, ...], ...]

    @property
    def rows(self) -> tuple[int, ...]:
        return tuple(sorted(row for preparation in self.preparations for row in preparation))


@dataclass(frozen=True)
class Level:
    """All runs at one level, with the estimates that more than one chapter needs."""

    at: At
    runs: tuple[Run, ...]
    data: ExperimentData

    @property
    def rows(self) -> tuple[int, ...]:
        return tuple(sorted(row for run in self.runs for row in run.rows))

    @property
    def readings(self) -> list[str]:
        return self.identifiers(self.rows)

    @property
    def censored(self) -> int:
        return self.data.censored_at("level", self.at)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What holds for every quantity of this level."""
        count = self.censored
        return (f"{count} censored reading(s) at this level were left out.",) if count else ()

    def identifiers(self, rows: Sequence[int]) -> list[str]:
        return [str(name) for name in self.data.table["reading"].iloc[list(rows)]]

    def lines(self, rows: Sequence[int]) -> list[int]:
        return [int(line) for line in self.data.table["line"].iloc[list(rows)]]

    def results(self, rows: Sequence[int]) -> list[Decimal]:
        return self.data.decimals("result", rows)

    def grouped(self) -> list[list[list[Decimal]]]:
        """Results by run and preparation."""
        return [[self.results(preparation) for preparation in run.preparations] for run in self.runs]

    def precision(self, confidence: float) -> PrecisionResult:
        """Components of the results as read."""
        return precision(self.grouped(), confidence=confidence)

    @property
    def reference_notes(self) -> tuple[str, ...]:
        """Said where the reference value is not one number throughout the level."""
        if not self.has_reference or len(set(self.references(self.rows))) == 1:
            return ()
        return (
            "The assigned values differ within this level: errors are taken reading by reading, while s_r, s_run and "
            "s_I are those of the results as read.",
        )

    def error_precision(self, confidence: float) -> PrecisionResult:
        """The same of result minus reference value."""
        groups = [[self.errors(preparation) for preparation in run.preparations] for run in self.runs]
        return precision(groups, confidence=confidence)

    @property
    def has_reference(self) -> bool:
        """Whether a reference value is known, assigned or the level itself: a label forbids errors."""
        return self.data.numeric_levels

    def references(self, rows: Sequence[int]) -> list[Decimal]:
        return self.data.decimals("assigned" if "assigned" in self.data.exact else "level", rows)

    def errors(self, rows: Sequence[int]) -> list[Decimal]:
        """Results minus reference values, exact."""
        pairs = zip(self.results(rows), self.references(rows), strict=True)
        return [result - reference for result, reference in pairs]

    @property
    def reference(self) -> float:
        """Mean reference value: the place of this level on the axis."""
        return mean(self.references(self.rows))

    @property
    def reference_uncertainty(self) -> tuple[float | None, tuple[str, ...]]:
        """Mean standard uncertainty of the reference value (one source, fully correlated), and a note on it."""
        if "u_level" not in self.data.table:
            return None, ()
        values = [float(value) for value in self.data.table["u_level"].iloc[list(self.rows)]]
        notes = ("u_level differs within this level: its mean is used.",) if len(set(values)) > 1 else ()
        return sum(values) / len(values), notes

    def bias(self, confidence: float) -> Estimate:
        u, notes = self.reference_uncertainty
        errors = [self.errors(run.rows) for run in self.runs]
        return bias(errors, confidence=confidence, reference_uncertainty=u).with_notes(*notes)

    def tolerance(self, beta: float) -> ToleranceResult | None:
        """None with one run, or where nothing scatters."""
        precision_of_errors = self.error_precision(beta)
        if precision_of_errors.s_I is None or precision_of_errors.s_I.value == 0:
            return None
        return tolerance_limits(precision_of_errors, self.bias(beta).value, beta=beta)

    def quantity(self, key: str, estimate: Estimate, study: Study, judged: Estimate | None, *notes: str) -> Quantity:
        """The estimate with its place in the study."""
        return Quantity.from_estimate(
            key,
            self.at,
            estimate,
            unit=study.unit,
            worksheet=self.data.worksheet,
            readings=self.readings,
            judged=judged,
            unit_name="runs",
            notes=(*self.notes, *notes),
            censored=self.censored,
        )


def levels(data: ExperimentData) -> list[Level]:
    """The levels in rising order, labels in order of appearance; runs in order of appearance."""
    table = data.table
    found: dict[At, dict[str, dict[Any, list[int]]]] = {}
    names = table["preparation"].astype(str).tolist() if "preparation" in table else [""] * len(table)
    runs = table["run"].astype(str).tolist()
    for row, (level, run, name) in enumerate(zip(table["level"].tolist(), runs, names, strict=True)):
        # A reading without a named preparation is taken as its own.
        preparation: Any = name.strip() or row
        found.setdefault(level, {}).setdefault(run, {}).setdefault(preparation, []).append(row)
    order = sorted(found, key=float) if data.numeric_levels else list(found)  # type: ignore[arg-type]
    return [
        Level(
            float(at) if data.numeric_levels else at,  # type: ignore[arg-type]
            tuple(Run(run, tuple(tuple(rows) for rows in parts.values())) for run, parts in found[at].items()),
            data,
        )
        for at in order
    ]


def not_ready(study: Study, name: str) -> Evaluation | None:
    """The evaluation that says why there is none, or None where readings are there."""
    if study.ready(EXPERIMENT) is not None:
        return None
    planned = study.experiments.get(EXPERIMENT)
    if planned is None:
        reason = "The plan has no precision experiment: a worksheet with level, run and result would supply it."
    else:
        reason = all_censored(study, EXPERIMENT) or f"The worksheet {planned.worksheet} is awaiting readings."
    return Evaluation(name, missing=reason)


def independence_notes(data: ExperimentData, found: Sequence[Level]) -> tuple[str, ...]:
    """Whether replicates are shown to be independent."""
    if "preparation" not in data.table:
        return (NO_PREPARATION,)
    notes: list[str] = []
    names = data.table["preparation"].astype(str).str.strip()
    if (names == "").any():
        notes.append("Some readings name no preparation: each of them is taken as a preparation of its own.")
    shared = 0
    for level in found:
        places: dict[str, set[str]] = {}
        for run in level.runs:
            for preparation in run.preparations:
                places.setdefault(names.iloc[preparation[0]], set()).add(run.name)
        shared += sum(len(runs) > 1 for name, runs in places.items() if name)
    if shared:
        notes.append(
            f"{shared} preparation(s) were read in more than one run: what varies from one preparation to the next is "
            "then only partly contained in s_I."
        )
    return tuple(notes)


Points = Sequence[tuple[Level, Estimate]]


def _over_levels(points: Points) -> tuple[Points, list[float], list[float], list[float]]:
    """What can enter a model over levels: the points, their levels, standard deviations and degrees of freedom."""
    usable = [(level, s) for level, s in points if s.degrees_of_freedom and isinstance(level.at, float)]
    x = [float(level.at) for level, _ in usable]  # type: ignore[arg-type]
    return usable, x, [s.value for _, s in usable], [float(s.degrees_of_freedom or 0) for _, s in usable]


def model_quantities(
    name: str, points: Points, study: Study
) -> tuple[list[Quantity], PrecisionModelResult | None, tuple[str, ...]]:
    """s(x) = constant + slope * x through one standard deviation a level; a sentence where it cannot be fitted."""
    usable, x, sds, dfs = _over_levels(points)
    if len(usable) < 3:
        return [], None, ("A model of precision over levels needs three numeric levels with replicates.",)
    if min(x) < 0 or not any(sds):
        return [], None, ("No model of precision over levels: a level lies below zero, or nothing scatters.",)
    rows = sorted(row for level, _ in usable for row in level.rows)
    # A censored reading would have entered even where it was the last of its level.
    readings, censored = usable[0][0].identifiers(rows), len(usable[0][0].data.censored)
    both = [
        precision_model(x, sds, dfs, confidence=confidence, n=len(rows))
        for confidence in (study.confidence, study.judged_confidence)
    ]
    notes = [f"{censored} censored reading(s) were left out."] if censored else []
    if name == "intermediate_precision":
        notes.append(
            "The levels share their runs; the fit treats the estimates of s_I at the levels as independent, with "
            "Satterthwaite's degrees of freedom."
        )
    quantities = [
        Quantity.from_estimate(
            f"{name}.model_{part}",
            None,
            getattr(both[0], part),
            unit=study.unit if part == "constant" else "1",
            worksheet=usable[0][0].data.worksheet,
            readings=readings,
            judged=getattr(both[1], part),
            unit_name="levels",
            notes=notes,
            censored=censored,
        )
        for part in ("constant", "slope")
    ]
    return quantities, both[0], ()


def forms_over_levels(symbol: str, points: Points) -> tuple[dict[str, Any], list[dict[str, Any]], tuple[str, ...]]:
    """The chosen form of s(x) with its curve, the table of all four and the rule in sentences.

    To be called where `model_quantities` has found a model.
    """
    _, x, sds, dfs = _over_levels(points)
    result = precision_forms(x, sds, dfs)
    chosen = result.chosen
    # A straight form needs its two ends only.
    steps = 40 if chosen.name == "root-sum-square" else 1
    curve = [max(x) * step / steps for step in range(steps + 1)]
    drawn = {
        "name": chosen.name,
        "constant": chosen.constant,
        "slope": chosen.slope,
        "curve": [curve, chosen.at(curve).tolist()],
    }
    smallest = min((form.aicc for form in result.forms if form.aicc is not None), default=0.0)
    rows = [
        [
            f"{form.name}: {FORMULAS[form.name]}",
            form.constant,
            form.slope,
            form.log_likelihood,
            None if form.aicc is None else form.aicc - smallest,
            "yes" if form is chosen else "no",
        ]
        for form in result.forms
    ]
    head = ["form", "a", "b", "log likelihood", "AICc above the smallest", "chosen"]
    df = f"{result.degrees_of_freedom:.0f} degrees of freedom"
    note = f"The {chosen.name} form of {symbol}(x) is chosen, on {df}. {RULE}"
    return drawn, [{"caption": f"Forms of {symbol}(x)", "head": head, "rows": rows}], (note, *result.notes)


def form_words(symbol: str, form: dict[str, Any] | None, of: str) -> list[str]:
    """The chosen form in a sentence; none where none was chosen. `of` is the unit after a number."""
    if form is None:
        return []
    a, b = (significant(form[part]) if form[part] is not None else "" for part in ("constant", "slope"))
    said = {
        "constant": f"{a}{of} at all levels",
        "proportional": f"{b} × level",
        "linear": f"{a} + {b} × level",
        "root-sum-square": f"the root of {a}² + ({b} × level)²",
    }[form["name"]]
    return [f"Of four forms of {symbol} over the levels the {form['name']} one is chosen: {said}."]


def unit_text(unit: str) -> str:
    """ " %" after a number; nothing for the unit one."""
    return "" if unit == "1" else f" {unit}"


def place_text(at: object, unit: str) -> str:
    """A level inside a sentence: "4 %", or the label."""
    return f"{level_text(at)}{unit_text(unit) if isinstance(at, float | int) else ''}"


def robust_alternatives(study: Study, name: str, keys: Sequence[str], title: str) -> Mapping[str, Sequence[Quantity]]:
    """The quantities `keys` of a precision chapter by algorithms A and S, level by level."""
    if not_ready(study, name) is not None:
        return {}
    quantities = []
    for level in levels(study.experiments[EXPERIMENT]):
        shown, judged = (
            robust_precision(level.grouped(), confidence=c) for c in (study.confidence, study.judged_confidence)
        )
        for key in keys:
            estimate = getattr(shown, key)
            if estimate is not None:
                quantities.append(level.quantity(f"{name}.{key}", estimate, study, getattr(judged, key)))
    return {title: quantities} if quantities else {}
