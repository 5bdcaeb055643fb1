"""Accuracy profile: where the error of a future single result is expected, by level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._precision_runs import (
    EXPERIMENT,
    Level,
    place_text,
    precision_runs,
    unit_text,
)
from validation.figures.accuracy import AccuracyView, LevelErrors
from validation.stats.accuracy import SOURCE, ToleranceResult, content_limits
from validation.stats.content import CONTENT_SOURCE
from validation.stats.estimate import Estimate, exact
from validation.study.model import Study
from validation.study.quantity import Display, Evaluation, Table
from validation.words import fixed, level_text, places_for

NAME = "accuracy"
PAIR = (f"{NAME}.tolerance_low", f"{NAME}.tolerance_high")
CONTENT = (f"{NAME}.content_low", f"{NAME}.content_high")
ONE_RUN = (
    "there is one run only, so tolerance limits that keep the run structure cannot be computed; further runs would "
    "supply them."
)
ALIKE = "all errors are alike as written, so tolerance limits would hold nothing but their rounding; none are given."
ONE_RUN_THROUGHOUT = (
    "Every level was measured in one run only: tolerance limits cannot be computed. The same levels in further "
    "runs would supply them."
)
NO_LIMITS = (
    "Tolerance limits cannot be computed at any level: they take two runs or more, and errors that "
    "differ. Further runs, and readings with more digits, would supply them."
)
NOT_REFERENCE = "The uncertainty of the reference values is not part of the tolerance limits."
CHECKED = (
    "Mee 1984: with one reading a run the limits are the classical prediction interval",
    "Hubert et al. 2007: the form with R and B (from memory), computed apart",
)


def evaluate(study: Study) -> Evaluation:
    """Beta-expectation tolerance limits of the error of a single future result at each level."""
    runs = precision_runs(study, NAME, with_reference=True)
    if isinstance(runs, Evaluation):
        return runs
    reference = (*runs.reference, NOT_REFERENCE) if "u_level" in runs.data.table else runs.reference
    beta = study.confidence
    computed = [(level, level.tolerance(beta)) for level in runs.levels]
    notes = [*runs.notes, *reference, *runs.independence]
    notes += [
        f"Level {level_text(level.at)}: {ONE_RUN if len(level.runs) < 2 else ALIKE}"
        for level, limits in computed
        if limits is None
    ]
    known = [(level, limits) for level, limits in computed if limits is not None]
    if not known:
        one_run = all(len(level.runs) < 2 for level in runs.levels)
        return Evaluation(NAME, own_notes=tuple(notes), missing=ONE_RUN_THROUGHOUT if one_run else NO_LIMITS)
    quantities = [
        level.quantity(key, estimate, study, *reference, *runs.independence, *level.reference_notes)
        for level, limits in known
        for key, estimate in zip(PAIR, (limits.low, limits.high), strict=True)
    ]

    def show() -> Display:
        contents = [content_limits(limits, content=beta, confidence=beta) for _, limits in known]
        view = AccuracyView(tuple(map(_level_view, known, contents)), beta)
        further = tuple(
            replace(level.quantity(key, estimate, study), judged=False)
            for (level, _), ends in zip(known, contents, strict=True)
            for key, estimate in zip(CONTENT, ends, strict=True)
        )
        return Display(quantities=further, tables=(_limits_table(known),), view=view)

    return Evaluation(NAME, tuple(quantities), (), tuple(notes), show=show)


def _level_view(known: tuple[Level, ToleranceResult], content: Sequence[Estimate]) -> LevelErrors:
    level, limits = known
    errors = tuple(float(exact(error)) for error in level.errors(level.rows))
    low, high = (end.value for end in content)
    return LevelErrors(level.at, level.bias.value, limits.low.value, limits.high.value, (low, high), errors)


def _limits_table(known: Sequence[tuple[Level, ToleranceResult]]) -> Table:
    rows = tuple(
        (
            level_text(level.at),
            len(level.runs),
            limits.run_size,
            level.bias.value,
            limits.s_I,
            limits.degrees_of_freedom,
            limits.factor,
            limits.low.value,
            limits.high.value,
        )
        for level, limits in known
    )
    head = ("level", "runs", "run size", "bias", "s_I", "degrees of freedom", "factor", "low", "high")
    caption = "How the tolerance limits come about: bias - factor * s_I and bias + factor * s_I"
    return Table("limits", caption, head, rows)


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    view: AccuracyView = evaluation.display.view
    of, share = unit_text(unit), 100 * view.beta
    sentences = []
    for level in view.levels:
        places = places_for((level.high - level.low) / 4)
        place = place_text(level.at, unit)
        low, high, least, most = (fixed(end, places) for end in (level.low, level.high, *level.content))
        sentences.append(
            f"At {place} about {share:g} % of the errors of future single results are expected between "
            f"{low} and {high}{of}; between {least} and {most}{of} lie at least as many with {share:g} % confidence."
        )
    sentences.append(
        "Expected means on average over studies of this size. A requirement is judged by neither pair of limits but by "
        "the confidence bounds of the share of single results within its limit."
    )
    return sentences


def _info(key: str, end: str, sign: str) -> KeyInfo:
    symbol = f"T_{end}"
    return KeyInfo(
        key,
        f"{'lower' if end == 'low' else 'upper'} beta-expectation tolerance limit of a future single result's error",
        symbol,
        f"{symbol} = bias {sign} t(nu) s_I sqrt(1 + 1/(p n B^2)), B^2 = (R + 1)/(n R + 1), R = s_run^2/s_r^2",
        SOURCE,
        "level",
        "study",
        ("inside",),
        PAIR,
        CHECKED,
    )


def _content_info(key: str, end: str, sign: str) -> KeyInfo:
    symbol = f"C_{end}"
    return KeyInfo(
        key,
        f"{'lower' if end == 'low' else 'upper'} content limit of single results' errors",
        symbol,
        f"{symbol} = bias {sign} z U, U the upper bound of sqrt(s_I^2 + variance of the bias)",
        CONTENT_SOURCE,
        "level",
        "study",
        (),
        None,
        ("NIST/SEMATECH e-Handbook, 7.2.6.3: the factor of 43 readings",),
    )


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Accuracy profile",
    position=50,
    experiment=EXPERIMENT,
    method=(
        "Bias and precision meet in one question: where will the error of the next single result lie? At each level "
        "limits are drawn that hold, on average, the share beta of the errors of future results from future runs.",
        "The limits widen for the few runs behind the bias and the precision: Mee's form for the one-way random model "
        "with Satterthwaite's degrees of freedom. Accuracy itself is never given one number.",
        "A requirement asks for a share of single results within its limit. It is judged by the confidence bounds of "
        "that share, from the bounds of the bias and of s_I: met where the lower bound reaches the share asked for. "
        "Limits that hold the share beta with confidence are shown beside.",
    ),
    keys=(
        _info(PAIR[0], "low", "-"),
        _info(PAIR[1], "high", "+"),
        _content_info(CONTENT[0], "low", "-"),
        _content_info(CONTENT[1], "high", "+"),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("accuracy_profile",),
)
