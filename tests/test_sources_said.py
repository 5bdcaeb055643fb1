"""What is recalled is called so: no formula passes for one that was looked up."""

from __future__ import annotations

import re

import pytest

from validation.characteristics.registry import known_keys
from validation.stats import (
    accuracy,
    deming,
    detection,
    one_way,
    outliers,
    passing_bablok,
    precision,
    reproducibility,
    trueness,
    weighted_comparison,
)

#: Documents whose text or clauses were not seen for this work (docs/sources.md says which were).
RECALLED = re.compile(
    r"ISO 5725|ISO 11843|DIN 32645|ISO 8466|Ting|Graybill|Searle|Burdick|Mee 1984|Hubert|Deming 1943|Bablok 1983|"
    r"Linnet|Schuirmann|Hotelling|Davidian|Draper|Davison|Currie|Grubbs"
)


def strings(module) -> dict[str, str]:
    return {
        f"{module.__name__}.{name}": value
        for name, value in vars(module).items()
        if isinstance(value, str) and RECALLED.search(value) and not name.startswith("__")
    }


MODULES = (
    accuracy,
    deming,
    detection,
    one_way,
    outliers,
    passing_bablok,
    precision,
    reproducibility,
    trueness,
    weighted_comparison,
)
SOURCES = {f"key {key}": info.source for key, info in known_keys().items() if RECALLED.search(info.source)} | {
    name: value for module in MODULES for name, value in strings(module).items()
}


@pytest.mark.parametrize("name", sorted(SOURCES))
def test_recalled_sources_say_from_memory(name):
    assert "from memory" in SOURCES[name]


def test_the_pattern_finds_them():
    assert len(SOURCES) > 40
