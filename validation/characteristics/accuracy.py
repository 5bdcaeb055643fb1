"""Accuracy profile: where the error of a future single result is expected, by level."""

from __future__ import annotations

from typing import Any

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import lost_levels
from validation.characteristics._precision_runs import (
    DEFAULT_REFERENCE,
    EXPERIMENT,
    LABELS,
    independence_notes,
    levels,
    not_ready,
    place_text,
    unit_text,
)
from validation.stats.accuracy import SOURCE
from validation.stats.estimate import exact
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed, level_text, places_for

NAME = "accuracy"
PAIR = (f"{NAME}.tolerance_low", f"{NAME}.tolerance_high")
ONE_RUN = (
    "there is one run only, so tolerance limits that keep the run structure cannot be computed; further runs would "
    "supply them."
)
ALIKE = "all errors are alike as written, so tolerance limits would hold nothing but their rounding; none are given."
NOT_REFERENCE = "The uncertainty of the reference values is not part of the tolerance limits."
CHECKED = (
    "Mee 1984: with one reading a run the limits are the classical prediction interval",
    "Hubert et al. 2007: the form with R and B (from memory), computed apart",
)


def evaluate(study: Study) -> Evaluation:
    """Beta-expectation tolerance limits of the error of a single future result at each level."""
    absent = not_ready(study, NAME)
    if absent is not None:
        return absent
    data = study.experiments[EXPERIMENT]
    found = levels(data)
    if not found[0].has_reference:
        return Evaluation(NAME, missing=LABELS)
    reference: tuple[str, ...] = () if "assigned" in data.exact else (DEFAULT_REFERENCE,)
    if "u_level" in data.table:
        reference += (NOT_REFERENCE,)
    independence = independence_notes(data, found)
    quantities: list[Quantity] = []
    notes: list[str] = [*data.notes, *lost_levels(data), *reference, *independence]
    shown: list[dict[str, Any]] = []
    rows: list[list[Any]] = []
    for level in found:
        limits = level.tolerance(study.confidence)
        if limits is None:
            notes.append(f"Level {level_text(level.at)}: {ONE_RUN if len(level.runs) < 2 else ALIKE}")
            continue
        said = (*reference, *independence, *level.reference_notes)
        for key, estimate in zip(PAIR, (limits.low, limits.high), strict=True):
            quantities.append(level.quantity(key, estimate, study, None, *said))
        bias = level.bias(study.confidence).value
        shown.append(
            {
                "at": level.at,
                "reference": level.reference,
                "bias": bias,
                "low": limits.low.value,
                "high": limits.high.value,
                "errors": [
                    {"reading": name, "line": line, "error": float(exact(error))}
                    for name, line, error in zip(
                        level.readings, level.lines(level.rows), level.errors(level.rows), strict=True
                    )
                ],
            }
        )
        rows.append(
            [
                level_text(level.at),
                len(level.runs),
                limits.run_size,
                bias,
                limits.s_I,
                limits.degrees_of_freedom,
                limits.factor,
                limits.low.value,
                limits.high.value,
            ]
        )
    if not quantities:
        missing = (
            "Every level was measured in one run only: tolerance limits cannot be computed. The same levels in further "
            "runs would supply them."
            if all(len(level.runs) < 2 for level in found)
            else "Tolerance limits cannot be computed at any level: they take two runs or more, and errors that "
            "differ. Further runs, and readings with more digits, would supply them."
        )
        return Evaluation(NAME, notes=tuple(dict.fromkeys(notes)), missing=missing)
    head = ["level", "runs", "run size", "bias", "s_I", "degrees of freedom", "factor", "low", "high"]
    caption = "How the tolerance limits come about: bias - factor * s_I and bias + factor * s_I"
    details = {"levels": shown, "tables": [{"caption": caption, "head": head, "rows": rows}], "beta": study.confidence}
    return Evaluation(NAME, tuple(quantities), (), tuple(dict.fromkeys(notes)), details=details)


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    if evaluation.missing:
        return [evaluation.missing]
    of = unit_text(unit)
    share = 100 * float(evaluation.details["beta"])
    sentences = []
    for entry in evaluation.details["levels"]:
        places = places_for((entry["high"] - entry["low"]) / 4)
        place = place_text(entry["at"], unit)
        sentences.append(
            f"At {place} about {share:g} % of the errors of future single results are expected between "
            f"{fixed(entry['low'], places)} and {fixed(entry['high'], places)}{of}."
        )
    sentences.append(
        "Expected means on average over studies of this size: the share is not guaranteed with a stated confidence."
    )
    return sentences


def _info(key: str, meaning: str, symbol: str, sign: str) -> KeyInfo:
    return KeyInfo(
        key,
        meaning,
        symbol,
        f"{symbol} = bias {sign} t(nu) s_I sqrt(1 + 1/(p n B^2)), B^2 = (R + 1)/(n R + 1), R = s_run^2/s_r^2",
        SOURCE,
        "level",
        "study",
        ("inside",),
        PAIR,
        CHECKED,
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
    ),
    keys=(
        _info(PAIR[0], "lower beta-expectation tolerance limit of a future single result's error", "T_low", "-"),
        _info(PAIR[1], "upper beta-expectation tolerance limit of a future single result's error", "T_high", "+"),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("accuracy_profile",),
)
