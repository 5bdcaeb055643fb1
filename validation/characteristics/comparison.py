"""Comparison of the candidate with a reference method on the same samples."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from math import sqrt
from typing import Any

import numpy as np

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import all_censored
from validation.characteristics._other_methods import other_methods_table
from validation.figures.comparison import ComparisonView, PairedSample, PredictedCurve, ScatterAbout
from validation.stats import comparison as statistics
from validation.stats import outliers
from validation.stats.estimate import Estimate, Number, exact_mean
from validation.study.model import ExperimentData, Study
from validation.study.ordering import natural_order
from validation.study.quantity import At, Cell, Display, Evaluation, Flag, Quantity, Table
from validation.study.variant import with_bounds
from validation.words import counted, level_text, sentence_list, significant, with_interval

NAME = "comparison"
WEIGHTED, RANKS = "weighted line (York)", "Passing-Bablok"
AT_LIMIT, AT_ZERO = "censored results at their limit", "censored results at zero"

_METHODS = ("candidate", "reference")


@dataclass(frozen=True)
class _Sample:
    """One sample measured by both methods: rows and exact readings of each."""

    name: str
    candidate_rows: tuple[int, ...]
    reference_rows: tuple[int, ...]
    candidate: tuple[Number, ...]
    reference: tuple[Number, ...]

    @cached_property
    def y(self) -> Fraction:
        return exact_mean(self.candidate)

    @cached_property
    def x(self) -> Fraction:
        return exact_mean(self.reference)


@dataclass(frozen=True)
class _Pairs:
    """All paired samples, in the order of their names, with what both methods' replicates say."""

    samples: tuple[_Sample, ...]
    candidate: statistics.ReplicateVariance
    reference: statistics.ReplicateVariance
    ratio: float
    ratio_notes: tuple[str, ...]

    @cached_property
    def x(self) -> list[Fraction]:
        return [sample.x for sample in self.samples]

    @cached_property
    def y(self) -> list[Fraction]:
        return [sample.y for sample in self.samples]

    @property
    def unequal(self) -> bool:
        """Whether a method has more replicates of one sample than of another."""
        counts = [{len(getattr(sample, method)) for sample in self.samples} for method in _METHODS]
        return any(len(different) > 1 for different in counts)

    @cached_property
    def differences(self) -> np.ndarray:
        return statistics.differences(self.x, self.y)

    @cached_property
    def relative(self) -> np.ndarray | None:
        """Differences over the mean of both methods; None where such a mean is not above zero."""
        middle = np.array([float(sample.x + sample.y) / 2 for sample in self.samples])
        return self.differences / middle if np.all(middle > 0) else None


@dataclass(frozen=True)
class _Weights:
    """Standard uncertainties of every sample's mean, reference and candidate; None where there are none.

    `note`: where they come from, or why there are none.
    """

    u: tuple[np.ndarray, np.ndarray] | None
    note: str


#: Estimates by key (without the chapter) and place, in the order of the chapter.
Estimated = list[tuple[str, At, Estimate]]


def evaluate(study: Study) -> Evaluation:
    """Compare candidate with reference over the paired samples of the experiment `comparison`."""
    data = study.ready(NAME)
    if data is None:
        return Evaluation(NAME, missing=_why_missing(study))
    pairs, unpaired, other = _pairs(data)
    left_out = _with_censored(data)
    notes = [*data.notes, *_rule_notes(left_out), *_unpaired_notes(unpaired), *_method_notes(other)]
    if pairs is None:
        whole = ", without a censored result," if left_out else ""
        missing = (
            f"No sample was measured by both methods{whole or ':'} readings of `candidate` and `reference` on the same "
            "samples are needed."
        )
        return Evaluation(NAME, own_notes=tuple(notes), missing=missing)
    weights = _weights(data, pairs)
    quantities = _quantities(study, data, pairs, _estimates(study, pairs, weights, notes))

    def show() -> Display:
        samples = _samples(data, pairs)
        scatters = _scatters(pairs)
        tables = (_sample_table(samples), _scatter_table(scatters), _precision_table(pairs))
        return Display(
            tables=(*tables, *other_methods_table(quantities, alternatives(study))),
            view=ComparisonView(
                samples=samples,
                customer_limits=tuple(float(limit) for limit in study.plan.study.customer_limits),
                fuel=study.plan.study.fuel or "",
                curve=_curve(study, pairs),
                scatter=tuple(
                    ScatterAbout(about, s.observed, s.expected, s.sample_specific, s.p) for about, s in scatters
                ),
            ),
        )

    return Evaluation(NAME, quantities, tuple(_flags(data, pairs)), tuple(dict.fromkeys(notes)), show=show)


