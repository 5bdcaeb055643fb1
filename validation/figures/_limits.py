"""Limits of the plan drawn across rows of strips, one row a name."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from validation.figures.style import VERMILION
from validation.study.model import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def row_limits(axes: Axes, study: Study, rows: Sequence[tuple[float, str, str | None]], *, scale: float) -> None:
    """Both ends of the equivalence that the plan asks for, at each row that has one; the first is named.

    Parameters
    ----------
    rows : height, key and place of each row
    scale : from the unit of the quantity to that of the axis
    """
    named = False
    for y, key, at in rows:
        for item in study.plan.requirements:
            if (item.quantity, item.at, item.rule) != (key, at, "equivalence"):
                continue
            half = item.limit.value(None)
            for end in (item.target - half, item.target + half):
                axes.plot([scale * end] * 2, [y - 0.38, y + 0.38], color=VERMILION, lw=0.9, ls="-.")
            if not named:
                axes.annotate(
                    "limit",
                    (scale * (item.target + half), y + 0.38),
                    xytext=(0, 3),
                    textcoords="offset points",
                    ha="center",
                    va="bottom",
                    fontsize=9,
                    color=VERMILION,
                    annotation_clip=False,
                )
                named = True
