"""What the figures over levels share: the level axis, rings about flagged readings, intervals next to points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from validation.figures.style import BLUE, INK, VERMILION
from validation.study.model import Study
from validation.words import level_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, slots=True)
class SdForm:
    """A form of s(x), its parts where it has them, and its curve: levels and standard deviations."""

    name: str
    constant: float | None
    slope: float | None
    curve: tuple[tuple[float, ...], tuple[float, ...]]


@dataclass(frozen=True, slots=True)
class Deviation:
    """One reading of a run minus a mean, with its row of the worksheet."""

    run: str
    reading: str
    line: int
    value: float
    flagged: bool = False


def positions(places: Sequence[Any]) -> list[float]:
    """The places of the levels: numbers at themselves, labels at 0, 1, 2, ..."""
    if all(isinstance(at, float | int) for at in places):
        return [float(at) for at in places]
    return [float(i) for i in range(len(places))]


def level_axis(axes: Axes, places: Sequence[Any], study: Study, *, titled: bool = True) -> None:
    """Level on x from zero with its unit, or the labels in their order."""
    x = positions(places)
    if all(isinstance(at, float | int) for at in places):
        top = max([*x, 0.0])
        bottom = min([*x, 0.0])
        room = 0.05 * ((top - bottom) or 1.0)
        axes.set_xlim(bottom - room, top + room)
        axes.set_xlabel(f"level / {study.unit}" if titled else "")
        return
    axes.set_xlim(-0.5, len(x) - 0.5)
    axes.set_xticks(x, [str(at) for at in places])
    axes.set_xlabel("level" if titled else "")


def spread(places: Sequence[Any]) -> float:
    """Width over which points of one level may be laid side by side."""
    x = sorted(set(positions(places)))
    gaps = [b - a for a, b in pairwise(x)]
    return 0.4 * min(gaps) if gaps else 0.4


def interval_bars(
    axes: Axes,
    x: Sequence[float],
    values: Sequence[float],
    intervals: Sequence[Sequence[float] | None],
    *,
    color: str,
    marker: str,
) -> None:
    """Points with thin intervals; a point may have no interval."""
    for at, value, interval in zip(x, values, intervals, strict=True):
        if interval is not None:
            axes.plot([at, at], list(interval), color=color, lw=0.8)
            axes.plot([at, at], list(interval), color=color, lw=0, marker="_", ms=5)
        axes.plot([at], [value], color=color, marker=marker, ms=5, lw=0)


def dots(axes: Axes, x: Sequence[float], deviations: Sequence[Deviation], **look: Any) -> int:
    """Readings as open points, the flagged ones ringed; how many are flagged."""
    axes.plot(x, [row.value for row in deviations], marker="o", mfc="none", mec=BLUE, lw=0, **look)
    flagged = [(at, row) for at, row in zip(x, deviations, strict=True) if row.flagged]
    for at, row in flagged:
        ring(axes, at, row.value, row.line)
    return len(flagged)


def ring(axes: Axes, x: float, y: float, line: int) -> None:
    """A ring about a flagged reading, with its worksheet row number."""
    axes.plot([x], [y], marker="o", ms=10, mfc="none", mec=VERMILION, mew=1.1, lw=0)
    axes.annotate(f"row {line}", (x, y), xytext=(8, 4), textcoords="offset points", fontsize=8, color=INK)


def end_label(axes: Axes, x: float, y: float, text: str, *, color: str, rise: float = 0.0) -> None:
    """A direct label at the right end of a curve, in place of a legend; `rise` in points keeps two of them apart."""
    axes.annotate(
        text, (x, y), xytext=(6, rise), textcoords="offset points", va="center", color=color, annotation_clip=False
    )


def named(at: Any, unit: str) -> str:
    """A level inside a sentence."""
    return f"{level_text(at)} {unit}" if isinstance(at, float | int) else str(at)
