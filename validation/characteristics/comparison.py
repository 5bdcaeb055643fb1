"""Comparison of the candidate with a reference method on the same samples."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import sqrt
from typing import Any

import numpy as np

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import all_censored
from validation.characteristics._other_methods import other_methods_table
from validation.stats import comparison as statistics
from validation.stats import outliers
from validation.stats.estimate import Number, OldEstimate
from validation.study.model import ExperimentData, Study
from validation.study.ordering import natural_order
from validation.study.quantity import At, Evaluation, Flag, Quantity
from validation.words import level_text, sentence_list, significant, with_interval

NAME = "comparison"
WEIGHTED, RANKS = "weighted line (York)", "Passing-Bablok"

_METHODS = ("candidate", "reference")


def _mean(values: Sequence[Number]) -> Fraction:
    return sum((Fraction(value) for value in values), Fraction(0)) / len(values)


@dataclass(frozen=True)
class _Sample:
    """One sample measured by both methods: rows and exact readings of each."""

    name: str
    candidate_rows: tuple[int, ...]
    reference_rows: tuple[int, ...]
    candidate: tuple[Number, ...]
    reference: tuple[Number, ...]

    @property
    def y(self) -> Fraction:
        return _mean(self.candidate)

    @property
    def x(self) -> Fraction:
        return _mean(self.reference)


@dataclass(frozen=True)
class _Pairs:
    """All paired samples, in the order of their names, with what both methods' replicates say."""

    samples: tuple[_Sample, ...]
    candidate: statistics.ReplicateVariance
    reference: statistics.ReplicateVariance
    ratio: float
    ratio_notes: tuple[str, ...]

    @property
    def x(self) -> list[Fraction]:
        return [sample.x for sample in self.samples]

    @property
    def y(self) -> list[Fraction]:
        return [sample.y for sample in self.samples]

    @property
    def unequal(self) -> bool:
        """Whether a method has more replicates of one sample than of another."""
        counts = [{len(getattr(sample, method)) for sample in self.samples} for method in _METHODS]
        return any(len(found) > 1 for found in counts)

    @property
    def differences(self) -> np.ndarray:
        return statistics.differences(self.x, self.y)

    @property
    def relative(self) -> np.ndarray | None:
        """Differences over the mean of both methods; None where such a mean is not above zero."""
        middle = np.array([float(sample.x + sample.y) / 2 for sample in self.samples])
        return self.differences / middle if np.all(middle > 0) else None


@dataclass(frozen=True)
class _Weights:
    """Standard uncertainty of every sample's mean by each method, and where it comes from; absent with a reason."""

    u_x: np.ndarray | None
    u_y: np.ndarray | None
    said: str


def evaluate(study: Study) -> Evaluation:
    """Compare candidate with reference over the paired samples of the experiment `comparison`."""
    data = study.ready(NAME)
    if data is None:
        planned = NAME in study.experiments
        return Evaluation(
            NAME,
            missing=(all_censored(study, NAME) or "The readings of both methods are awaited.")
            if planned
            else "No comparison with a reference method is planned.",
        )
    pairs, unpaired, other = _pairs(data)
    notes = [*data.notes, *_unpaired_notes(unpaired), *_method_notes(other)]
    if pairs is None:
        return Evaluation(
            NAME,
            notes=tuple(notes),
            missing="No sample was measured by both methods: readings of `candidate` and `reference` on the same "
            "samples are needed.",
        )
    notes.extend(_few_notes(len(pairs.samples)))
    weights = _weights(data, pairs)
    confidences = (study.confidence, study.judged_confidence)
    estimated, said = _estimates(study, pairs, weights, confidences)
    notes.extend(said)
    quantities = tuple(_quantities(study, data, pairs, estimated))
    details = _details(study, data, pairs, weights, quantities)
    if not study.looked_at_otherwise:
        details["tables"] += other_methods_table(quantities, alternatives(study))
    return Evaluation(NAME, quantities, tuple(_flags(data, pairs)), tuple(dict.fromkeys(notes)), "", details)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """Slope, intercept and predicted difference by the weighted line, slope and intercept by pairwise slopes."""
    data = study.ready(NAME)
    pairs = None if data is None else _pairs(data)[0]
    if data is None or pairs is None or len(pairs.samples) < 3:
        return {}
    weights = _weights(data, pairs)
    by_title: dict[str, Estimated] = {WEIGHTED: {}, RANKS: {}}
    for confidence in (study.confidence, study.judged_confidence):
        for title, found in (
            (WEIGHTED, _by_york(study, pairs, weights, confidence)),
            (RANKS, _by_ranks(pairs, confidence)),
        ):
            for key, at, estimate in found:
                by_title[title].setdefault((key, at), []).append(estimate)
    return {title: list(_quantities(study, data, pairs, found)) for title, found in by_title.items() if found}


