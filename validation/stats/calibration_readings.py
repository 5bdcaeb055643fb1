"""Readings of a calibration as its statistics take them: reference value, response, level and run of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from validation.stats.estimate import Number, centre, check_sizes

Codes = Sequence[int] | NDArray[np.int_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int_]

NO_RUN = "No run is named: the readings are taken as one run."
ONE_RUN = "One run only: what differs between runs is not in these figures."


@dataclass(frozen=True, slots=True, eq=False)
class CalibrationReadings:
    """Parallel arrays, one entry a reading.

    Attributes
    ----------
    x : shape (n,), reference values
    response : shape (n,), as written; of many calibrations on the same levels and runs, shape (studies, n)
    small : the same shape, response minus an exact offset, so that a large constant costs no digits
    level : shape (n,), codes 0 to L - 1
    run : shape (n,), codes; all 0 where the readings are taken as one run
    several : whether there are two runs or more
    notes : says so where there are not

    Examples
    --------
    The first readings of a calibration of a thermometer, JCGM 100:2008 (GUM), H.3: small corrections keep their digits
    on a constant as large as one likes.

    >>> from decimal import Decimal
    >>> shifted = [433_000_000 + Decimal(text) for text in ("-0.171", "-0.169", "-0.166")]
    >>> readings = CalibrationReadings.of([21.521, 22.012, 22.512], shifted, [0, 1, 2], None)
    >>> readings.small.tolist(), list(readings.levels)
    ([0.0, 0.002, 0.005], [0, 1, 2])
    """

    x: Floats
    response: Floats
    small: Floats
    level: Ints
    run: Ints
    several: bool
    notes: tuple[str, ...]

    @classmethod
    def of(cls, x: Sequence[Number], y: Sequence[Number], levels: Codes, runs: Codes | None) -> CalibrationReadings:
        """Refuse sequences of different lengths and values that are not finite."""
        if not len(x) == len(y) == len(levels):
            raise ValueError(f"x, y and levels must be equally long; got {len(x)}, {len(y)} and {len(levels)}")
        if runs is not None and len(runs) != len(x):
            raise ValueError(f"runs must have one entry a reading; got {len(runs)} for {len(x)}")
        _, small = centre(y, "y")
        xs, responses = (np.array([float(value) for value in values]) for values in (x, y))
        check_sizes(xs, "x")
        level = np.asarray(levels, dtype=int)
        if runs is None or len(np.unique(runs)) < 2:
            note = NO_RUN if runs is None else ONE_RUN
            return cls(xs, responses, small, level, np.zeros_like(level), False, (note,))
        return cls(xs, responses, small, level, np.asarray(runs, dtype=int), True, ())

    @property
    def levels(self) -> range:
        """The codes of the levels."""
        return range(int(self.level.max()) + 1)

    @property
    def rounding(self) -> float:
        """A standard error in the unit of x that rounding alone leaves."""
        return 1e-12 * float(np.abs(self.x).max())

    @property
    def with_lines(self) -> list[int]:
        """The runs that hold three levels or more: those whose readings can depart from a line of their own."""
        of_runs = ((int(run), self.run == run) for run in np.unique(self.run))
        return [run for run, own in of_runs if min(len(np.unique(self.level[own])), len(np.unique(self.x[own]))) > 2]

    def in_run(self, run: int) -> CalibrationReadings:
        """The readings of one run."""
        own = self.run == run
        x, response, small = self.x[own], self.response[..., own], self.small[..., own]
        return CalibrationReadings(x, response, small, self.level[own], self.run[own], False, self.notes)
