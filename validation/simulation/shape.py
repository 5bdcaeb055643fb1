"""The shape of scatter: how heavy its tails are, and the grid to which readings are written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shape:
    """Tails of every random part (units and readings alike), and the rounding of readings.

    Attributes
    ----------
    tails : degrees of freedom, above 2, of Student's t, which is scaled to the stated standard deviation; None for
        normal parts
    grid : step to which readings are rounded, in their unit, the stated truth anywhere between two steps; 0 for none

    Examples
    --------
    >>> heavy = Shape(tails=4.0, grid=0.5)
    >>> heavy.parts(np.random.default_rng(1), (2, 3)).shape
    (2, 3)
    """

    tails: float | None = None
    grid: float = 0.0

    def parts(self, rng: np.random.Generator, size: tuple[int, ...]) -> Floats:
        """Draw random parts of mean 0 and standard deviation 1, of shape `size`."""
        if self.tails is None:
            return rng.standard_normal(size)
        return ((self.tails - 2) / self.tails) ** 0.5 * rng.standard_t(self.tails, size)

    def written(self, rng: np.random.Generator, y: Floats) -> Floats:
        """The readings as written, shape (studies, n): where a study's zero lies on the grid is drawn for each study.

        Without rounding nothing is drawn.
        """
        if not self.grid:
            return y
        zero = self.grid * rng.random((len(y), *(1,) * (y.ndim - 1)))
        return self.grid * np.round((y + zero) / self.grid) - zero


NORMAL = Shape()