def _by_york(
    study: Study, pairs: _Pairs, weights: _Weights, confidence: float
) -> Iterator[tuple[str, At, OldEstimate]]:
    if weights.u_x is None or weights.u_y is None:
        return
    try:
        line = statistics.york(pairs.x, pairs.y, weights.u_x, weights.u_y, confidence=confidence)
        yield "deming_slope", None, line.slope
        yield "deming_intercept", None, line.intercept
        for level in _decision_levels(study):
            # Seen from the level, the line's intercept is the predicted difference there.
            x, y = ([value - Fraction(level) for value in values] for values in (pairs.x, pairs.y))
            line = statistics.york(x, y, weights.u_x, weights.u_y, confidence=confidence)
            yield "difference_at", level, line.intercept
    except ValueError:
        return


def _by_ranks(pairs: _Pairs, confidence: float) -> Iterator[tuple[str, At, OldEstimate]]:
    try:
        line = statistics.passing_bablok(pairs.x, pairs.y, confidence=confidence)
    except ValueError:
        return
    yield "deming_slope", None, line.slope
    yield "deming_intercept", None, line.intercept


def _pairs(data: ExperimentData) -> tuple[_Pairs | None, dict[str, list[str]], list[str]]:
    """Samples with readings of both methods; samples lacking one, by that method; unknown method names."""
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
    for name in sorted(rows, key=natural_order):
        lacking = [method for method in _METHODS if method not in rows[name]]
        if lacking:
            unpaired[lacking[0]].append(name)
            continue
        y_rows, x_rows = (tuple(rows[name][method]) for method in _METHODS)
        y, x = (tuple(data.decimals("result", found)) for found in (y_rows, x_rows))
        samples.append(_Sample(name, y_rows, x_rows, y, x))
    if not samples:
        return None, unpaired, sorted(other)
    candidate = statistics.replicate_variance([sample.candidate for sample in samples])
    reference = statistics.replicate_variance([sample.reference for sample in samples])
    ratio, ratio_notes = statistics.error_variance_ratio(candidate, reference)
    return _Pairs(tuple(samples), candidate, reference, ratio, ratio_notes), unpaired, sorted(other)


def _unpaired_notes(unpaired: dict[str, list[str]]) -> Iterator[str]:
    for method, names in unpaired.items():
        if names:
            yield (
                f"{len(names)} sample(s) lack a reading of the {method} method and were left out: "
                f"{sentence_list(names)}."
            )


def _method_notes(other: Sequence[str]) -> Iterator[str]:
    if other:
        yield f"Rows of the method(s) {sentence_list(list(other))} were not used: candidate and reference are known."


def _few_notes(n: int) -> Iterator[str]:
    if n < 2:
        yield "One paired sample only: a scatter of differences needs at least two."
    if n < 3:
        yield f"{n} paired sample(s): a line needs at least three."


def _weights(data: ExperimentData, pairs: _Pairs) -> _Weights:
    """From column `u` of both methods, else from s(x) of each method's own replicates."""
    if "u" in data.table:
        u = data.table["u"].to_numpy(dtype=float)
        used = [row for s in pairs.samples for row in (*s.candidate_rows, *s.reference_rows)]
        if np.all(np.isfinite(u[used])) and np.all(u[used] > 0):
            u_y = np.array([_combined(u, sample.candidate_rows) for sample in pairs.samples])
            u_x = np.array([_combined(u, sample.reference_rows) for sample in pairs.samples])
            said = "Standard uncertainties from the worksheet's column u, taken as independent between replicates."
            return _Weights(u_x, u_y, said)
        ending = "Column u is not positive throughout; s(x) of the replicates is used instead."
    else:
        ending = ""
    try:
        y, x = (
            statistics.spread_of_replicates([getattr(sample, method) for sample in pairs.samples])
            for method in _METHODS
        )
    except ValueError:
        return _Weights(
            None,
            None,
            f"{ending} There is no weighted (York) line: it needs column u, or replicates of both methods.".strip(),
        )
    u_y = np.array([y.at(max(0.0, float(s.y))) / sqrt(len(s.candidate)) for s in pairs.samples])
    u_x = np.array([x.at(max(0.0, float(s.x))) / sqrt(len(s.reference)) for s in pairs.samples])
    if not (np.all(u_x > 0) and np.all(u_y > 0)):
        return _Weights(None, None, "There is no weighted (York) line: s(x) of a method's replicates comes out as 0.")
    said = (
        f"Standard uncertainties from s(x) of each method's replicates: candidate {significant(y.constant)} + "
        f"{significant(y.slope)} x, reference {significant(x.constant)} + {significant(x.slope)} x; scatter that is "
        f"a sample's own is not in them."
    )
    return _Weights(u_x, u_y, f"{ending} {said}".strip())


