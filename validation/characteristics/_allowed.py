"""What the plan allows of a quantity at a named place, for sentences that say what its size means.

No verdict depends on it: those who judge read the plan themselves. One quantity does, which no rule may use: the reach
of carry-over.
"""

from __future__ import annotations

from validation.study.model import Study
from validation.study.plan import Rule


def allowed(study: Study, key: str, at: str, *, rule: Rule) -> float | None:
    """The smallest limit that the plan sets on `key` at `at` by this rule, in its unit; None where it sets none."""
    limits = [
        item.limit.number
        for item in study.plan.requirements
        if (item.quantity, item.at, item.rule) == (key, at, rule) and item.limit.number is not None
    ]
    return min(limits, default=None)
