"""Worksheets of the invented laboratory drawn again with any seed, as studies in memory."""

from __future__ import annotations

import importlib
import sys
from dataclasses import replace
from functools import cache
from math import sqrt
from typing import Any

import yaml
from scipy.stats import binom
from small_study import small_study

from validation.resources import folder
from validation.study.model import Study

DEMO = folder("demo_data")
TRUTH: dict[str, Any] = yaml.safe_load((DEMO / "truth.yaml").read_text(encoding="utf-8"))


@cache
def _module(name: str) -> Any:
    if str(DEMO) not in sys.path:
        sys.path.insert(0, str(DEMO))  # where the sheets find their laboratory
    return importlib.import_module(name)


def drawn(name: str, seed: int, *, reference: str) -> Study:
    """The worksheet of an experiment as this seed draws it."""
    laboratory = _module("laboratory").Laboratory(TRUTH, seed)
    rows = _module(f"sheets.{name}").rows(laboratory, TRUTH["designs"][name])
    columns = {key: [row[key] for row in rows] for key in rows[0] if key not in ("reading", "order", "time")}
    study = small_study(name, columns)
    data = replace(study.experiments[name], settings={"reference": reference})
    return replace(study, experiments={name: data})


def shipped(name: str, *, reference: str) -> Study:
    """The worksheet with the seed that truth.yaml chose."""
    return drawn(name, TRUTH["seed"]["sheets"][name], reference=reference)


def rate_is_plausible(hits: int, draws: int, rate: float) -> bool:
    """Whether a count is no surprise at this rate: inside the central 99.9 % of the binomial distribution."""
    return bool(binom.ppf(0.0005, draws, rate) <= hits <= binom.ppf(0.9995, draws, rate))


def simulation_error(rate: float, draws: int) -> float:
    """Standard error of a simulated rate."""
    return sqrt(rate * (1 - rate) / draws)
