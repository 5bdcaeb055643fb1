"""The characteristics of this installation: a module or folder of `characteristics` is found by itself.

No characteristic imports this module: what it needs of another one is handed to it.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from functools import cache

import validation.characteristics as package
from validation.characteristics import Characteristic, KeyInfo
from validation.study.model import Study
from validation.study.quantity import Evaluation


@cache
def characteristics() -> Mapping[str, Characteristic]:
    """Every characteristic of this installation by name, in dossier order."""
    every = [
        importlib.import_module(f"validation.characteristics.{module.name}").CHARACTERISTIC
        for module in pkgutil.iter_modules(package.__path__)
        if not module.name.startswith("_") and module.name != "registry"
    ]
    return {item.name: item for item in sorted(every, key=lambda item: item.position)}


def evaluated(item: Characteristic, study: Study, done: dict[str, Evaluation]) -> Evaluation:
    """The evaluation of one characteristic after those that it depends on; `done` keeps each, computed once."""
    if item.name not in done:
        others = [evaluated(characteristics()[name], study, done) for name in item.depends_on]
        done[item.name] = item.evaluate(study, *others)
    return done[item.name]


@cache
def known_keys() -> Mapping[str, KeyInfo]:
    """Every key that a requirement may name."""
    return {info.key: info for item in characteristics().values() for info in item.keys}
