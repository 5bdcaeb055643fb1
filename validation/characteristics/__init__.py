"""The performance characteristics. One module each, or a folder; `registry` finds them.

This module holds what each of them is described by.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity

Rule = Literal["equivalence", "inside", "upper bound", "lower bound", "point"]


@dataclass(frozen=True, slots=True)
class KeyInfo:
    """What is said about one key of results.json wherever it is named.

    `at`: "level" (number, or label where the worksheet's levels are labels), "label" (a definition, sample, ...),
    or "none". `unit`: of which kind it is; each quantity carries the text itself. `rules`: the rules a requirement on
    it may use.
    `pair`: the other key of a pair of limits that the rule `inside` takes together, low one first.
    `checked_against`: the published examples (document and clause) that the tests hold this statistic to.
    """

    key: str
    meaning: str
    symbol: str
    formula: str
    source: str
    at: Literal["level", "label", "none"] = "level"
    unit: Literal["study", "response", "response/level", "1", "day", "study/day", "hour", "1/hour", "1/day"] = "study"
    rules: tuple[Rule, ...] = ()
    pair: tuple[str, str] | None = None
    checked_against: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Characteristic:
    """One characteristic: how it is named, fed, evaluated, and told.

    `evaluate(study, *others)` returns an Evaluation; `others` are the evaluations of the characteristics that
    `depends_on` names, in that order. Where the experiment is not planned or still awaits readings it returns one with
    `missing` set and no quantities. `in_words(evaluation, unit)` returns whole sentences for a chapter that has some.
    `figures` names functions of `validation.figures.<name>`, in the order of the chapter. `alternatives(study)` gives
    the same quantities by other methods, by the name of the method, for the sensitivity of verdicts alone.
    `experiment` is the worksheet it is fed from, empty where it has none; `also_reads` names further ones whose
    readings can move its quantities.
    """

    name: str
    title: str
    position: int
    experiment: str
    method: tuple[str, ...]
    keys: tuple[KeyInfo, ...]
    evaluate: Callable[..., Evaluation]
    in_words: Callable[[Evaluation, str], Sequence[str]]
    figures: tuple[str, ...] = ()
    alternatives: Callable[[Study], Mapping[str, Sequence[Quantity]]] | None = None
    also_reads: tuple[str, ...] = ()
    depends_on: tuple[str, ...] = ()
