"""The precision experiment taken apart: levels, runs in them, independent preparations in those."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cached_property, lru_cache

from validation.characteristics._attained import Placed, RunCase, ratio_class, step_class, step_of
from validation.characteristics._censored import all_censored, left_out, lost_levels
from validation.figures._levels import SdForm
from validation.stats.accuracy import ToleranceResult, tolerance_limits
from validation.stats.estimate import Estimate, exact_mean, mean
from validation.stats.precision import PrecisionResult, precision
from validation.stats.precision_forms import FORMULAS, RULE, precision_forms
from validation.stats.precision_model import PrecisionModelResult, precision_model
from validation.stats.robust import robust_precision
from validation.stats.trueness import bias
from validation.study.model import ExperimentData, Study
from validation.study.quantity import At, Evaluation, Quantity, Table
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

    @cached_property
    def rows(self) -> tuple[int, ...]:
        return tuple(sorted(row for preparation in self.preparations for row in preparation))


@dataclass(frozen=True)
class Level:
    """All runs at one level, with the estimates that more than one chapter needs."""

    at: At
    runs: tuple[Run, ...]
    data: ExperimentData

    @cached_property
    def rows(self) -> tuple[int, ...]:
        return tuple(sorted(row for run in self.runs for row in run.rows))

    @cached_property
    def readings(self) -> tuple[str, ...]:
        return tuple(self.identifiers(self.rows))

    @property
    def censored(self) -> int:
        return self.data.censored_at("level", self.at)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What holds for every quantity of this level."""
        count = self.censored
        return left_out(count, "at this level")

    def identifiers(self, rows: Sequence[int]) -> list[str]:
        return [self.data.identifiers[row] for row in rows]

    def lines(self, rows: Sequence[int]) -> list[int]:
        return self.data.table["line"].iloc[list(rows)].tolist()

    def results(self, rows: Sequence[int]) -> list[Decimal]:
        return self.data.decimals("result", rows)

    def grouped(self) -> list[list[list[Decimal]]]:
        """Results by run and preparation."""
        return [[self.results(preparation) for preparation in run.preparations] for run in self.runs]

    @cached_property
    def precision(self) -> PrecisionResult:
        """Components of the results as read."""
        return precision(self.grouped())

    @property
    def reference_notes(self) -> tuple[str, ...]:
        """Said where the reference value is not one number throughout the level."""
        if "assigned" not in self.data.exact or len(set(self.references(self.rows))) == 1:
            return ()
        return (
            "The assigned values differ within this level: errors are taken reading by reading, while s_r, s_run and "
            "s_I are those of the results as read.",
        )

    @cached_property
    def error_precision(self) -> PrecisionResult:
        """The same of result minus reference value."""
        return precision([[self.errors(preparation) for preparation in run.preparations] for run in self.runs])

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

    @cached_property
    def run_means(self) -> tuple[Fraction, ...]:
        """Mean result of each run, exact."""
        return tuple(exact_mean(self.results(run.rows)) for run in self.runs)

    @cached_property
    def run_errors(self) -> tuple[Fraction, ...]:
        """Mean error of each run, exact."""
        return tuple(exact_mean(self.errors(run.rows)) for run in self.runs)

    @cached_property
    def reference(self) -> float:
        """Mean reference value: the place of this level on the axis."""
        return mean(self.references(self.rows))

    @cached_property
    def reference_uncertainty(self) -> tuple[float | None, tuple[str, ...]]:
        """Mean standard uncertainty of the reference value (one source, fully correlated), and a note on it."""
        if "u_level" not in self.data.table:
            return None, ()
        values = [float(value) for value in self.data.table["u_level"].iloc[list(self.rows)]]
        notes = ("u_level differs within this level: its mean is used.",) if len(set(values)) > 1 else ()
        return sum(values) / len(values), notes

    @cached_property
    def bias(self) -> Estimate:
        u, notes = self.reference_uncertainty
        return bias([self.errors(run.rows) for run in self.runs], reference_uncertainty=u).with_notes(*notes)

    def tolerance(self, beta: float) -> ToleranceResult | None:
        """None with one run, or where nothing scatters."""
        of_errors = self.error_precision
        if of_errors.s_I is None or of_errors.s_I.value == 0:
            return None
        return tolerance_limits(of_errors, self.bias.value, beta=beta)

    def quantity(self, key: str, estimate: Estimate, study: Study, *notes: str, unit: str | None = None) -> Quantity:
        """The estimate with its place in the study."""
        return Quantity(
            key=key,
            at=self.at,
            estimate=estimate.with_notes(*self.notes, *notes),
            level=study.confidence,
            unit=study.unit if unit is None else unit,
            worksheet=self.data.worksheet,
            readings=self.readings,
            unit_name="runs",
            censored=self.censored,
        )


