"""Whether what the value of the routine standard errs by is in the measured bias already, or counts beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from validation.characteristics.uncertainty.sources import MeasuredBias, Sources
from validation.words import sentence_list, significant

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
LEANS = (
    "The bias holds what the lots of the runs ({lots}) err by, and with it what {lot} shares with them; what {lot} "
    "errs by apart from them counts beside it."
)
OF_DIFFERENCE = (
    "What {lot} errs by apart from the lots of the runs is {size} of the level, by the lot records and beyond what s_I "
    "on average holds of it."
)
OF_REST = (
    "Of what the values of the lots of the runs ({lots}) err by, the scatter of the runs on average shows {shown} of "
    "the level, which s_I holds; the rest of the {u} of {lot} does not average away, and counts on a line of its own: "
    "{size}."
)


@dataclass(frozen=True, slots=True)
class StandardCounts:
    """How the standard enters the top-down budget.

    `beside`: as a line of its own; else it is in the bias. `shared`: the stated uncertainty of the reference values
    holds it too. `note` says why; empty where there is no bias to hold it. `size`: relative standard uncertainty that
    counts beside; None: the whole one of the standard. `of_lots` says how it came about.
    """

    beside: bool
    shared: bool = False
    note: str = ""
    size: float | None = None
    of_lots: str = ""


def standard_counts(
    reference: Literal["independent", "standard"] | None, sources: Sources, bias: MeasuredBias | None
) -> StandardCounts:
    """The rule: by what the bias was measured against, as the plan states it, and by the lots behind the runs."""
    counts, several = _by_reference(reference, sources, bias), sources.standard_of_runs
    if several is None:
        return counts
    lot = f"lot {sources.lot_in_use}" if sources.lot_in_use else "another lot"
    names = {"lots": sentence_list(sorted(sources.lots_in_runs)), "lot": lot}
    if bias is None or (counts.beside and reference != "independent"):
        shares = {name: _share(size) for name, size in (("u", several.u), ("shown", several.in_scatter))}
        size, words = several.beside_scatter, OF_REST.format(**names, **shares, size=_share(several.beside_scatter))
        return replace(counts, size=size, of_lots=words) if several.in_scatter else counts
    size = several.beside_bias
    if not size:
        return counts if not counts.beside else StandardCounts(False, note=IN_BIAS)
    words = OF_DIFFERENCE.format(**names, size=_share(size))
    return StandardCounts(True, note=LEANS.format(**names), size=size, of_lots=words)


def _share(value: float) -> str:
    return f"{significant(100 * value, 2)} %"


def _by_reference(
    reference: Literal["independent", "standard"] | None, sources: Sources, bias: MeasuredBias | None
) -> StandardCounts:
    """Whether the standard counts beside the bias, and whether the reference values hold it."""
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
