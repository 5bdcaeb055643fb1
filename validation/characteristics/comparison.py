"""Comparison of the candidate with a reference method on the same samples."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from fractions import Fraction
from functools import cached_property
from math import sqrt
from typing import Any

import numpy as np

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import all_censored
from validation.characteristics._other_methods import other_methods_table
from validation.figures.comparison import Band, ComparisonView, DrawnLine, PairedSample, ScatterAbout
from validation.stats import comparison as statistics
from validation.stats import outliers
from validation.stats.agreement import LevelAgreement, agreement_limits, level_agreement
from validation.stats.deming import DemingResult, deming, difference_at
from validation.stats.estimate import Estimate, Number, centre, exact_mean
from validation.stats.paired_differences import alike, differences, mean_difference, sd_difference
from validation.stats.passing_bablok import passing_bablok
from validation.stats.weighted_comparison import (
    LEAST_REPLICATES,
    LEAST_SAMPLES,
    WeightedComparison,
    weighted_comparison,
)
from validation.stats.york import york
from validation.study.model import ExperimentData, Study
from validation.study.ordering import natural_order
from validation.study.quantity import At, Cell, Display, Evaluation, Flag, Quantity, Table
from validation.study.variant import with_bounds
from validation.words import counted, level_text, sentence_list, significant, with_interval

NAME = "comparison"
WEIGHTED, DEMING, RANKS = "weighted line (York)", "Deming's line", "Passing-Bablok"
AT_LIMIT, AT_ZERO = "censored results at their limit", "censored results at zero"

_METHODS = ("candidate", "reference")
MEND = "State them in another unit."
UNREPLICATED = (
    "Without replicates of both methods, on four samples or more, Deming's line predicts the difference: it takes the "
    "scatter as equal at all levels."
)


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
class _Stated:
    """Standard uncertainties of every sample's mean from column u, reference and candidate; None without the column.

    `note`: where they come from, or why they are not used.
    """

    u: tuple[np.ndarray, np.ndarray] | None = None
    note: str = ""


@dataclass(frozen=True)
class _Pairs:
    """All paired samples, in the order of their names, and what is computed of them, once."""

    samples: tuple[_Sample, ...]
    stated: _Stated

    @cached_property
    def candidate(self) -> statistics.ReplicateVariance:
        return statistics.replicate_variance([sample.candidate for sample in self.samples])

    @cached_property
    def reference(self) -> statistics.ReplicateVariance:
        return statistics.replicate_variance([sample.reference for sample in self.samples])

    @cached_property
    def ratio(self) -> tuple[float, tuple[str, ...]]:
        """Of the error variances, with what must be known of it."""
        return statistics.error_variance_ratio(self.candidate, self.reference)

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
        return differences(self.x, self.y)

    @property
    def replicated(self) -> bool:
        """Whether the design has replicates of both methods: then the weighted line is judged, whatever it gives."""
        degrees = min(self.candidate.degrees_of_freedom, self.reference.degrees_of_freedom)
        return len(self.samples) >= LEAST_SAMPLES and degrees >= LEAST_REPLICATES

    @cached_property
    def weighted(self) -> WeightedComparison:
        reference, candidate = ([getattr(sample, method) for sample in self.samples] for method in reversed(_METHODS))
        return weighted_comparison(reference, candidate, u=self.stated.u)

    @cached_property
    def deming(self) -> DemingResult:
        return deming(self.x, self.y, ratio=self.ratio[0])

    @cached_property
    def agreement(self) -> LevelAgreement:
        return level_agreement(self.x, self.y)

    def predicted(self, level: float) -> Estimate:
        """Difference at a level by the line that the design gives."""
        if self.replicated:
            return self.weighted.difference_at(level).with_notes(*_beyond(self, level), *_weight_notes(self))
        return self.predicted_by_deming(level).with_notes(UNREPLICATED)

    def predicted_by_deming(self, level: float) -> Estimate:
        return difference_at(level, self.x, self.y, ratio=self.ratio[0]).with_notes(*self.ratio[1])

    @cached_property
    def relative(self) -> np.ndarray | None:
        """Differences over the mean of both methods; None where such a mean is not above zero."""
        middle = np.array([float(sample.x + sample.y) / 2 for sample in self.samples])
        return self.differences / middle if np.all(middle > 0) else None


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
    if not _can_be_squared(pairs):
        return Evaluation(NAME, own_notes=tuple(notes), missing=f"The results {statistics.BEYOND_SQUARES}. {MEND}")
    quantities = _quantities(study, data, pairs, _estimates(study, pairs, notes))

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
                line=_drawn_line(pairs),
                predicted=_predicted_band(study, pairs),
                agreement=_agreement_band(study, pairs),
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
    if data is None or pairs is None or not _can_be_squared(pairs):
        return {}
    by_title: dict[str, tuple[Quantity, ...]] = {}
    if len(pairs.samples) > 2:
        by_method = {
            WEIGHTED: _by_weights(study, pairs),
            DEMING: _by_deming(study, pairs),
            RANKS: _by_ranks(pairs),
        }
        by_title |= {title: _quantities(study, data, pairs, by) for title, by in by_method.items() if by}
    for title, zero in ((AT_LIMIT, False), (AT_ZERO, True)):
        filled = with_bounds(data, zero=zero)
        whole = None if filled is None else _pairs(filled)[0]
        if filled is not None and whole is not None and _can_be_squared(whole):
            estimated = _estimates(study, whole, [])
            by_title[title] = _quantities(study, filled, whole, estimated)
    return by_title


def _by_weights(study: Study, pairs: _Pairs) -> Estimated:
    """The weighted line in the place of Deming's: of the replicates, or of the uncertainties that column u states."""
    try:
        if pairs.replicated:
            line = pairs.weighted
            return [("deming_slope", None, line.slope), ("deming_intercept", None, line.intercept)]
        if pairs.stated.u is None:
            return []
        known = york(pairs.x, pairs.y, *pairs.stated.u)
        estimated: Estimated = [("deming_slope", None, known.slope), ("deming_intercept", None, known.intercept)]
        for level in _decision_levels(study):
            # Seen from the level, the line's intercept is the predicted difference there.
            x, y = ([value - Fraction(level) for value in values] for values in (pairs.x, pairs.y))
            estimated.append(("difference_at", level, york(x, y, *pairs.stated.u).intercept))
    except ValueError:
        return []
    return estimated