@lru_cache(maxsize=2)
def levels(data: ExperimentData) -> tuple[Level, ...]:
    """The levels in rising order, labels in order of appearance; runs in order of appearance."""
    table = data.table
    by_level: dict[At, dict[str, list[int]]] = {}
    names = table["preparation"].astype(str).str.strip().tolist() if "preparation" in table else []
    for row, (level, run) in enumerate(zip(table["level"].tolist(), table["run"].astype(str).tolist(), strict=True)):
        by_level.setdefault(level, {}).setdefault(run, []).append(row)
    order = sorted(by_level, key=float) if data.numeric_levels else list(by_level)  # type: ignore[arg-type]
    return tuple(
        Level(
            float(at) if data.numeric_levels else at,  # type: ignore[arg-type]
            tuple(Run(run, _preparations(rows, names)) for run, rows in by_level[at].items()),
            data,
        )
        for at in order
    )


def _preparations(rows: Sequence[int], names: Sequence[str]) -> tuple[tuple[int, ...], ...]:
    """Rows of one preparation side by side; a reading without a named preparation is taken as its own."""
    if not names:
        return tuple((row,) for row in rows)
    by_name: dict[str | int, list[int]] = {}
    for row in rows:
        by_name.setdefault(names[row] or row, []).append(row)
    return tuple(tuple(own) for own in by_name.values())


@dataclass(frozen=True)
class PrecisionRuns:
    """The precision experiment as one of its four chapters sees it."""

    study: Study
    data: ExperimentData
    levels: tuple[Level, ...]

    @cached_property
    def independence(self) -> tuple[str, ...]:
        """Whether replicates are shown to be independent."""
        return independence_notes(self.data, self.levels)

    @cached_property
    def reference(self) -> tuple[str, ...]:
        """Said where the levels themselves serve as reference values."""
        return () if "assigned" in self.data.exact else (DEFAULT_REFERENCE,)

    @property
    def notes(self) -> list[str]:
        """What holds for every chapter on this worksheet."""
        return [*self.data.notes, *lost_levels(self.data)]


def precision_runs(study: Study, name: str, *, with_reference: bool = False) -> PrecisionRuns | Evaluation:
    """The experiment taken apart for the chapter `name`, or the evaluation that says why there is none."""
    if study.ready(EXPERIMENT) is None:
        planned = study.experiments.get(EXPERIMENT)
        if planned is None:
            reason = "The plan has no precision experiment: a worksheet with level, run and result would supply it."
        else:
            reason = all_censored(study, EXPERIMENT) or f"The worksheet {planned.worksheet} is awaiting readings."
        return Evaluation(name, missing=reason)
    data = study.experiments[EXPERIMENT]
    if with_reference and not data.numeric_levels:
        return Evaluation(name, missing=LABELS)
    return PrecisionRuns(study, data, levels(data))


def independence_notes(data: ExperimentData, levels: Sequence[Level]) -> tuple[str, ...]:
    """Whether replicates are shown to be independent."""
    if "preparation" not in data.table:
        return (NO_PREPARATION,)
    notes: list[str] = []
    names = data.table["preparation"].astype(str).str.strip()
    if (names == "").any():
        notes.append("Some readings name no preparation: each of them is taken as a preparation of its own.")
    shared = 0
    for level in levels:
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
    model = precision_model(x, sds, dfs, n=len(rows))
    notes = [*left_out(censored)]
    if name == "intermediate_precision":
        notes.append(
            "The levels share their runs; the fit treats the estimates of s_I at the levels as independent, with "
            "Satterthwaite's degrees of freedom."
        )
    quantities = [
        Quantity(
            key=f"{name}.model_{part}",
            at=None,
            estimate=estimate.with_notes(*notes),
            level=study.confidence,
            unit=unit,
            worksheet=usable[0][0].data.worksheet,
            readings=tuple(readings),
            unit_name="levels",
            censored=censored,
        )
        for part, unit, estimate in (("constant", study.unit, model.constant), ("slope", "1", model.slope))
    ]
    return quantities, model, ()


