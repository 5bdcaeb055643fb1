"""Contradictions of a study with itself: each rule a small function with its name, its reason and its test.

Nothing is estimated here: the rules set what the plan and the lot records state beside what the study measured.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from validation.judging.contradictions.budget import components_outside, disagreeing_budgets
from validation.judging.contradictions.procedure import settings_twice, unsupported_settings
from validation.judging.contradictions.record import Basis, Contradiction
from validation.judging.contradictions.scope import decision_beyond_range, other_grade, other_matrix, two_limits
from validation.judging.contradictions.standards import (
    aged_standards,
    dependent_references,
    stated_beside_record,
    unstated_uncertainties,
)

RULES: tuple[Callable[[Basis], Iterator[Contradiction]], ...] = (
    unsupported_settings,
    settings_twice,
    aged_standards,
    other_matrix,
    other_grade,
    decision_beyond_range,
    two_limits,
    components_outside,
    disagreeing_budgets,
    stated_beside_record,
    unstated_uncertainties,
    dependent_references,
)


def contradictions(basis: Basis) -> tuple[Contradiction, ...]:
    """Every contradiction of a judged study, in the order of the rules; none where nothing was evaluated."""
    if not any(evaluation.judged for evaluation in basis.evaluations.values()):
        return ()
    return tuple(contradiction for rule in RULES for contradiction in rule(basis))


__all__ = ["RULES", "Basis", "Contradiction", "contradictions"]