def _by_deming(study: Study, pairs: _Pairs) -> Estimated:
    """The predicted difference by Deming's line, where it is not the reported one."""
    if not pairs.replicated:
        return []
    try:
        return [("difference_at", level, pairs.predicted_by_deming(level)) for level in _decision_levels(study)]
    except ValueError:
        return []


def _by_ranks(pairs: _Pairs) -> Estimated:
    try:
        line = passing_bablok(pairs.x, pairs.y)
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
    return _Pairs(tuple(samples), _stated(data, samples)), unpaired, sorted(other)


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


def _stated(data: ExperimentData, samples: Sequence[_Sample]) -> _Stated:
    """Of the means, from column `u` of both methods."""
    if "u" not in data.table:
        return _Stated()
    u = data.table["u"].to_numpy(dtype=float)
    used = [row for s in samples for row in (*s.candidate_rows, *s.reference_rows)]
    if not all(value > 0 and statistics.can_be_squared([value]) for value in u[used]):
        return _Stated(None, "Column u holds what is no positive number between 1e-70 and 1e70, and is not used.")
    u_x = np.array([_combined(u, sample.reference_rows) for sample in samples])
    u_y = np.array([_combined(u, sample.candidate_rows) for sample in samples])
    note = "Standard uncertainties from the worksheet's column u, taken as independent between replicates."
    return _Stated((u_x, u_y), note)


def _combined(u: np.ndarray, rows: Sequence[int]) -> float:
    """Uncertainty of the mean of readings whose uncertainties are independent."""
    return sqrt(float(np.square(u[list(rows)]).sum())) / len(rows)


def _can_be_squared(pairs: _Pairs) -> bool:
    """Whether readings and differences stay in the range of doubles when they are squared."""
    readings = [value for sample in pairs.samples for value in (*sample.candidate, *sample.reference)]
    try:
        return statistics.can_be_squared(centre(readings)[1]) and statistics.can_be_squared(pairs.differences)
    except (ValueError, OverflowError):
        return False


