"""From hits and misses to one line of the coverage table, and the band in which the line holds."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from validation.selftest.checks import CoverageRow

#: Attained and nominal may differ by this much at a realistic design.
SLACK = 0.015
#: Monte Carlo errors added to it, so that a row does not fail by the draw alone.
ERRORS = 3.0

Array = NDArray[np.float64]
Ends = tuple[Array, Array]


@dataclass(frozen=True, slots=True)
class Group:
    """Rows that share their simulated studies.

    Attributes
    ----------
    name : fixed, part of the seed
    studies : how many are simulated
    rows : makes the rows from a generator and a number of studies
    """

    name: str
    studies: int
    rows: Callable[[np.random.Generator, int], list[CoverageRow]]

    def simulate(self, seed: int) -> list[CoverageRow]:
        """The rows; a group's numbers do not depend on which other groups are simulated."""
        return self.rows(np.random.default_rng([seed, zlib.crc32(self.name.encode())]), self.studies)


@dataclass(frozen=True, slots=True)
class Place:
    """What the rows of one design share."""

    area: str
    design: str
    truth: str = ""

    def row(
        self,
        statistic: str,
        nominal: float,
        shares: NDArray[np.bool_] | Array,
        *,
        known: float | None = None,
        more: bool = False,
        note: str = "",
    ) -> CoverageRow:
        """One line.

        Parameters
        ----------
        shares : shape (studies,), whether each study's interval holds the truth, or the share that it attains
        known : the rate of a documented exception, in whose place the nominal one is not expected
        more : whether a rate on the side of caution is as good: above a nominal rate of coverage, below one of errors
        """
        values = np.asarray(shares, dtype=float)
        attained = float(values.mean())
        error = float(values.std()) / values.size**0.5
        middle = nominal if known is None else known
        reach = SLACK + ERRORS * max(error, (middle * (1 - middle) / values.size) ** 0.5 if _binary(values) else error)
        lowest, highest = middle - reach, middle + reach
        if more and nominal > 0.5:
            highest = 1.0
        elif more:
            lowest = 0.0
        return CoverageRow(
            area=self.area,
            statistic=statistic,
            design=self.design,
            nominal=nominal,
            attained=attained,
            draws=values.size,
            lowest=round(max(0.0, lowest), 4),
            highest=round(min(1.0, highest), 4),
            note=note,
            truth=self.truth,
            error=error,
        )


def _binary(values: Array) -> bool:
    return bool(np.all((values == 0) | (values == 1)))


def holds(interval: Ends, truth: float | Array) -> NDArray[np.bool_]:
    """Whether each interval holds the truth; ends count as inside."""
    return (interval[0] <= truth) & (truth <= interval[1])