def _why_missing(study: Study) -> str:
    if NAME not in study.experiments:
        return "No comparison with a reference method is planned."
    return all_censored(study, NAME) or "The readings of both methods are awaited."


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """Slope, intercept and predicted difference by the weighted line, slope and intercept by pairwise slopes.

    Where samples with a censored result are left out, every quantity with them, the limit or zero in its place.
    """
    data = study.ready(NAME)
    pairs = None if data is None else _pairs(data)[0]
    if data is None or pairs is None:
        return {}
    by_title: dict[str, tuple[Quantity, ...]] = {}
    if len(pairs.samples) > 2:
        by_method = {WEIGHTED: _by_york(study, pairs, _weights(data, pairs)), RANKS: _by_ranks(pairs)}
        by_title |= {title: _quantities(study, data, pairs, by) for title, by in by_method.items() if by}
    for title, zero in ((AT_LIMIT, False), (AT_ZERO, True)):
        filled = with_bounds(data, zero=zero)
        whole = None if filled is None else _pairs(filled)[0]
        if filled is not None and whole is not None:
            estimated = _estimates(study, whole, _weights(filled, whole), [])
            by_title[title] = _quantities(study, filled, whole, estimated)
    return by_title


def _by_york(study: Study, pairs: _Pairs, weights: _Weights) -> Estimated:
    if weights.u is None:
        return []
    estimated: Estimated = []
    try:
        line = statistics.york(pairs.x, pairs.y, *weights.u)
        estimated += [("deming_slope", None, line.slope), ("deming_intercept", None, line.intercept)]
        for level in _decision_levels(study):
            # Seen from the level, the line's intercept is the predicted difference there.
            x, y = ([value - Fraction(level) for value in values] for values in (pairs.x, pairs.y))
            estimated.append(("difference_at", level, statistics.york(x, y, *weights.u).intercept))
    except ValueError:
        pass
    return estimated


def _by_ranks(pairs: _Pairs) -> Estimated:
    try:
        line = statistics.passing_bablok(pairs.x, pairs.y)
    except ValueError:
        return []
    return [("deming_slope", None, line.slope), ("deming_intercept", None, line.intercept)]


def _pairs(data: ExperimentData) -> tuple[_Pairs | None, dict[str, list[str]], list[str]]:
    """Samples with readings of both methods and none that is censored; samples lacking a method; other methods."""
    censored = _with_censored(data)
    rows: dict[str, dict[str, list[int]]] = {}
    other = set()
    for row, (sample, method) in enumerate(zip(data.table["sample"], data.table["method"], strict=True)):
        name = str(method).strip().lower()
        if name not in _METHODS:
            other.add(str(method))
            continue
        rows.setdefault(str(sample), {}).setdefault(name, []).append(row)
    samples = []
    unpaired: dict[str, list[str]] = {method: [] for method in _METHODS}
    for name in sorted(set(rows) - set(censored), key=natural_order):
        lacking = [method for method in _METHODS if method not in rows[name]]
        if lacking:
            unpaired[lacking[0]].append(name)
            continue
        y_rows, x_rows = (tuple(rows[name][method]) for method in _METHODS)
        y, x = (tuple(data.decimals("result", own)) for own in (y_rows, x_rows))
        samples.append(_Sample(name, y_rows, x_rows, y, x))
    if not samples:
        return None, unpaired, sorted(other)
    candidate = statistics.replicate_variance([sample.candidate for sample in samples])
    reference = statistics.replicate_variance([sample.reference for sample in samples])
    ratio, ratio_notes = statistics.error_variance_ratio(candidate, reference)
    return _Pairs(tuple(samples), candidate, reference, ratio, ratio_notes), unpaired, sorted(other)