def _estimates(study: Study, pairs: _Pairs, notes: list[str]) -> Estimated:
    """Every estimate; why one cannot be had is appended to the notes."""
    d, relative = pairs.differences, pairs.relative
    notes += _few_notes(len(pairs.samples))
    if len(pairs.samples) > 1 and alike(d):
        notes.append("All differences are alike as written: limits of agreement would hold nothing but their rounding.")
    estimated: Estimated = [("mean_difference", None, mean_difference(d))]
    if len(pairs.samples) > 1:
        estimated.append(("sd_difference", None, sd_difference(d)))
    estimated += _agreement(d, "agreement", study.confidence)
    if relative is None:
        notes.append("A sample's mean is not above zero: relative differences are not computed.")
    else:
        estimated.append(("mean_relative_difference", None, mean_difference(relative)))
        estimated += _agreement(relative, "relative_agreement", study.confidence)
    estimated += _level_agreement(study, pairs, notes)
    return [*estimated, *(_lines(study, pairs, notes) if len(pairs.samples) > 2 else ())]


def _agreement(values: np.ndarray, name: str, coverage: float) -> Estimated:
    if values.size < 2 or alike(values):
        return []
    low, high = agreement_limits(values, coverage=coverage)
    return [(f"{name}_low", None, low), (f"{name}_high", None, high)]


def _level_agreement(study: Study, pairs: _Pairs, notes: list[str]) -> Estimated:
    estimated: Estimated = []
    if len(pairs.samples) > 1 and alike(pairs.differences):
        return estimated
    try:
        for level in _agreement_levels(study, pairs):
            low, high = pairs.agreement.limits(level, coverage=study.confidence)
            estimated += [("level_agreement_low", level, low), ("level_agreement_high", level, high)]
    except ValueError as error:
        notes.append(f"There are no limits of agreement that follow the level: {error}.")
    return estimated


def _lines(study: Study, pairs: _Pairs, notes: list[str]) -> Estimated:
    """Deming's line, Passing and Bablok's, the weighted one, and the differences that the design's line predicts."""
    estimated: Estimated = []
    try:
        line = pairs.deming
    except ValueError as error:
        notes.append(f"There is no Deming line: {error}.")
    else:
        estimated.append(("deming_slope", None, line.slope.with_notes(*pairs.ratio[1])))
        estimated.append(("deming_intercept", None, line.intercept.with_notes(*pairs.ratio[1])))
    try:
        ranked = passing_bablok(pairs.x, pairs.y)
    except ValueError as error:
        notes.append(f"There is no Passing-Bablok line: {error}.")
    else:
        estimated.append(("passing_bablok_slope", None, ranked.slope))
        estimated.append(("passing_bablok_intercept", None, ranked.intercept))
    estimated += _weighted(pairs, notes)
    try:
        return [*estimated, *(("difference_at", at, pairs.predicted(at)) for at in _decision_levels(study))]
    except ValueError as error:
        which = "weighted line, which the design has replicates for" if pairs.replicated else "Deming line"
        notes.append(f"There is no predicted difference, for there is no {which}: {error}.")
        return estimated


def _weighted(pairs: _Pairs, notes: list[str]) -> Estimated:
    """York's line: weights of the replicates and the samples' own part, or else the uncertainties that are stated."""
    try:
        if pairs.replicated:
            slope, intercept = pairs.weighted.slope, pairs.weighted.intercept
        elif pairs.stated.u is not None:
            known = york(pairs.x, pairs.y, *pairs.stated.u)
            slope, intercept = known.slope, known.intercept
        else:
            notes += [pairs.stated.note] if pairs.stated.note else []
            needs = f"it needs column u, or replicates of both methods on {LEAST_SAMPLES} samples or more"
            notes.append(f"There is no weighted (York) line: {needs}.")
            return []
    except ValueError as error:
        notes.append(f"There is no weighted (York) line: {error}.")
        return []
    told = tuple(_weight_notes(pairs))
    return [("york_slope", None, slope.with_notes(*told)), ("york_intercept", None, intercept.with_notes(*told))]


def _weight_notes(pairs: _Pairs) -> Iterator[str]:
    """Where the weights come from."""
    if pairs.stated.note:
        yield pairs.stated.note
    if not pairs.replicated:
        return
    if pairs.stated.u is None:
        x, y = (
            f"{significant(float(spread.constant[0, 0]))} + {significant(float(spread.growth[0, 0]))} x"
            for spread in pairs.weighted.spreads
        )
        yield f"Weights from s(x) of the replicates: candidate {y}, reference {x}."
    own = pairs.weighted.own
    yield (
        f"The samples' own part, beside what the weights explain and in proportion to the level, is "
        f"{significant(100 * own, 2)} % of it."
        if own
        else "The samples scatter no more than the weights explain: no part of their own enters."
    )


