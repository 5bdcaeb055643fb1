"""Fuel blend and volatility: response factors of other fuels beside that of the reference blend, and their spread."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._lines import (
    Comparison,
    alternative_ratios,
    compare,
    no_line,
    not_ready,
    ratio_words,
    reference_name,
    slope_words,
    without_line,
    without_reference,
    worksheet_notes,
)
from validation.characteristics._other_methods import other_methods_table
from validation.stats.fuel import ONE_FUEL, relative_spread, scatter_share
from validation.study.model import ExperimentData, Reading, Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed, significant

NAME = "fuel"
COLUMNS = "fuel, level and result"
COMMON = (
    "The oil is the same for all fuels, so all lines of a run share one intercept, which the readings of all fuels "
    "fix together."
)
WITH_BLANKS = " Rows of level 0 hold no fuel; they fix the intercept, whatever fuel is written beside them."
CHOSEN = (
    "The {count} fuels were chosen, not drawn at random from the customers' sumps: the interval would hold for a "
    "random sample. Deliberately extreme fuels make the spread too large, similar ones too small."
)


def evaluate(study: Study) -> Evaluation:
    """Slope of every fuel in the common oil, its ratio to the reference blend, and the spread over fuels."""
    absent = not_ready(study, NAME, COLUMNS)
    if absent is not None:
        return absent
    data = study.experiments[NAME]
    names = [str(fuel) for fuel in data.table["fuel"]]
    reference, said = reference_name(data, list(dict.fromkeys(names)), study.plan.study.fuel, "study.fuel")
    if reference is None:
        return without_reference(NAME, data)
    comparison = _compare(study, data, names, reference)
    if comparison is None:
        return Evaluation(NAME, notes=worksheet_notes(data), missing=_no_line(data, reference))
    blanks = any(float(level) == 0 for level in data.table["level"])
    notes = [*worksheet_notes(data), *said, COMMON + (WITH_BLANKS if blanks else "")]
    notes += [*without_line(comparison, "fuel"), *comparison.notes]
    ratios = comparison.ratios(f"{NAME}.slope_ratio")
    quantities = [*comparison.slopes(f"{NAME}.slope"), *ratios]
    spread = _spread(comparison, study)
    if len(set(names)) == 1:
        notes.append(ONE_FUEL)
    if spread is not None:
        quantities.append(spread)
    tables = [] if study.looked_at_otherwise else _tables(study, comparison, quantities)
    details: dict[str, Any] = {**comparison.details(), "tables": tables}
    details["spread"] = None if spread is None else spread.value
    details["scatter"] = _scatter(comparison)
    return Evaluation(NAME, tuple(quantities), (), tuple(dict.fromkeys(notes)), details=details)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The slope ratios from lines that weight all readings equally."""
    if not_ready(study, NAME, COLUMNS) is not None:
        return {}
    data = study.experiments[NAME]
    names = [str(fuel) for fuel in data.table["fuel"]]
    reference, _ = reference_name(data, list(dict.fromkeys(names)), study.plan.study.fuel, "study.fuel")
    if reference is None:
        return {}
    return alternative_ratios(_compare(study, data, names, reference, equal_weights=True), f"{NAME}.slope_ratio")


def _compare(
    study: Study, data: ExperimentData, names: Sequence[str], reference: str, *, equal_weights: bool = False
) -> Comparison | None:
    return compare(study, data, names, reference, common_intercept=True, name_of=_fuel_of, equal_weights=equal_weights)


def _fuel_of(reading: Reading) -> str:
    return reading.values.get("fuel", "")


def _no_line(data: ExperimentData, reference: str) -> str:
    return f"{no_line(NAME, data, reference)} The common intercept takes two levels of one fuel, or rows of level 0."


def _spread(comparison: Comparison, study: Study) -> Quantity | None:
    lines = comparison.shown
    rows = sorted({row for rows in lines.slope_rows for row in rows})
    slopes = [slope.value for slope in lines.slopes]
    shown, judged = (
        relative_spread(slopes, confidence=confidence, n=len(rows))
        for confidence in (study.confidence, study.judged_confidence)
    )
    if shown is None or judged is None:
        return None
    quantity = comparison.quantity(f"{NAME}.spread", None, shown, judged, rows, *lines.names[:1])
    notes = [*quantity.notes, CHOSEN.format(count=len(slopes))]
    scatter = _scatter(comparison)
    if scatter is not None and shown.value > 0:
        notes.append(
            f"It contains the scatter of the slopes themselves, which alone would show about {significant(scatter, 2)}."
        )
    return replace(quantity, unit_name="fuels", notes=tuple(dict.fromkeys(notes)))