def _with_censored(data: ExperimentData) -> list[str]:
    """The samples of which a result is censored, by either method."""
    return sorted({reading.values["sample"] for reading in data.censored}, key=natural_order)


def _rule_notes(left_out: Sequence[str]) -> Iterator[str]:
    if left_out:
        which, was = ("Sample", "was") if len(left_out) == 1 else ("Samples", "were")
        names = sentence_list(list(left_out))
        yield (
            f"{which} {names} {was} left out, by the rule that a sample with a censored result of either method is "
            "left out whole (common practice, no source): the mean of its other results would lie to one side. What "
            "the limit, or zero, in its place would change stands under the other methods and where verdicts are "
            "judged again."
        )


def _unpaired_notes(unpaired: dict[str, list[str]]) -> Iterator[str]:
    for method, names in unpaired.items():
        if names:
            lack, were = ("lacks", "was") if len(names) == 1 else ("lack", "were")
            yield (
                f"{counted(len(names), 'sample')} {lack} a reading of the {method} method and {were} left out: "
                f"{sentence_list(names)}."
            )


def _method_notes(other: Sequence[str]) -> Iterator[str]:
    if other:
        methods = "method" if len(other) == 1 else "methods"
        yield f"Rows of the {methods} {sentence_list(list(other))} were not used: candidate and reference are known."


def _few_notes(n: int) -> Iterator[str]:
    if n < 2:
        yield "One paired sample only: a scatter of differences needs at least two."
    if n < 3:
        yield f"{counted(n, 'paired sample')}: a line needs at least three."


def _weights(data: ExperimentData, pairs: _Pairs) -> _Weights:
    """From column `u` of both methods, else from s(x) of each method's own replicates."""
    if "u" not in data.table:
        return _weights_of_replicates(pairs, "")
    u = data.table["u"].to_numpy(dtype=float)
    used = [row for s in pairs.samples for row in (*s.candidate_rows, *s.reference_rows)]
    if not (np.all(np.isfinite(u[used])) and np.all(u[used] > 0)):
        ending = "Column u is not positive throughout; s(x) of the replicates is used instead. "
        return _weights_of_replicates(pairs, ending)
    u_x = np.array([_combined(u, sample.reference_rows) for sample in pairs.samples])
    u_y = np.array([_combined(u, sample.candidate_rows) for sample in pairs.samples])
    note = "Standard uncertainties from the worksheet's column u, taken as independent between replicates."
    return _Weights((u_x, u_y), note)


def _weights_of_replicates(pairs: _Pairs, ending: str) -> _Weights:
    try:
        y, x = (
            statistics.spread_of_replicates([getattr(sample, method) for sample in pairs.samples])
            for method in _METHODS
        )
    except ValueError:
        lacking = "There is no weighted (York) line: it needs column u, or replicates of both methods."
        return _Weights(None, f"{ending}{lacking}")
    u_y = np.array([y.at(max(0.0, float(s.y))) / sqrt(len(s.candidate)) for s in pairs.samples])
    u_x = np.array([x.at(max(0.0, float(s.x))) / sqrt(len(s.reference)) for s in pairs.samples])
    if not (np.all(u_x > 0) and np.all(u_y > 0)):
        return _Weights(None, "There is no weighted (York) line: s(x) of a method's replicates comes out as 0.")
    note = (
        f"Standard uncertainties from s(x) of each method's replicates: candidate {significant(y.constant)} + "
        f"{significant(y.slope)} x, reference {significant(x.constant)} + {significant(x.slope)} x; scatter that is "
        f"a sample's own is not in them."
    )
    return _Weights((u_x, u_y), f"{ending}{note}")


def _combined(u: np.ndarray, rows: Sequence[int]) -> float:
    """Uncertainty of the mean of readings whose uncertainties are independent."""
    return sqrt(float(np.square(u[list(rows)]).sum())) / len(rows)