def _combined(u: np.ndarray, rows: Sequence[int]) -> float:
    """Uncertainty of the mean of readings whose uncertainties are independent."""
    return sqrt(float(np.square(u[list(rows)]).sum())) / len(rows)


Estimated = dict[tuple[str, At], list[OldEstimate]]


def _estimates(
    study: Study, pairs: _Pairs, weights: _Weights, confidences: Sequence[float]
) -> tuple[Estimated, list[str]]:
    """Every estimate at each confidence, by key and place, and what must be said where one cannot be had."""
    found: Estimated = {}
    said: list[str] = []
    for confidence in confidences:
        for key, at, estimate in _one_confidence(study, pairs, weights, confidence, said):
            found.setdefault((key, at), []).append(estimate)
    return found, said


def _one_confidence(
    study: Study, pairs: _Pairs, weights: _Weights, confidence: float, said: list[str]
) -> Iterator[tuple[str, At, OldEstimate]]:
    yield from _differences(pairs.differences, ("mean_difference", "agreement"), study.confidence, confidence)
    if len(pairs.samples) > 1 and statistics.alike(pairs.differences):
        said.append("All differences are alike as written: limits of agreement would hold nothing but their rounding.")
    if len(pairs.samples) > 1:
        yield "sd_difference", None, statistics.sd_difference(pairs.differences, confidence=confidence)
    if pairs.relative is None:
        said.append("A sample's mean is not above zero: relative differences are not computed.")
    else:
        names = ("mean_relative_difference", "relative_agreement")
        yield from _differences(pairs.relative, names, study.confidence, confidence)
    if len(pairs.samples) < 3:
        return
    try:
        line = statistics.deming(pairs.x, pairs.y, ratio=pairs.ratio, confidence=confidence)
    except ValueError as error:
        said.append(f"There is no Deming line: {error}.")
    else:
        yield "deming_slope", None, line.slope.with_notes(*pairs.ratio_notes)
        yield "deming_intercept", None, line.intercept.with_notes(*pairs.ratio_notes)
        for level in _decision_levels(study):
            estimate = statistics.difference_at(level, pairs.x, pairs.y, ratio=pairs.ratio, confidence=confidence)
            yield "difference_at", level, estimate.with_notes(*pairs.ratio_notes)
    try:
        line = statistics.passing_bablok(pairs.x, pairs.y, confidence=confidence)
    except ValueError as error:
        said.append(f"There is no Passing-Bablok line: {error}.")
    else:
        yield "passing_bablok_slope", None, line.slope
        yield "passing_bablok_intercept", None, line.intercept
    if weights.u_x is None or weights.u_y is None:
        said.append(weights.said)
        return
    try:
        line = statistics.york(pairs.x, pairs.y, weights.u_x, weights.u_y, confidence=confidence)
    except ValueError as error:
        said.append(f"There is no weighted (York) line: {error}.")
    else:
        yield "york_slope", None, line.slope.with_notes(weights.said)
        yield "york_intercept", None, line.intercept.with_notes(weights.said)


def _differences(
    values: np.ndarray, names: tuple[str, str], coverage: float, confidence: float
) -> Iterator[tuple[str, At, OldEstimate]]:
    yield names[0], None, statistics.mean_difference(values, confidence=confidence)
    if values.size > 1 and not statistics.alike(values):
        low, high = statistics.agreement_limits(values, coverage=coverage, confidence=confidence)
        yield f"{names[1]}_low", None, low
        yield f"{names[1]}_high", None, high


