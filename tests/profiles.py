"""How long the tests look: the usual run, and the thorough one (`pytest -m thorough`, see DEVELOPERS.md).

The usual run looks at a few examples and a few hundred simulated studies of fixed seed, enough for a gross error. The
thorough one looks at all of them; it runs what is marked `thorough`, and every property test again.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable

import pytest
from hypothesis import HealthCheck, Phase, settings

# jsonschema would import this to check web addresses; notebooks hold none that matter, and it takes two seconds.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]

#: A fixed profile: the same readings on every machine, no clock, nothing written.
FIXED = settings(
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
settings.register_profile("usual", FIXED, max_examples=25)
settings.register_profile("thorough", FIXED, max_examples=200)

#: A usual run takes this part of the examples that a test asks for.
USUAL_PART = 5


def load(name: str) -> None:
    """Choose the profile, before any module of tests is imported."""
    settings.load_profile(name)


def examples(count: int, *, phases: Iterable[Phase] = tuple(Phase)) -> settings:
    """`count` examples in the thorough run, a fifth of them, and three at the least, in the usual one."""
    thorough = settings.get_current_profile_name() == "thorough"
    return settings(FIXED, max_examples=count if thorough else max(min(count, 3), count // USUAL_PART), phases=phases)


def sizes(name: str, few: int, many: int) -> pytest.MarkDecorator:
    """One test, twice: with `few` simulated studies in the usual run, with `many` in the thorough one."""
    return pytest.mark.parametrize(
        name, [pytest.param(few, id=f"{few}"), pytest.param(many, id=f"{many}", marks=pytest.mark.thorough)]
    )