def _estimates(study: Study, pairs: _Pairs, weights: _Weights, notes: list[str]) -> Estimated:
    """Every estimate; why one cannot be had is appended to the notes."""
    differences, relative = pairs.differences, pairs.relative
    notes += _few_notes(len(pairs.samples))
    if len(pairs.samples) > 1 and statistics.alike(differences):
        notes.append("All differences are alike as written: limits of agreement would hold nothing but their rounding.")
    estimated: Estimated = [("mean_difference", None, statistics.mean_difference(differences))]
    if len(pairs.samples) > 1:
        estimated.append(("sd_difference", None, statistics.sd_difference(differences)))
    estimated += _agreement(differences, "agreement", study.confidence)
    if relative is None:
        notes.append("A sample's mean is not above zero: relative differences are not computed.")
    else:
        estimated.append(("mean_relative_difference", None, statistics.mean_difference(relative)))
        estimated += _agreement(relative, "relative_agreement", study.confidence)
    return [*estimated, *(_lines(study, pairs, weights, notes) if len(pairs.samples) > 2 else ())]


def _agreement(values: np.ndarray, name: str, coverage: float) -> Estimated:
    if values.size < 2 or statistics.alike(values):
        return []
    low, high = statistics.agreement_limits(values, coverage=coverage)
    return [(f"{name}_low", None, low), (f"{name}_high", None, high)]


def _lines(study: Study, pairs: _Pairs, weights: _Weights, notes: list[str]) -> Estimated:
    """Deming's line, Passing and Bablok's, York's, and the differences that the first predicts."""
    estimated: Estimated = []
    predicted: Estimated = []
    try:
        deming = statistics.deming(pairs.x, pairs.y, ratio=pairs.ratio)
    except ValueError as error:
        notes.append(f"There is no Deming line: {error}.")
    else:
        estimated.append(("deming_slope", None, deming.slope.with_notes(*pairs.ratio_notes)))
        estimated.append(("deming_intercept", None, deming.intercept.with_notes(*pairs.ratio_notes)))
        for level in _decision_levels(study):
            estimate = statistics.difference_at(level, pairs.x, pairs.y, ratio=pairs.ratio)
            predicted.append(("difference_at", level, estimate.with_notes(*pairs.ratio_notes)))
    try:
        ranked = statistics.passing_bablok(pairs.x, pairs.y)
    except ValueError as error:
        notes.append(f"There is no Passing-Bablok line: {error}.")
    else:
        estimated.append(("passing_bablok_slope", None, ranked.slope))
        estimated.append(("passing_bablok_intercept", None, ranked.intercept))
    return [*estimated, *_weighted(pairs, weights, notes), *predicted]


def _weighted(pairs: _Pairs, weights: _Weights, notes: list[str]) -> Estimated:
    if weights.u is None:
        notes.append(weights.note)
        return []
    try:
        line = statistics.york(pairs.x, pairs.y, *weights.u)
    except ValueError as error:
        notes.append(f"There is no weighted (York) line: {error}.")
        return []
    slope, intercept = (estimate.with_notes(weights.note) for estimate in (line.slope, line.intercept))
    return [("york_slope", None, slope), ("york_intercept", None, intercept)]


def _decision_levels(study: Study) -> list[float]:
    """The customer's limits, and every level at which a requirement asks for the predicted difference."""
    asked = {
        float(requirement.at)
        for requirement in study.plan.requirements
        if requirement.quantity == f"{NAME}.difference_at" and isinstance(requirement.at, int | float)
    }
    return sorted(asked | {float(limit) for limit in study.plan.study.customer_limits})


def _quantities(study: Study, data: ExperimentData, pairs: _Pairs, estimated: Estimated) -> tuple[Quantity, ...]:
    rows = sorted(row for sample in pairs.samples for row in (*sample.candidate_rows, *sample.reference_rows))
    readings = tuple(data.identifiers[row] for row in rows)
    count = len(_with_censored(data))
    notes: tuple[str, ...] = ()
    if count:
        notes += (f"{counted(count, 'sample')} with a censored result {'was' if count == 1 else 'were'} left out.",)
    if pairs.unequal:
        notes += ("The samples hold unequal numbers of replicates; the mean of each sample counts the same.",)
    units = {key.key: key.unit for key in CHARACTERISTIC.keys}
    return tuple(
        Quantity(
            key=f"{NAME}.{name}",
            at=at,
            # n counts the readings; the samples stay in `units`.
            estimate=replace(estimate.with_notes(*notes), n=len(readings)),
            level=study.confidence,
            unit="1" if units[f"{NAME}.{name}"] == "1" else study.unit,
            worksheet=data.worksheet,
            readings=readings,
            unit_name="samples",
        )
        for name, at, estimate in estimated
    )