def _scatter(comparison: Comparison) -> float | None:
    slopes = comparison.shown.slopes
    errors = [slope.standard_uncertainty for slope in slopes]
    if comparison.by_run:
        # What a run does to all slopes alike is no spread over fuels: the scatter of their ratios tells.
        ratios = [ratio for ratio in comparison.shown.ratios if ratio is not None]
        found = [ratio.standard_uncertainty for ratio in ratios]
        if not found or None in found:
            return None
        return (sum((u or 0.0) ** 2 for u in found) / len(found) / 2) ** 0.5
    if None in errors:
        return None
    return scatter_share([slope.value for slope in slopes], [error or 0.0 for error in errors])


def _tables(study: Study, comparison: Comparison, quantities: Sequence[Quantity]) -> list[dict[str, Any]]:
    return [
        comparison.level_table("fuel", study.unit),
        *comparison.run_table("fuel"),
        *other_methods_table(quantities, alternatives(study)),
    ]


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    if evaluation.missing:
        return [evaluation.missing]
    reference = evaluation.details["reference"]
    slopes = [q for q in evaluation.quantities if q.key == f"{NAME}.slope"]
    sentences = [slope_words(slopes)] if slopes else []
    for q in evaluation.quantities:
        if q.key == f"{NAME}.slope_ratio" and q.value is not None:
            sentences.append(ratio_words(q, reference, "measured with a standard of"))
    spread = evaluation.get(f"{NAME}.spread")
    if spread is not None and spread.value is not None:
        low_high = ""
        if spread.interval is not None and spread.confidence is not None:
            low, high = (fixed(100 * end, 1) for end in spread.interval)
            low_high = f"; from {low} % to {high} % with {100 * spread.confidence:g} % confidence, were they a sample"
        sentences.append(
            f"Over the {spread.units} fuels the response factors spread by {fixed(100 * spread.value, 1)} % (relative "
            f"standard deviation{low_high}). Where the fuel in a sump is not known, this is part of the uncertainty of "
            "its result."
        )
    if len(sentences) > 1:
        sentences.append(
            "The fuels are fresh; what a hot sump leaves of a fuel was not measured here unless a weathered fuel is "
            "among them."
        )
    return sentences


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Fuel blend and volatility",
    position=100,
    experiment=NAME,
    method=(
        "In each run every fuel gets a straight line of its results on the level, weighted by the scatter at each "
        "level. The oil is the same, so the lines of a run share one intercept; rows of level 0, where there are any, "
        "help to fix it. The slope is the response factor of the fuel.",
        "The slope ratio is the mean slope of a fuel over that of the reference blend, its interval Fieller's from the "
        "paired slopes of the runs, Student's t with runs - 1 degrees of freedom. Without runs the scatter of one "
        "common fit is pooled.",
        "The spread is the relative standard deviation of the slopes over fuels.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.slope",
            "rise of the result with the level of a fuel",
            "b",
            "y = a + b_f x by weighted least squares, one intercept for all fuels of a run; mean over runs",
            "weighted least squares; Student t over runs (common practice)",
            "label",
            "1",
            ("equivalence", "point"),
            None,
            ("pantothenic acid slopes of Bliss 1952 against R's lm",),
        ),
        KeyInfo(
            f"{NAME}.slope_ratio",
            "slope of a fuel over the slope of the reference blend",
            "ρ",
            "ρ = mean b / mean b_ref; all ρ with |mean(b) - ρ mean(b_ref)| <= t(p - 1) s / sqrt(p)",
            "Fieller 1954; Finney 1978, chapter 7, slope-ratio assays (from memory)",
            "label",
            "1",
            ("equivalence", "point"),
            None,
            ("pantothenic acid slopes of Bliss 1952 against R's lm, by inversion of the F test",),
        ),
        KeyInfo(
            f"{NAME}.spread",
            "relative standard deviation of the response factors over fuels",
            "s_f",
            "s_f = sd(b_f) / mean(b_f); s_f sqrt((k - 1) / chi2)",
            "common practice; interval of a standard deviation (ISO 2854, from memory)",
            "none",
            "1",
            ("upper bound", "point"),
            None,
            ("scipy.stats.variation and chi-square quantiles by hand",),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("slope_ratios", "results_by_level"),
    alternatives=alternatives,
)
