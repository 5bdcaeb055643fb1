"""Whether what the value of the routine standard errs by is in the measured bias already, or counts beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from validation.characteristics.uncertainty.sources import MeasuredBias, Sources
from validation.words import sentence_list

IN_BIAS = (
    "The bias was measured against reference values that do not rest on the standard: what the value of the standard "
    "errs by moved the bias, and counts there alone."
)
SHARED = (
    "The bias was measured against reference values that rest on the standard: what its value errs by does not show in "
    "the bias, and counts beside it; of the uncertainty of the reference values the bias holds the rest."
)
IN_EITHER = (
    "The uncertainty of the standard counts once, in the bias: as part of the stated uncertainty of the reference "
    "values where they rest on the standard, and otherwise because what its value errs by moved the bias."
)
NOT_STATED = (
    "The plan does not say whether the reference values of the bias rest on the standard (uncertainty, reference), and "
    "their uncertainty is not stated: the standard counts beside the bias. If they do not rest on it, the bias holds "
    "what its value errs by already, and u errs on the side of caution."
)


@dataclass(frozen=True, slots=True)
class StandardCounts:
    """How the standard enters the top-down budget.

    `beside`: as a line of its own; else it is in the bias. `shared`: the stated uncertainty of the reference values
    holds it too. `note` says why; empty where there is no bias to hold it.
    """

    beside: bool
    shared: bool = False
    note: str = ""


def standard_counts(
    reference: Literal["independent", "standard"] | None, sources: Sources, bias: MeasuredBias | None
) -> StandardCounts:
    """The rule: by what the bias was measured against, as the plan states it, and by the lot behind the runs."""
    if bias is None:
        return StandardCounts(beside=True)
    lots, in_use = sources.lots_in_runs, sources.lot_in_use
    if len(lots) == 1 and in_use and in_use not in lots:
        return StandardCounts(
            beside=True,
            note=f"The runs were calibrated with lot {sentence_list(sorted(lots))}, results lean on lot {in_use}: what "
            f"the value of {in_use} errs by is not in the bias, and counts beside it.",
        )
    if reference == "standard":
        return StandardCounts(beside=True, shared=True, note=SHARED)
    if reference == "independent":
        return StandardCounts(beside=False, note=IN_BIAS)
    return StandardCounts(beside=False, note=IN_EITHER) if bias.reference else StandardCounts(True, note=NOT_STATED)