def _flags(data: ExperimentData, pairs: _Pairs) -> Iterator[Flag]:
    """Grubbs' test for one outlier on the differences; it points at the candidate's first reading of the sample."""
    if len(pairs.samples) < 3:
        return
    five, one = (outliers.grubbs_single(pairs.differences.tolist(), alpha=alpha) for alpha in (0.05, 0.01))
    if not five.exceeded:
        return
    sample = pairs.samples[five.index]
    strength = "beyond the 1 % value too" if one.exceeded else "beyond the 5 % value, within the 1 % value"
    yield Flag(
        reading=data.identifiers[_furthest(sample)],
        test="Grubbs, differences",
        statistic=five.statistic,
        critical=five.critical,
        reason=f"The difference of sample {sample.name} lies apart from those of the other samples ({strength} "
        f"{significant(one.critical)}).",
        at=None,
        worksheet=data.worksheet,
    )


def _furthest(sample: _Sample) -> int:
    """The candidate's reading furthest from the reference mean of the sample."""
    gaps = [abs(Fraction(value) - sample.x) for value in sample.candidate]
    return sample.candidate_rows[gaps.index(max(gaps))]


def _samples(data: ExperimentData, pairs: _Pairs) -> tuple[PairedSample, ...]:
    relative = [None] * len(pairs.samples) if pairs.relative is None else pairs.relative.tolist()
    names = data.table["reading"]
    return tuple(
        PairedSample(
            name=sample.name,
            reference=float(sample.x),
            candidate=float(sample.y),
            difference=difference,
            relative=share,
            reference_readings=tuple(float(value) for value in sample.reference),
            candidate_readings=tuple(float(value) for value in sample.candidate),
            readings=tuple(str(names.iloc[row]) for row in (*sample.candidate_rows, *sample.reference_rows)),
            line=int(data.table["line"].iloc[_furthest(sample)]),
            note=_note(data, sample),
        )
        for sample, difference, share in zip(pairs.samples, pairs.differences.tolist(), relative, strict=True)
    )


def _note(data: ExperimentData, sample: _Sample) -> str:
    """What the worksheet's column `note` says of a sample, each remark once."""
    if "note" not in data.table:
        return ""
    written = data.table["note"].iloc[[*sample.candidate_rows, *sample.reference_rows]]
    return "; ".join(dict.fromkeys(text for note in written if (text := str(note).strip())))


def _curve(study: Study, pairs: _Pairs) -> PredictedCurve | None:
    """The predicted difference with its interval over the reference values and the decision levels, for the figure."""
    if len(pairs.samples) < 3:
        return None
    reached = [float(x) for x in pairs.x] + _decision_levels(study)
    levels = np.linspace(min(reached), max(reached), 41).tolist()
    try:
        predicted = [statistics.difference_at(level, pairs.x, pairs.y, ratio=pairs.ratio) for level in levels]
    except ValueError:
        return None
    ends = [estimate.interval(study.confidence) or (estimate.value, estimate.value) for estimate in predicted]
    return PredictedCurve(
        tuple(levels),
        tuple(estimate.value for estimate in predicted),
        tuple(low for low, _ in ends),
        tuple(high for _, high in ends),
    )


Scatters = Sequence[tuple[str, statistics.SampleScatter]]


def _scatters(pairs: _Pairs) -> Scatters:
    """Observed against explained scatter: of the differences, and about the Deming line, which takes a slope out."""
    scatters = []
    n = len(pairs.samples)
    if n > 1:
        variance = float(pairs.differences.var(ddof=1))
        about = statistics.sample_scatter(variance, n - 1, pairs.candidate, pairs.reference)
        scatters.append(("the differences", about))
    if n > 2:
        try:
            line = statistics.deming(pairs.x, pairs.y, ratio=pairs.ratio)
        except ValueError:
            pass
        else:
            variance, slope = line.residual_sd**2, line.slope.value
            about = statistics.sample_scatter(variance, n - 2, pairs.candidate, pairs.reference, slope=slope)
            scatters.append(("the Deming line", about))
    return [(name, about) for name, about in scatters if about is not None]


