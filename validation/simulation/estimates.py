"""Chance behind the estimates of studies of one design: errors of means and mean squares, with the runs shared."""

from __future__ import annotations

import zlib
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]
#: Degrees of freedom of more are drawn from chi-square at once, and no longer shared run by run between levels.
_MOST_RUNS = 60


@dataclass(frozen=True)
class EstimateDraws:
    """What chance does to every estimate of `studies` studies; asked again for the same place it answers the same.

    A place is a worksheet and a level (or name) in it. Runs are shared by the levels of a worksheet: the means of a run
    at two levels correlate as `correlations` says for the worksheet, and with them what is computed from them. Uniform
    numbers of PCG64 are put through inverse distribution functions, so that versions of numpy give the same ones.

    Attributes
    ----------
    studies : how many
    seed : of everything
    correlations : by worksheet, of the means of a run at two of its levels, from 0 to below 1; missing: 0
    """

    studies: int
    seed: int
    correlations: Mapping[str, float]
    _made: dict[Hashable, Floats] = field(default_factory=dict, repr=False, compare=False)

    def mean_error(self, worksheet: str, at: Any, df: float) -> Floats:
        """Error of a mean over runs, in true standard errors, shape (studies,)."""
        return self._runs(worksheet, at, df)[0]

    def of_runs(self, worksheet: str, at: Any, df: float) -> Floats:
        """Mean square of the same means over its expectation, shape (studies,)."""
        return self._runs(worksheet, at, df)[1]

    def within_runs(self, worksheet: str, at: Any, df: float) -> Floats:
        """Mean square within runs over its expectation, shape (studies,); it is the same for all that share the df."""
        return self._chi(("within", worksheet, at, df), df)

    def _runs(self, worksheet: str, at: Any, df: float) -> tuple[Floats, Floats]:
        whole = float(df).is_integer() and df <= _MOST_RUNS
        if not whole:
            return self._normal(("mean", worksheet, at)), self._chi(("runs", worksheet, at, df), df)
        contrasts = [self._contrast(worksheet, at, number) for number in range(int(df) + 1)]
        return contrasts[0], np.mean([contrast**2 for contrast in contrasts[1:]], axis=0)

    def _contrast(self, worksheet: str, at: Any, number: int) -> Floats:
        """One of the orthogonal contrasts of the run means: the first is their mean, the others make their spread."""
        shared = self.correlations.get(worksheet, 0.0)
        own = self._normal(("own", worksheet, at, number))
        if shared == 0:
            return own
        return shared**0.5 * self._normal(("shared", worksheet, number)) + (1 - shared) ** 0.5 * own

    def _normal(self, place: Hashable) -> Floats:
        if place not in self._made:
            self._made[place] = special.ndtri(self._uniform(place))
        return self._made[place]

    def _chi(self, place: Hashable, df: float) -> Floats:
        if place not in self._made:
            self._made[place] = special.gammaincinv(df / 2, self._uniform(place)) / (df / 2)
        return self._made[place]

    def _uniform(self, place: Hashable) -> Floats:
        """Between 0 and 1; what one place gets does not depend on which others were asked for."""
        rng = np.random.Generator(np.random.PCG64([self.seed, zlib.crc32(repr(place).encode())]))
        return np.clip(rng.random(self.studies), 1e-300, None)