def _decision_levels(study: Study) -> list[float]:
    """The customer's limits, and every level at which a requirement asks for the predicted difference."""
    asked = {
        float(requirement.at)
        for requirement in study.plan.requirements
        if requirement.quantity == f"{NAME}.difference_at" and isinstance(requirement.at, int | float)
    }
    return sorted(asked | {float(limit) for limit in study.plan.study.customer_limits})


_ORDER = (
    "mean_difference", "sd_difference", "agreement_low", "agreement_high", "mean_relative_difference",
    "relative_agreement_low", "relative_agreement_high", "deming_slope", "deming_intercept", "passing_bablok_slope",
    "passing_bablok_intercept", "york_slope", "york_intercept", "difference_at",
)  # fmt: skip


def _quantities(study: Study, data: ExperimentData, pairs: _Pairs, estimated: Estimated) -> Iterator[Quantity]:
    rows = sorted(row for sample in pairs.samples for row in (*sample.candidate_rows, *sample.reference_rows))
    readings = [str(data.table["reading"].iloc[row]) for row in rows]
    censored = len(data.censored)
    notes = [f"{censored} censored reading(s) were left out."] if censored else []
    if pairs.unequal:
        notes.append("The samples hold unequal numbers of replicates; the mean of each sample counts the same.")
    units = {key.key: key.unit for key in CHARACTERISTIC.keys}
    for (name, at), (estimate, judged) in sorted(
        estimated.items(), key=lambda item: (_ORDER.index(item[0][0]), float(item[0][1] or 0.0))
    ):
        key = f"{NAME}.{name}"
        yield Quantity.from_estimate(
            key,
            at,
            _counting(estimate, len(readings)),
            unit="1" if units[key] == "1" else study.unit,
            worksheet=data.worksheet,
            readings=readings,
            judged=judged,
            unit_name="samples",
            notes=notes,
            censored=censored,
        )


def _counting(estimate: OldEstimate, readings: int) -> OldEstimate:
    """The estimate with the readings behind it as n; its samples stay in `units`."""
    return replace(estimate, n=readings)


def _flags(data: ExperimentData, pairs: _Pairs) -> Iterator[Flag]:
    """Grubbs' test for one outlier on the differences; it points at the candidate's first reading of the sample."""
    if len(pairs.samples) < 3:
        return
    found, strict = (outliers.grubbs_single(pairs.differences.tolist(), alpha=alpha) for alpha in (0.05, 0.01))
    if not found.exceeded:
        return
    sample = pairs.samples[found.index]
    strength = "beyond the 1 % value too" if strict.exceeded else "beyond the 5 % value, within the 1 % value"
    yield Flag(
        reading=str(data.table["reading"].iloc[_furthest(sample)]),
        test="Grubbs, differences",
        statistic=found.statistic,
        critical=found.critical,
        reason=f"The difference of sample {sample.name} lies apart from those of the other samples ({strength} "
        f"{significant(strict.critical)}).",
        at=None,
        worksheet=data.worksheet,
    )


def _furthest(sample: _Sample) -> int:
    """The candidate's reading furthest from the reference mean of the sample."""
    gaps = [abs(Fraction(value) - sample.x) for value in sample.candidate]
    return sample.candidate_rows[gaps.index(max(gaps))]


def _details(
    study: Study, data: ExperimentData, pairs: _Pairs, weights: _Weights, quantities: Sequence[Quantity]
) -> dict[str, Any]:
    relative = pairs.relative
    samples = [
        {
            "sample": sample.name,
            "reference": float(sample.x),
            "candidate": float(sample.y),
            "difference": float(difference),
            "relative": None if relative is None else float(relative[i]),
            "reference_readings": [float(value) for value in sample.reference],
            "candidate_readings": [float(value) for value in sample.candidate],
            "readings": [
                str(data.table["reading"].iloc[row]) for row in (*sample.candidate_rows, *sample.reference_rows)
            ],
            "line": int(data.table["line"].iloc[_furthest(sample)]),
            "note": _note(data, sample),
            "u_reference": None if weights.u_x is None else float(weights.u_x[i]),
            "u_candidate": None if weights.u_y is None else float(weights.u_y[i]),
        }
        for i, (sample, difference) in enumerate(zip(pairs.samples, pairs.differences, strict=True))
    ]
    return {
        "unit": study.unit,
        "fuel": study.plan.study.fuel,
        "samples": samples,
        "customer_limits": [float(limit) for limit in study.plan.study.customer_limits],
        "ratio": pairs.ratio,
        "curve": _curve(study, pairs),
        "scatter": _scatter_details(pairs),
        "tables": [_sample_table(samples), _scatter_table(pairs), _precision_table(pairs)],
    }