def _beyond(pairs: _Pairs, level: float) -> Iterator[str]:
    low, high = float(min(pairs.x)), float(max(pairs.x))
    if not low <= level <= high:
        yield f"{level:.6g} lies outside the reference values ({low:.6g} to {high:.6g}): the line is extended."


def _agreement_levels(study: Study, pairs: _Pairs) -> list[float]:
    """Decision levels, levels that a requirement asks for, and ends and middle of the range as far as samples reach."""
    middles = [(x + y) / 2 for x, y in zip(pairs.x, pairs.y, strict=True)]
    lowest, highest = float(min(middles)), float(max(middles))
    low, high = study.plan.study.range
    ends = max(low, _rounded(lowest, ROUND_CEILING)), min(high, _rounded(highest, ROUND_FLOOR))
    inside = {level for level in (*ends, (low + high) / 2) if lowest <= level <= highest}
    return sorted(inside | set(_decision_levels(study)) | set(_asked(study, "level_agreement")))


def _rounded(value: float, rounding: str) -> float:
    """To two digits, toward the samples."""
    number = Decimal(repr(value))
    return float(number.quantize(Decimal(1).scaleb(number.adjusted() - 1), rounding=rounding)) if value else 0.0


def _decision_levels(study: Study) -> list[float]:
    """The customer's limits, and every level at which a requirement asks for the predicted difference."""
    return sorted({*_asked(study, "difference_at"), *map(float, study.plan.study.customer_limits)})


def _asked(study: Study, name: str) -> Iterator[float]:
    """Levels at which a requirement asks for a quantity, or a pair of them by either name."""
    for requirement in study.plan.requirements:
        of_name = requirement.quantity.removesuffix("_low").removesuffix("_high") == f"{NAME}.{name}"
        if of_name and isinstance(requirement.at, int | float):
            yield float(requirement.at)


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


def _drawn_line(pairs: _Pairs) -> DrawnLine:
    return DrawnLine("york", "weighted line") if pairs.replicated else DrawnLine("deming", "Deming's line")


def _levels_drawn(study: Study, pairs: _Pairs) -> list[float]:
    """Over the reference values and the decision levels, for the figures."""
    reached = [float(x) for x in pairs.x] + _decision_levels(study)
    return np.linspace(min(reached), max(reached), 41).tolist()


def _predicted_band(study: Study, pairs: _Pairs) -> Band | None:
    """The predicted difference with its interval."""
    if len(pairs.samples) < 3:
        return None
    levels = _levels_drawn(study, pairs)
    try:
        predicted = [pairs.predicted(level) for level in levels]
    except ValueError:
        return None
    ends = [estimate.interval(study.confidence) or (estimate.value, estimate.value) for estimate in predicted]
    middle = tuple(estimate.value for estimate in predicted)
    return Band(tuple(levels), middle, tuple(low for low, _ in ends), tuple(high for _, high in ends))


def _agreement_band(study: Study, pairs: _Pairs) -> Band | None:
    """Mean difference and limits of agreement as they follow the level."""
    levels = _levels_drawn(study, pairs)
    try:
        limits = [pairs.agreement.limits(level, coverage=study.confidence) for level in levels]
    except ValueError:
        return None
    low, high = (tuple(pair[end].value for pair in limits) for end in (0, 1))
    return Band(tuple(levels), tuple((a + b) / 2 for a, b in zip(low, high, strict=True)), low, high)


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
            line = pairs.deming
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
        *_slope_words(evaluation, view.line),
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
    followed = [q for q in evaluation.judged if q.key == f"{NAME}.level_agreement_low"]
    low, high = (evaluation.get(f"{NAME}.agreement_{end}") for end in ("low", "high"))
    if followed:
        ends = [(q, evaluation.get(f"{NAME}.level_agreement_high", q.at)) for q in followed]
        expected = [
            f"at {level_text(a.at)}{of} between {significant(a.value, 2)} and {significant(b.value, 2)}{of}"
            for a, b in ends
            if b is not None
        ]
        yield f"The difference of a further sample is expected {sentence_list(expected)}."
    elif low is not None and high is not None:
        yield (
            f"The difference of a further sample is expected between {significant(low.value)} and "
            f"{significant(high.value)}{of}."
        )


