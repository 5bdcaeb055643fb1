"""Reproducibility: precision between laboratories by level, after ISO 5725-2."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import sqrt
from statistics import mode
from typing import Any

import numpy as np

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import all_censored, lost_levels
from validation.stats import outliers
from validation.stats.estimate import Number, OldEstimate, centre
from validation.stats.reproducibility import ReproducibilityResult, nested_reproducibility, reproducibility
from validation.study.model import ExperimentData, Study
from validation.study.ordering import natural_order
from validation.study.quantity import At, Evaluation, Flag, Quantity
from validation.words import level_text, sentence_list, significant, with_interval

NAME = "reproducibility"

_ALPHAS = (0.05, 0.01)

NO_REFERENCE = (
    "The column u_level is not used: no quantity between laboratories rests on the reference value. It belongs to the "
    "precision worksheet, from which the bias comes."
)


@dataclass(frozen=True)
class _Laboratory:
    """One laboratory at one level: positions of its rows by run, its mean, and its spread within runs."""

    name: str
    runs: tuple[tuple[int, ...], ...]
    values: tuple[tuple[Number, ...], ...]
    mean: float = field(init=False)
    within: tuple[float, ...] = field(init=False)
    degrees_of_freedom: int = field(init=False)
    sd: float | None = field(init=False)

    def __post_init__(self) -> None:
        offset, flat = centre([value for run in self.values for value in run])
        within = []
        for run in self.values:
            _, d = centre(run)
            within.extend(d - d.mean())
        df = len(within) - len(self.values)
        sd = sqrt(float(np.square(within).sum()) / df) if df else None
        for name, value in (
            ("mean", float(offset) + float(flat.mean())),
            ("within", tuple(float(d) for d in within)),
            ("degrees_of_freedom", df),
            ("sd", sd),
        ):
            object.__setattr__(self, name, value)

    @property
    def rows(self) -> tuple[int, ...]:
        return tuple(row for run in self.runs for row in run)

    @property
    def flat(self) -> tuple[float, ...]:
        return tuple(float(value) for run in self.values for value in run)


def evaluate(study: Study) -> Evaluation:
    """OldEstimate the precision between laboratories at every level of the experiment `reproducibility`."""
    data = study.ready("reproducibility")
    if data is None:
        planned = "reproducibility" in study.experiments
        return Evaluation(
            NAME,
            missing=(all_censored(study, NAME) or "The readings of the laboratories are awaited.")
            if planned
            else "No experiment between laboratories is planned.",
        )
    has_runs = "run" in data.table
    quantities: list[Quantity] = []
    flags: list[Flag] = []
    levels: list[dict[str, Any]] = []
    noted: dict[str, list[str]] = {}
    for at, laboratories in _by_level(data, has_runs):
        estimated, judged = (_estimate(laboratories, has_runs, c) for c in (study.confidence, study.judged_confidence))
        quantities.extend(_quantities(study, data, at, laboratories, estimated, judged))
        tests = _tests(laboratories)
        flags.extend(_flags(data, at, laboratories, tests))
        for note in estimated.notes:
            noted.setdefault(note, []).append(level_text(at))
        levels.append(_level_details(data, at, laboratories, estimated, tests))
    details = {
        "unit": study.unit,
        "numeric_levels": data.numeric_levels,
        "runs": has_runs,
        "levels": levels,
        "tables": _tables(levels, has_runs),
    }
    unused = (NO_REFERENCE,) if "u_level" in data.table else ()
    notes = (*data.notes, *lost_levels(data), *unused, *_placed(noted, len(levels)))
    return Evaluation(NAME, tuple(quantities), tuple(flags), notes, "", details)


def _placed(noted: dict[str, list[str]], levels: int) -> Iterator[str]:
    """Each note once: as it is where it holds at every level, else with the levels it speaks of."""
    for note, places in noted.items():
        yield note if len(places) == levels else f"Level {sentence_list(places)}: {note}"


def _by_level(data: ExperimentData, has_runs: bool) -> Iterator[tuple[At, list[_Laboratory]]]:
    """Levels, laboratories and runs in rising order, so that the order of the rows changes nothing."""
    table = data.table
    found = set(table["level"])
    for level in sorted(found) if data.numeric_levels else sorted(found, key=natural_order):
        at: At = float(level) if data.numeric_levels else str(level)
        cells: dict[str, dict[str, list[int]]] = {}
        for row in np.flatnonzero((table["level"] == level).to_numpy()):
            run = str(table["run"].iloc[row]) if has_runs else ""
            cells.setdefault(str(table["laboratory"].iloc[row]), {}).setdefault(run, []).append(int(row))
        yield (
            at,
            [
                _Laboratory(
                    name,
                    tuple(tuple(cells[name][run]) for run in sorted(cells[name], key=natural_order)),
                    tuple(
                        tuple(data.decimals("result", cells[name][run]))
                        for run in sorted(cells[name], key=natural_order)
                    ),
                )
                for name in sorted(cells, key=natural_order)
            ],
        )


def _estimate(laboratories: Sequence[_Laboratory], has_runs: bool, confidence: float) -> ReproducibilityResult:
    if has_runs:
        return nested_reproducibility([laboratory.values for laboratory in laboratories], confidence=confidence)
    return reproducibility([laboratory.values[0] for laboratory in laboratories], confidence=confidence)


def _quantities(
    study: Study,
    data: ExperimentData,
    at: At,
    laboratories: Sequence[_Laboratory],
    estimated: ReproducibilityResult,
    judged: ReproducibilityResult,
) -> Iterator[Quantity]:
    censored = data.censored_at("level", at)
    notes = [f"{censored} censored reading(s) at this level were left out."] if censored else []
    rows = sorted(row for laboratory in laboratories for row in laboratory.rows)
    readings = [str(data.table["reading"].iloc[row]) for row in rows]
    for name in ("mean", "s_r", "s_run", "s_L", "s_R", "r", "R"):
        estimate: OldEstimate | None = getattr(estimated, name)
        if estimate is not None:
            yield Quantity.from_estimate(
                f"{NAME}.{name}",
                at,
                estimate,
                unit=study.unit,
                worksheet=data.worksheet,
                readings=readings,
                judged=getattr(judged, name),
                unit_name="laboratories",
                notes=notes,
                censored=censored,
            )


@dataclass(frozen=True)
class _Tests:
    """The outlier tests of one level at 5 and 1 %; None where the level cannot carry the test."""

    cochran: tuple[outliers.OutlierTest, ...] | None
    grubbs: tuple[outliers.OutlierTest, ...] | None
    pair: tuple[outliers.OutlierTest, ...] | None
    h: tuple[outliers.MandelTest, ...] | None
    k: tuple[outliers.MandelTest, ...] | None
    replicated: tuple[int, ...]


def _tests(laboratories: Sequence[_Laboratory]) -> _Tests:
    means = [_exact_mean(laboratory) for laboratory in laboratories]
    replicated = tuple(i for i, laboratory in enumerate(laboratories) if laboratory.degrees_of_freedom)
    sds = [laboratories[i].sd or 0.0 for i in replicated]
    counts = [laboratories[i].degrees_of_freedom + 1 for i in replicated]
    grubbs = _both(lambda a: outliers.grubbs_single(means, alpha=a)) if len(means) >= 3 else None
    # ISO 5725-2, 7.3.4: the test for two is applied where the test for one finds nothing.
    single_found = grubbs is not None and grubbs[0].exceeded
    return _Tests(
        cochran=_both(lambda a: outliers.cochran([s * s for s in sds], mode(counts), alpha=a))
        if len(sds) >= 2
        else None,
        grubbs=grubbs,
        pair=_both(lambda a: outliers.grubbs_double(means, alpha=a)) if len(means) >= 4 and not single_found else None,
        h=_both(lambda a: outliers.mandel_h(means, alpha=a)) if len(means) >= 3 else None,
        k=_both(lambda a: outliers.mandel_k(sds, counts, alpha=a)) if len(sds) >= 2 else None,
        replicated=replicated,
    )


def _both(test: Callable[[float], Any]) -> tuple[Any, ...]:
    return tuple(test(alpha) for alpha in _ALPHAS)


def _exact_mean(laboratory: _Laboratory) -> Any:
    flat = [Fraction(value) for run in laboratory.values for value in run]
    return sum(flat, Fraction(0)) / len(flat)


def _flags(data: ExperimentData, at: At, laboratories: Sequence[_Laboratory], tests: _Tests) -> Iterator[Flag]:
    general = float(np.mean([laboratory.mean for laboratory in laboratories]))

    def flag(test: str, statistic: float, critical: float, row: int, reason: str) -> Flag:
        reading = str(data.table["reading"].iloc[row])
        return Flag(reading, test, statistic, critical, True, reason, at, data.worksheet)

    if tests.cochran and tests.cochran[0].exceeded:
        found = tests.cochran[0]
        one = laboratories[tests.replicated[found.index]]
        reason = (
            f"The readings of laboratory {one.name} scatter more than those of the others ({_strength(tests.cochran)})."
        )
        yield flag("Cochran", found.statistic, found.critical, _furthest_within(one), reason)
    if tests.grubbs and tests.grubbs[0].exceeded:
        found = tests.grubbs[0]
        one = laboratories[found.index]
        reason = f"The mean of laboratory {one.name} lies apart from those of the others ({_strength(tests.grubbs)})."
        yield flag("Grubbs, one laboratory", found.statistic, found.critical, _furthest(one, general), reason)
    if tests.pair and tests.pair[0].exceeded:
        found = tests.pair[0]
        pair = [laboratories[i] for i in found.indices]
        reason = (
            f"The means of laboratories {pair[0].name} and {pair[1].name} together lie apart from those of the others "
            f"({_strength(tests.pair)}); the statistic is small where they do."
        )
        yield flag("Grubbs, two laboratories", found.statistic, found.critical, _furthest(pair[0], general), reason)
    if tests.h:
        for i in tests.h[0].exceeding:
            one, strength = laboratories[i], _mandel_strength(tests.h, i)
            side = "high" if tests.h[0].statistics[i] > 0 else "low"
            reason = f"Laboratory {one.name} reads {side} against the others ({strength})."
            yield flag("Mandel h", tests.h[0].statistics[i], tests.h[0].criticals[i], _furthest(one, general), reason)
    if tests.k:
        for i in tests.k[0].exceeding:
            one, strength = laboratories[tests.replicated[i]], _mandel_strength(tests.k, i)
            reason = f"Laboratory {one.name} scatters more than all laboratories pooled ({strength})."
            yield flag("Mandel k", tests.k[0].statistics[i], tests.k[0].criticals[i], _furthest_within(one), reason)


def _strength(tests: Sequence[outliers.OutlierTest]) -> str:
    return _beyond(tests[1].exceeded, tests[1].critical)


def _mandel_strength(tests: Sequence[outliers.MandelTest], i: int) -> str:
    return _beyond(abs(tests[1].statistics[i]) > tests[1].criticals[i], tests[1].criticals[i])


def _beyond(at_one_per_cent: bool, critical: float) -> str:
    if at_one_per_cent:
        return f"beyond the 1 % value {significant(critical)} too"
    return f"beyond the 5 % value, within the 1 % value {significant(critical)}"


def _furthest_within(laboratory: _Laboratory) -> int:
    """Row of the reading furthest from the mean of its own run."""
    return laboratory.rows[int(np.argmax(np.abs(laboratory.within)))]


def _furthest(laboratory: _Laboratory, general: float) -> int:
    """Row of the reading furthest from the general mean on the side of its laboratory."""
    side = 1.0 if laboratory.mean >= general else -1.0
    return laboratory.rows[int(np.argmax(side * np.array(laboratory.flat)))]


def _level_details(
    data: ExperimentData,
    at: At,
    laboratories: Sequence[_Laboratory],
    result: ReproducibilityResult,
    tests: _Tests,
) -> dict[str, Any]:
    place = {index: i for i, index in enumerate(tests.replicated)}
    cells = []
    for i, laboratory in enumerate(laboratories):
        j = place.get(i)
        cells.append(
            {
                "laboratory": laboratory.name,
                "mean": laboratory.mean,
                "sd": laboratory.sd,
                "n": len(laboratory.rows),
                "runs": len(laboratory.runs),
                "h": tests.h[0].statistics[i] if tests.h else None,
                "k": tests.k[0].statistics[j] if tests.k and j is not None else None,
                "h_critical": [t.criticals[i] for t in tests.h] if tests.h else None,
                "k_critical": [t.criticals[j] for t in tests.k] if tests.k and j is not None else None,
                "readings": [
                    {
                        "reading": str(data.table["reading"].iloc[row]),
                        "line": int(data.table["line"].iloc[row]),
                        "value": value,
                    }
                    for row, value in zip(laboratory.rows, laboratory.flat, strict=True)
                ],
            }
        )
    names = ("mean", "s_r", "s_run", "s_L", "s_R", "r", "R")
    estimates = {name: e.value for name in names if (e := getattr(result, name)) is not None}
    return {
        "at": at,
        "cells": cells,
        "estimates": estimates,
        "mean_squares": list(result.mean_squares),
        "degrees_of_freedom": list(result.degrees_of_freedom),
        "components": list(result.components),
    }


def _tables(levels: Sequence[dict[str, Any]], has_runs: bool) -> list[dict[str, Any]]:
    components = {
        "caption": "Mean squares and variance components before any is set to 0",
        "head": ["level", "stage", "degrees of freedom", "mean square", "variance component"],
        "rows": [
            [level["at"], stage, df, square, component]
            for level in levels
            for stage, df, square, component in zip(
                ("between laboratories", "between runs", "residual"),
                level["degrees_of_freedom"],
                level["mean_squares"],
                level["components"],
                strict=True,
            )
            if has_runs or stage != "between runs"
        ],
    }
    cells = {
        "caption": "Laboratories by level, with Mandel's h and k",
        "head": ["level", "laboratory", "readings", "mean", "standard deviation", "h", "k"],
        "rows": [
            [level["at"], cell["laboratory"], cell["n"], cell["mean"], cell["sd"], cell["h"], cell["k"]]
            for level in levels
            for cell in level["cells"]
        ],
    }
    return [cells, components]


def in_words(evaluation: Evaluation, unit: str) -> Sequence[str]:
    """What the laboratories agree on, how sure that is, and what follows."""
    sentences = []
    of = "" if unit == "1" else f" {unit}"
    for level in evaluation.details["levels"]:
        at, where = level["at"], f"At level {level_text(level['at'])}"
        s_R, R, s_r = (evaluation.get(f"{NAME}.{name}", at) for name in ("s_R", "R", "s_r"))
        count = len(level["cells"])
        if s_R is None or R is None or s_R.value is None or R.value is None:
            sentences.append(f"{where} there is one laboratory only: nothing can be said about others.")
            continue
        value, interval = with_interval(s_R.value, s_R.interval)
        sure = interval or "no bound can be claimed"
        sentence = f"{where}, single results of {count} laboratories scatter with s_R = {value}{of} ({sure})"
        if s_r is not None and s_r.value is not None:
            sentence += f", of which s_r = {significant(s_r.value)}{of} within one laboratory"
        if s_R.value == 0:
            sentences.append(f"{sentence}: all readings are alike as written, which shows their rounding.")
            continue
        sentences.append(
            f"{sentence}: two single results of different laboratories should differ by more than "
            f"{significant(R.value)}{of} once in twenty times."
        )
    if evaluation.details["levels"]:
        fewest = min(len(level["cells"]) for level in evaluation.details["levels"])
        if 1 < fewest < 8:
            sentences.append(f"With {fewest} laboratories R is indicative: eight or more would be needed to claim it.")
    named = _flagged_laboratories(evaluation)
    if named:
        sentences.append(
            f"The outlier tests point at {sentence_list(named)}. Nothing is left out for that; a test is no cause."
        )
    elif any(len(level["cells"]) > 2 for level in evaluation.details["levels"]):
        sentences.append("No laboratory stands out by the tests of Cochran and Grubbs or by Mandel's h and k at 5 %.")
    return sentences


def _flagged_laboratories(evaluation: Evaluation) -> list[str]:
    owner = {
        reading["reading"]: cell["laboratory"]
        for level in evaluation.details["levels"]
        for cell in level["cells"]
        for reading in cell["readings"]
    }
    seen: dict[str, list[At]] = {}
    for flag in evaluation.flags:
        places = seen.setdefault(owner[flag.reading], [])
        if flag.at not in places:
            places.append(flag.at)
    return [
        f"{name} (level{'s' if len(places) > 1 else ''} {sentence_list([level_text(at) for at in places])})"
        for name, places in seen.items()
    ]


_SULFUR = "ISO 5725-2:1994, Annex B, example 1 (sulfur in coal, unequal numbers)"
_E691 = "ASTM E691, glucose in serum (data: NIST public-domain file)"
_NESTED = "Berthouex and Brown 2002, Tables 25.2, 25.4, 25.5 (three-stage nested)"
_INTERVAL = "Burdick and Graybill 1992, Confidence Intervals on Variance Components (from memory)"


def _key(
    name: str, meaning: str, symbol: str, formula: str, source: str, *checked: str, judged: bool = True
) -> KeyInfo:
    return KeyInfo(
        f"{NAME}.{name}",
        meaning,
        symbol,
        formula,
        source,
        rules=("upper bound", "point") if judged else (),
        checked_against=checked,
    )


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Reproducibility between laboratories",
    position=60,
    experiment="reproducibility",
    method=(
        "Several laboratories measure the same materials by the same procedure. The variance of their readings is "
        "split into what happens within a laboratory and what differs between laboratories (ISO 5725-2, numbers of "
        "readings may differ); where runs were recorded, a three-stage nested analysis of variance sets them apart.",
        "A component that comes out negative is set to 0 and that is said. The general mean weights each laboratory by "
        "its number of readings. Cochran's test, Grubbs' tests and Mandel's h and k point at laboratories that stand "
        "out; nothing is removed for that.",
    ),
    keys=(
        _key(
            "mean", "general mean of all laboratories", "m", "m = sum(n_i m_i) / N",
            "ISO 5725-2:1994, 7.4.4 (from memory)", _SULFUR, _E691, judged=False,
        ),
        _key(
            "s_r", "repeatability standard deviation, pooled within laboratories (within runs)", "s_r",
            "s_r^2 = sum((n_i - 1) s_i^2) / sum(n_i - 1)", "ISO 5725-2:1994, 7.4.5 (from memory)",
            _SULFUR, _E691, _NESTED,
        ),
        _key(
            "s_run", "standard deviation between runs of one laboratory", "s_run",
            "s_run^2 = (MS_run - s_r^2) / k1, k1 = (N - sum(sum_j n_ij^2 / n_i)) / (runs - p)",
            "ISO 5725-3, nested designs; Searle, Casella and McCulloch 1992 (from memory)", _NESTED,
        ),
        _key(
            "s_L", "standard deviation between laboratories", "s_L",
            "s_L^2 = (s_d^2 - s_r^2) / n, n = (N - sum n_i^2 / N) / (p - 1); with runs "
            "s_L^2 = (MS_lab - s_r^2 - k2 s_run^2) / k3",
            f"ISO 5725-2:1994, 7.4.5 (from memory); interval: {_INTERVAL}", _SULFUR, _E691, _NESTED,
        ),
        _key(
            "s_R", "reproducibility standard deviation", "s_R", "s_R^2 = s_L^2 + s_run^2 + s_r^2",
            f"ISO 5725-2:1994, 7.4.5 (from memory); interval: {_INTERVAL}", _SULFUR, _E691,
        ),
        _key(
            "r", "repeatability limit: difference of two results of one run exceeded once in twenty times", "r",
            "r = 1.96 sqrt(2) s_r", "ISO 5725-6 (from memory)", _E691,
        ),
        _key(
            "R", "reproducibility limit: difference of two laboratories' single results exceeded once in twenty times",
            "R", "R = 1.96 sqrt(2) s_R", "ISO 5725-6 (from memory)", _E691,
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("laboratory_means", "mandel_h_and_k", "precision_by_level"),
)  # fmt: skip