def _note(data: ExperimentData, sample: _Sample) -> str:
    """What the worksheet's column `note` says of a sample, each remark once."""
    if "note" not in data.table:
        return ""
    written = data.table["note"].iloc[[*sample.candidate_rows, *sample.reference_rows]]
    return "; ".join(dict.fromkeys(text for note in written if (text := str(note).strip())))


def _curve(study: Study, pairs: _Pairs) -> dict[str, list[float]] | None:
    """The predicted difference with its interval over the reference values and the decision levels, for the figure."""
    if len(pairs.samples) < 3:
        return None
    reached = [float(x) for x in pairs.x] + _decision_levels(study)
    levels = np.linspace(min(reached), max(reached), 41).tolist()
    try:
        predicted = [
            statistics.difference_at(level, pairs.x, pairs.y, ratio=pairs.ratio, confidence=study.confidence)
            for level in levels
        ]
    except ValueError:
        return None
    ends = [estimate.interval or (estimate.value, estimate.value) for estimate in predicted]
    return {
        "level": levels,
        "difference": [estimate.value for estimate in predicted],
        "low": [low for low, _ in ends],
        "high": [high for _, high in ends],
    }


def _scatters(pairs: _Pairs) -> list[tuple[str, statistics.SampleScatter]]:
    """Observed against explained scatter: of the differences, and about the Deming line, which takes a slope out."""
    found = []
    n = len(pairs.samples)
    if n > 1:
        variance = float(pairs.differences.var(ddof=1))
        found.append(("the differences", statistics.sample_scatter(variance, n - 1, pairs.candidate, pairs.reference)))
    if n > 2:
        try:
            line = statistics.deming(pairs.x, pairs.y, ratio=pairs.ratio)
        except ValueError:
            pass
        else:
            scatter = statistics.sample_scatter(
                line.details["residual_sd"] ** 2, n - 2, pairs.candidate, pairs.reference, slope=line.slope.value
            )
            found.append(("the Deming line", scatter))
    return [(name, scatter) for name, scatter in found if scatter is not None]


def _scatter_details(pairs: _Pairs) -> list[dict[str, Any]]:
    return [
        {
            "about": name,
            "observed": s.observed,
            "expected": s.expected,
            "sample_specific": s.sample_specific,
            "single": s.single,
            "F": s.F,
            "p": s.p,
        }
        for name, s in _scatters(pairs)
    ]


def _sample_table(samples: Sequence[dict[str, Any]]) -> dict[str, Any]:
    noted = any(s["note"] for s in samples)
    return {
        "caption": "Samples: means over replicates and differences (relative: over the mean of both methods)",
        "head": ["sample", "reference", "candidate", "difference", "relative difference", *(["note"] if noted else [])],
        "rows": [
            [
                *(s["sample"], s["reference"], s["candidate"], s["difference"], s["relative"]),
                *([s["note"]] if noted else []),
            ]
            for s in samples
        ],
    }


def _scatter_table(pairs: _Pairs) -> dict[str, Any]:
    rows = [
        [f"about {name}", s.observed, s.expected, s.sample_specific, s.single, s.F, s.p] for name, s in _scatters(pairs)
    ]
    return {
        "caption": "Scatter between samples against what the replicates of both methods explain"
        + ("" if rows else ": not available, since a method has no replicates"),
        "head": [
            "standard deviation",
            "observed",
            "explained by replicates",
            "sample-specific",
            "for single readings",
            "F",
            "p",
        ],
        "rows": rows,
    }


def _precision_table(pairs: _Pairs) -> dict[str, Any]:
    return {
        "caption": "Replicates of each method, pooled over the samples",
        "head": ["method", "standard deviation of one reading", "degrees of freedom", "of a sample's mean"],
        "rows": [
            [
                name,
                None if v.variance is None else sqrt(v.variance),
                v.degrees_of_freedom,
                None if v.of_means is None else sqrt(v.of_means),
            ]
            for name, v in (("candidate", pairs.candidate), ("reference", pairs.reference))
        ],
    }