def _sample_table(samples: Sequence[PairedSample]) -> Table:
    noted = any(s.note for s in samples)
    rows: list[tuple[Cell, ...]] = [
        (s.name, s.reference, s.candidate, s.difference, s.relative, *([s.note] if noted else [])) for s in samples
    ]
    caption = "Samples: means over replicates and differences (relative: over the mean of both methods)"
    head = ("sample", "reference", "candidate", "difference", "relative difference", *(["note"] if noted else []))
    return Table("samples", caption, head, tuple(rows))


def _scatter_table(scatters: Scatters) -> Table:
    caption = "Scatter between samples against what the replicates of both methods explain"
    lacking = "" if scatters else ": not available, since a method has no replicates"
    head = (
        "standard deviation",
        "observed",
        "explained by replicates",
        "sample-specific",
        "for single readings",
        "F",
        "p",
    )
    rows = tuple(
        (f"about {name}", s.observed, s.expected, s.sample_specific, s.single, s.F, s.p) for name, s in scatters
    )
    return Table("scatter", f"{caption}{lacking}", head, rows)


def _precision_table(pairs: _Pairs) -> Table:
    rows = tuple(
        (
            name,
            None if v.variance is None else sqrt(v.variance),
            v.degrees_of_freedom,
            None if v.of_means is None else sqrt(v.of_means),
        )
        for name, v in (("candidate", pairs.candidate), ("reference", pairs.reference))
    )
    head = ("method", "standard deviation of one reading", "degrees of freedom", "of a sample's mean")
    return Table("replicates", "Replicates of each method, pooled over the samples", head, rows)


def in_words(evaluation: Evaluation, unit: str) -> Sequence[str]:
    """What the comparison found, how sure it is, and what it does not show."""
    of = "" if unit == "1" else f" {unit}"
    view: ComparisonView = evaluation.display.view
    return [
        *_difference_words(evaluation, len(view.samples), of),
        *_slope_words(evaluation),
        *_predicted_words(evaluation, of),
        *_scatter_words(view.scatter),
        *_marked_words(view.samples, of),
        *_fuel_words(view.fuel),
        *(f"{flag.reason} It is kept; a test is no cause." for flag in evaluation.flags),
        "The reference method has errors of its own: agreement with it does not show that either is right, and a "
        "correlation between the two would not show agreement.",
    ]


def _difference_words(evaluation: Evaluation, n: int, of: str) -> Iterator[str]:
    mean = evaluation.get(f"{NAME}.mean_difference")
    if mean is not None:
        value, interval = with_interval(mean.value, mean.interval)
        sure = f" ({interval})" if interval else ""
        yield f"Over {counted(n, 'sample')} the candidate reads {value}{of}{sure} against the reference on average."
    low, high = (evaluation.get(f"{NAME}.agreement_{end}") for end in ("low", "high"))
    if low is not None and high is not None:
        yield (
            f"The difference of a further sample is expected between {significant(low.value)} and "
            f"{significant(high.value)}{of}."
        )


def _slope_words(evaluation: Evaluation) -> Iterator[str]:
    slope = evaluation.get(f"{NAME}.deming_slope")
    if slope is None or slope.interval is None:
        return
    value, interval = with_interval(slope.value, slope.interval)
    one_inside = slope.interval[0] <= 1 <= slope.interval[1]
    verb = "includes" if one_inside else "does not include"
    follows = (
        "a proportional difference smaller than that interval cannot be seen here."
        if one_inside
        else "the methods differ in proportion to the content."
    )
    yield f"The line with errors in both methods has slope {value} ({interval}), which {verb} 1: {follows}"


def _predicted_words(evaluation: Evaluation, of: str) -> Iterator[str]:
    for q in evaluation.judged:
        if q.key == f"{NAME}.difference_at":
            value, interval = with_interval(q.value, q.interval)
            sure = f" ({interval})" if interval else ""
            yield f"At {level_text(q.at)}{of} the predicted difference is {value}{of}{sure}."