def forms_over_levels(symbol: str, points: Points) -> tuple[SdForm, Table, tuple[str, ...]]:
    """The chosen form of s(x) with its curve, the table of all four and the rule in sentences.

    To be called where `model_quantities` has found a model.
    """
    _, x, sds, dfs = _over_levels(points)
    result = precision_forms(x, sds, dfs)
    chosen = result.chosen
    # A straight form needs its two ends only.
    steps = 40 if chosen.name == "root-sum-square" else 1
    curve = [max(x) * step / steps for step in range(steps + 1)]
    drawn = SdForm(chosen.name, chosen.constant, chosen.slope, (tuple(curve), tuple(chosen.at(curve).tolist())))
    smallest = min((form.aicc for form in result.forms if form.aicc is not None), default=0.0)
    rows = tuple(
        (
            f"{form.name}: {FORMULAS[form.name]}",
            form.constant,
            form.slope,
            form.log_likelihood,
            None if form.aicc is None else form.aicc - smallest,
            "yes" if form is chosen else "no",
        )
        for form in result.forms
    )
    head = ("form", "a", "b", "log likelihood", "AICc above the smallest", "chosen")
    df = f"{result.degrees_of_freedom:.0f} degrees of freedom"
    note = f"The {chosen.name} form of {symbol}(x) is chosen, on {df}. {RULE}"
    return drawn, Table("forms", f"Forms of {symbol}(x)", head, rows), (note, *result.notes)


def form_words(symbol: str, form: SdForm | None, of: str) -> list[str]:
    """The chosen form in a sentence; none where none was chosen. `of` is the unit after a number."""
    if form is None:
        return []
    a, b = ("" if part is None else significant(part) for part in (form.constant, form.slope))
    formula = {
        "constant": f"{a}{of} at all levels",
        "proportional": f"{b} × level",
        "linear": f"{a} + {b} × level",
        "root-sum-square": f"the root of {a}² + ({b} × level)²",
    }[form.name]
    return [f"Of four forms of {symbol} over the levels the {form.name} one is chosen: {formula}."]


def placed_runs(levels: Sequence[Level], *, between: bool) -> list[Placed]:
    """Each level's design with what was estimated there, in classes: s_r alone, or what varies between runs."""
    placed: list[Placed] = []
    for level in levels:
        result = level.precision
        within, total = (0.0 if s is None else s.value for s in (result.s_r, result.s_I))
        scatter = within or total
        if not scatter or (result.s_I if between else result.s_r) is None:
            continue
        share = 1.0 if result.s_reading is None else round(4 * (result.s_reading / scatter) ** 2) / 4
        ratio = ratio_class(max(0.0, total**2 / scatter**2 - 1)) if between else None
        layout = tuple(tuple(len(readings) for readings in run.preparations) for run in level.runs)
        step = step_class(step_of(level.results(level.rows)), scatter)
        placed.append((level.at, RunCase(layout, ratio, min(1.0, share)), step))
    return placed


def unit_text(unit: str) -> str:
    """ " %" after a number; nothing for the unit one."""
    return "" if unit == "1" else f" {unit}"


def place_text(at: object, unit: str) -> str:
    """A level inside a sentence: "4 %", or the label."""
    return f"{level_text(at)}{unit_text(unit) if isinstance(at, float | int) else ''}"


def robust_alternatives(study: Study, name: str, keys: Sequence[str], title: str) -> Mapping[str, Sequence[Quantity]]:
    """The quantities `keys` of a precision chapter by algorithms A and S, level by level."""
    runs = precision_runs(study, name)
    if isinstance(runs, Evaluation):
        return {}
    robust = [(level, robust_precision(level.grouped())) for level in runs.levels]
    pairs = [(level, key, getattr(result, key)) for level, result in robust for key in keys]
    quantities = [
        level.quantity(f"{name}.{key}", estimate, study) for level, key, estimate in pairs if estimate is not None
    ]
    return {title: quantities} if quantities else {}