def _slope_words(evaluation: Evaluation, line: DrawnLine) -> Iterator[str]:
    slope = evaluation.get(f"{NAME}.{line.key}_slope")
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
_ODR = "scipy.odr and a likelihood searched by scipy.optimize, with the same weights"
_GDR = "ISO/TS 28037:2010, 7, example"


def _key(name: str, meaning: str, symbol: str, formula: str, source: str, rules: Any, **more: Any) -> KeyInfo:
    return KeyInfo(f"{NAME}.{name}", meaning, symbol, formula, source, rules=rules, **{"at": "none", **more})


_EQUIVALENCE = ("equivalence", "point")
_ABSOLUTE = (f"{NAME}.agreement_low", f"{NAME}.agreement_high")
_RELATIVE = (f"{NAME}.relative_agreement_low", f"{NAME}.relative_agreement_high")
_LEVEL = (f"{NAME}.level_agreement_low", f"{NAME}.level_agreement_high")
_FOLLOWED = "Bland and Altman 1999, Stat. Methods Med. Res. 8, 135, 3.2; interval: Zou and Donner 2008 (from memory)"
_BY_WEIGHT = (
    "York et al. 2004; ISO/TS 28037:2010 (clause 7 from memory); of replicates: own part, Paule and Mandel 1982, "
    "jackknife, Wu 1986 (from memory)"
)
_BLAND_ALTMAN = "Bland and Altman 1986, Lancet i, 307-310; interval: non-central t, exact"

CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Comparison with a reference method",
    position=80,
    experiment=NAME,
    method=(
        "Both methods measure the same samples. Differences are candidate minus reference, each from the means over "
        "replicates; their mean, their scatter and the limits of agreement are given in the unit of the study and "
        "relative to the mean of both methods, and at levels, where mean and scatter of the differences follow it.",
        "Lines of candidate on reference allow for errors in both: York's, weighted by what scatters at each level, "
        "which replicates of both methods tell, and by the samples' own part; Deming's, of scatter that is equal at "
        "all levels; and Passing and Bablok's, which asks for no error model. The design decides which one predicts "
        "the difference at a decision level: the weighted line where both methods have replicates, else Deming's.",
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
            "level_agreement_low", "lower limit of agreement at a level", "d(x) - z s_d(x)",
            "d(x) - z s_d(x), mean and standard deviation lines in the level", _FOLLOWED, ("inside",), at="level",
            pair=_LEVEL,
        ),
        _key(
            "level_agreement_high", "upper limit of agreement at a level", "d(x) + z s_d(x)",
            "d(x) + z s_d(x), mean and standard deviation lines in the level", _FOLLOWED, ("inside",), at="level",
            pair=_LEVEL,
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
            "Passing and Bablok 1983; interval: bootstrap, Efron and Tibshirani 1993 (from memory)", _EQUIVALENCE,
            checked_against=(_BRUTE,),
        ),
        _key(
            "york_slope", "slope of the line weighted by the uncertainty of every sample", "b_Y",
            "minimum of sum((y_i - a - b x_i)^2 / (u(y_i)^2 + b^2 u(x_i)^2))", _BY_WEIGHT,
            _EQUIVALENCE, unit="1", checked_against=(_YORK, _GDR, _ODR),
        ),
        _key(
            "york_intercept", "intercept of the same line", "a_Y",
            "minimum of sum((y_i - a - b x_i)^2 / (u(y_i)^2 + b^2 u(x_i)^2))", _BY_WEIGHT,
            _EQUIVALENCE, checked_against=(_YORK, _GDR, _ODR),
        ),
        _key(
            "difference_at", "predicted difference at a decision level", "D(x)",
            "D(x) = a + (b - 1) x: the weighted line where both methods have replicates, else Deming's",
            f"{_BY_WEIGHT}; else Deming 1943; jackknife, Linnet 1990 (from memory)", _EQUIVALENCE, at="level",
            checked_against=(_YORK, _ODR, _WITNESS),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    alternatives=alternatives,
    figures=("difference_plot", "relative_difference_plot", "comparison_plot", "difference_at_limits"),
)  # fmt: skip