def in_words(evaluation: Evaluation, unit: str) -> Sequence[str]:
    """What the comparison found, how sure it is, and what it does not show."""
    of = "" if unit == "1" else f" {unit}"
    n = len(evaluation.details["samples"])
    sentences = []
    mean = evaluation.get(f"{NAME}.mean_difference")
    if mean is not None and mean.value is not None:
        value, interval = with_interval(mean.value, mean.interval)
        sure = f" ({interval})" if interval else ""
        sentences.append(f"Over {n} samples the candidate reads {value}{of}{sure} against the reference on average.")
    low, high = (evaluation.get(f"{NAME}.agreement_{end}") for end in ("low", "high"))
    if low is not None and high is not None and low.value is not None and high.value is not None:
        sentences.append(
            f"The difference of a further sample is expected between {significant(low.value)} and "
            f"{significant(high.value)}{of}."
        )
    slope = evaluation.get(f"{NAME}.deming_slope")
    if slope is not None and slope.value is not None and slope.interval is not None:
        value, interval = with_interval(slope.value, slope.interval)
        verb = "includes" if slope.interval[0] <= 1 <= slope.interval[1] else "does not include"
        sentences.append(
            f"The line with errors in both methods has slope {value} ({interval}), which {verb} 1: "
            + (
                "a proportional difference smaller than that interval cannot be seen here."
                if verb == "includes"
                else "the methods differ in proportion to the content."
            )
        )
    for q in evaluation.quantities:
        if q.key == f"{NAME}.difference_at" and q.value is not None:
            value, interval = with_interval(q.value, q.interval)
            sure = f" ({interval})" if interval else ""
            sentences.append(f"At {level_text(q.at)}{of} the predicted difference is {value}{of}{sure}.")
    sentences.extend(_scatter_words(evaluation))
    sentences.extend(_marked_words(evaluation, of))
    for flag in evaluation.flags:
        sentences.append(f"{flag.reason} It is kept; a test is no cause.")
    sentences.append(
        "The reference method has errors of its own: agreement with it does not show that either is right, and a "
        "correlation between the two would not show agreement."
    )
    return sentences


def _marked_words(evaluation: Evaluation, of: str) -> Iterator[str]:
    """The samples that the worksheet marks: that they are kept, and how far they lie beside the others."""
    samples = evaluation.details["samples"]
    others = [s["difference"] for s in samples if not s["note"]]
    for note in dict.fromkeys(s["note"] for s in samples if s["note"]):
        own = [s for s in samples if s["note"] == note]
        names, differences = sentence_list([s["sample"] for s in own]), _listed([s["difference"] for s in own])
        relative = [s["relative"] for s in own]
        shares = ""
        if None not in relative:
            shares = f" ({_listed([100 * (share or 0.0) for share in relative], 2)} % of the mean of both methods)"
        kept, their = ("They are", "their differences are") if len(own) > 1 else ("It is", "its difference is")
        beside = ""
        if others:
            mean = significant(sum(others) / len(others), 2)
            beside = f", while the {len(others)} unmarked samples lie at {mean}{of} on average"
        yield (
            f'{names} {"are" if len(own) > 1 else "is"} marked in the worksheet: "{note}". {kept} kept in every number '
            f"here; {their} {differences}{of}{shares}{beside}."
        )
    fuel = evaluation.details["fuel"]
    if fuel:
        yield (
            f"The standard is a fresh blend of {fuel}, while the fuel of an oil in use is weathered and need not be "
            f"{fuel}: the differences of used oils contain what that does to the result, and the comparison alone "
            "does not part it from an error of the method."
        )


def _listed(values: Sequence[float], digits: int = 2) -> str:
    return sentence_list([significant(value, digits) for value in values])


def _scatter_words(evaluation: Evaluation) -> Iterator[str]:
    scatter = evaluation.details["scatter"]
    if not scatter:
        yield "Without replicates of both methods, scatter of the samples cannot be told from scatter of the readings."
        return
    last = scatter[-1]
    if last["p"] is not None and last["p"] < 0.05:
        yield (
            f"About {last['about']} the samples scatter more than the replicates explain: "
            f"{significant(last['observed'])} against {significant(last['expected'])}; what is left over belongs to "
            f"the samples ({significant(last['sample_specific'])})."
        )
    else:
        yield (
            f"About {last['about']} the samples scatter no more than the replicates explain "
            f"({significant(last['observed'])} against {significant(last['expected'])})."
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
