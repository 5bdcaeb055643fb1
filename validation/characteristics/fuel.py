"""Fuel blend and volatility: response factors of other fuels beside that of the reference blend, and their spread."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from validation.characteristics import Characteristic, KeyInfo, _lines
from validation.characteristics._lines import Comparison, MaterialChapter, Materials, Own, lines_in_words
from validation.figures.fuel import FuelView
from validation.stats.fuel import ONE_FUEL, relative_spread, scatter_share
from validation.study.model import ExperimentData, Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed, significant

NAME = "fuel"
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
    return _lines.evaluate(CHAPTER, study)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The slope ratios from lines that weight all readings equally."""
    return _lines.alternatives(CHAPTER, study)


def _fuels(data: ExperimentData) -> Materials:
    names = tuple(str(fuel) for fuel in data.table["fuel"])
    return Materials(data, names, tuple(dict.fromkeys(names)), lambda reading: reading.values.get("fuel", ""))


def _intercept_note(data: ExperimentData) -> str:
    return COMMON + (WITH_BLANKS if any(float(level) == 0 for level in data.table["level"]) else "")


def _own(study: Study, fuels: Materials, reference: str, comparison: Comparison | None) -> Own:
    """The spread over fuels, where there are several."""
    spread = None if comparison is None else _spread(comparison)
    return Own(() if spread is None else (spread,), FuelView)


def _spread(comparison: Comparison) -> Quantity | None:
    lines = comparison.lines
    rows = sorted({row for line in lines for row in line.rows})
    spread = relative_spread([line.slope.value for line in lines], n=len(rows))
    if spread is None:
        return None
    notes = [CHOSEN.format(count=len(lines))]
    scatter = _scatter(comparison)
    if scatter is not None and spread.value > 0:
        notes.append(
            f"It contains the scatter of the slopes themselves, which alone would show about {significant(scatter, 2)}."
        )
    return comparison.quantity("spread", None, spread, rows, lines[0].name, notes=notes, unit_name="fuels")


def _scatter(comparison: Comparison) -> float | None:
    """The spread that the scatter of the slopes alone would show; None where it is not known."""
    if comparison.by_run:
        # What a run does to all slopes alike is no spread over fuels: the scatter of their ratios tells.
        ratios = [line.ratio.standard_uncertainty for line in comparison.lines if line.ratio is not None]
        known = [u for u in ratios if u is not None]
        return (sum(u**2 for u in known) / len(known) / 2) ** 0.5 if known and len(known) == len(ratios) else None
    slopes = [line.slope for line in comparison.lines]
    known = [slope.standard_uncertainty for slope in slopes if slope.standard_uncertainty is not None]
    return scatter_share([slope.value for slope in slopes], known) if len(known) == len(slopes) else None


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """Slopes, ratios and spread in sentences."""
    sentences = lines_in_words(evaluation)
    spread = evaluation.get(f"{NAME}.spread")
    if spread is not None:
        low_high = ""
        if spread.interval is not None:
            low, high = (fixed(100 * end, 1) for end in spread.interval)
            low_high = f"; from {low} % to {high} % with {100 * spread.level:g} % confidence, were they a sample"
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


CHAPTER = MaterialChapter(
    name=NAME,
    what="fuel",
    columns="fuel, level and result",
    plan_key="study.fuel",
    stated=lambda study: study.plan.study.fuel,
    read=_fuels,
    own=_own,
    common_intercept=True,
    intercept_note=_intercept_note,
    one_material=ONE_FUEL,
    two_levels=" The common intercept takes two levels of one fuel, or rows of level 0.",
)

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