def _marked_words(samples: Sequence[PairedSample], of: str) -> Iterator[str]:
    """The samples that the worksheet marks: that they are kept, and how far they lie beside the others."""
    others = [s.difference for s in samples if not s.note]
    for note in dict.fromkeys(s.note for s in samples if s.note):
        own = [s for s in samples if s.note == note]
        names, differences = sentence_list([s.name for s in own]), _listed([s.difference for s in own])
        relative = [100 * s.relative for s in own if s.relative is not None]
        shares = f" ({_listed(relative, 2)} % of the mean of both methods)" if len(relative) == len(own) else ""
        kept, their = ("They are", "their differences are") if len(own) > 1 else ("It is", "its difference is")
        beside = ""
        if others:
            mean = significant(sum(others) / len(others), 2)
            beside = f", while the {len(others)} unmarked samples lie at {mean}{of} on average"
        yield (
            f'{names} {"are" if len(own) > 1 else "is"} marked in the worksheet: "{note}". {kept} kept in every number '
            f"here; {their} {differences}{of}{shares}{beside}."
        )


def _fuel_words(fuel: str) -> Iterator[str]:
    if fuel:
        yield (
            f"The standard is a fresh blend of {fuel}, while the fuel of an oil in use is weathered and need not be "
            f"{fuel}: the differences of used oils contain what that does to the result, and the comparison alone "
            "does not separate it from an error of the method."
        )


def _listed(values: Sequence[float], digits: int = 2) -> str:
    return sentence_list([significant(value, digits) for value in values])


def _scatter_words(scatter: Sequence[ScatterAbout]) -> Iterator[str]:
    if not scatter:
        yield "Without replicates of both methods, scatter of the samples cannot be told from scatter of the readings."
        return
    last = scatter[-1]
    if last.p is not None and last.p < 0.05:
        yield (
            f"About {last.about} the samples scatter more than the replicates explain: "
            f"{significant(last.observed)} against {significant(last.expected)}; what is left over belongs to "
            f"the samples ({significant(last.sample_specific)})."
        )
    else:
        yield (
            f"About {last.about} the samples scatter no more than the replicates explain "
            f"({significant(last.observed)} against {significant(last.expected)})."
        )


_PEFR = "Bland and Altman 1986, peak expiratory flow"
_TOST = "paired two one-sided tests, reference values of the statsmodels test suite"
_TOLERANCE = "one-sided tolerance factors of normal data (ISO 16269-6, from memory)"
_WITNESS = "minimum of the weighted distances by brute force, on phytic acid data, March et al. 1999"
_BRUTE = "all pairwise slopes by brute force on phytic acid data, March et al. 1999"
_YORK = "Pearson's data with York's weights (York et al. 2004)"
_GDR = "ISO/TS 28037:2010, 7, example"


def _key(name: str, meaning: str, symbol: str, formula: str, source: str, rules: Any, **more: Any) -> KeyInfo:
    return KeyInfo(f"{NAME}.{name}", meaning, symbol, formula, source, rules=rules, **{"at": "none", **more})


_EQUIVALENCE = ("equivalence", "point")
_ABSOLUTE = (f"{NAME}.agreement_low", f"{NAME}.agreement_high")
_RELATIVE = (f"{NAME}.relative_agreement_low", f"{NAME}.relative_agreement_high")
_BLAND_ALTMAN = "Bland and Altman 1986, Lancet i, 307-310; interval: non-central t, exact"

CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Comparison with a reference method",
    position=80,
    experiment=NAME,
    method=(
        "Both methods measure the same samples. Differences are candidate minus reference, each from the means over "
        "replicates; their mean, their scatter and the limits of agreement are given in the unit of the study and "
        "relative to the mean of both methods.",
        "Lines of candidate on reference allow for errors in both: Deming's with the ratio of the error variances from "
        "the replicates, the weighted line of York with an uncertainty for every sample, and Passing and Bablok's, "
        "which asks for no error model. The predicted difference at a decision level comes from Deming's line.",
        "Correlation is not shown: it measures the spread of the samples, not the agreement of the methods.",
    ),
    keys=(
        _key(
            "mean_difference", "mean of candidate minus reference", "d",
            "d = mean(y_i - x_i); interval t on n - 1", "paired t; two one-sided tests, Schuirmann 1987 (from memory)",
            _EQUIVALENCE, checked_against=(_PEFR, _TOST),
        ),
        _key(
            "sd_difference", "standard deviation of the differences", "s_d", "s_d^2 = sum((d_i - d)^2) / (n - 1)",
            "Bland and Altman 1986, Lancet i, 307-310; interval: chi-square", ("upper bound", "point"),
            checked_against=(_PEFR,),
        ),
        _key(
            "agreement_low", "lower limit of agreement", "d - z s_d", "d - z s_d, z the normal quantile",
            _BLAND_ALTMAN, ("inside",), pair=_ABSOLUTE, checked_against=(_TOLERANCE,),
        ),
        _key(
            "agreement_high", "upper limit of agreement", "d + z s_d", "d + z s_d, z the normal quantile",
            _BLAND_ALTMAN, ("inside",), pair=_ABSOLUTE, checked_against=(_TOLERANCE,),
        ),
        _key(
            "mean_relative_difference", "mean of the differences relative to the mean of both methods", "d_rel",
            "d_rel = mean(2 (y_i - x_i) / (x_i + y_i))", "Bland and Altman 1986; paired t", _EQUIVALENCE, unit="1",
        ),
        _key(
            "relative_agreement_low", "lower limit of agreement, relative to the mean of both methods",
            "d_rel - z s_rel", "as the absolute one, of the relative differences", _BLAND_ALTMAN, ("inside",),
            unit="1", pair=_RELATIVE,
        ),
        _key(
            "relative_agreement_high", "upper limit of agreement, relative to the mean of both methods",
            "d_rel + z s_rel", "as the absolute one, of the relative differences", _BLAND_ALTMAN, ("inside",),
            unit="1", pair=_RELATIVE,
        ),
        _key(
            "deming_slope", "slope of candidate on reference, errors in both", "b",
            "b = (S_yy - L S_xx + sqrt((S_yy - L S_xx)^2 + 4 L S_xy^2)) / (2 S_xy), L = ratio of error variances",
            "Deming 1943; jackknife, Linnet 1990 (from memory)", _EQUIVALENCE, unit="1", checked_against=(_WITNESS,),
        ),
        _key(
            "deming_intercept", "intercept of the same line", "a", "a = mean(y) - b mean(x)",
            "Deming 1943; jackknife, Linnet 1990 (from memory)", _EQUIVALENCE, checked_against=(_WITNESS,),
        ),
        _key(
            "passing_bablok_slope", "shifted median of all pairwise slopes", "b_PB",
            "b = median of (y_j - y_i) / (x_j - x_i), shifted by the number of slopes below -1",
            "Passing and Bablok 1983 (from memory)", _EQUIVALENCE, unit="1", checked_against=(_BRUTE,),
        ),
        _key(
            "passing_bablok_intercept", "median of y - b x", "a_PB", "a = median(y_i - b x_i)",
            "Passing and Bablok 1983 (from memory)", _EQUIVALENCE, checked_against=(_BRUTE,),
        ),
        _key(
            "york_slope", "slope of the line weighted by the uncertainty of every sample", "b_Y",
            "minimum of sum((y_i - a - b x_i)^2 / (u(y_i)^2 + b^2 u(x_i)^2))",
            "York et al. 2004; ISO/TS 28037:2010 (clause 7 from memory)",
            _EQUIVALENCE, unit="1", checked_against=(_YORK, _GDR),
        ),
        _key(
            "york_intercept", "intercept of the same line", "a_Y",
            "minimum of sum((y_i - a - b x_i)^2 / (u(y_i)^2 + b^2 u(x_i)^2))",
            "York et al. 2004; ISO/TS 28037:2010 (clause 7 from memory)",
            _EQUIVALENCE, checked_against=(_YORK, _GDR),
        ),
        _key(
            "difference_at", "predicted difference at a decision level", "D(x)", "D(x) = a + (b - 1) x, Deming's line",
            "Deming 1943; jackknife, Linnet 1990 (from memory)", _EQUIVALENCE, at="level", checked_against=(_WITNESS,),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    alternatives=alternatives,
    figures=("difference_plot", "relative_difference_plot", "comparison_plot", "difference_at_limits"),
)  # fmt: skip
