"""What the self-test finds: checks, values that were not compared, correct digits, coverage rows."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from decimal import Decimal
from math import isfinite
from typing import Any, Literal

#: A value on the very edge of the printed digit, such as 0.06675 for 0.0667, may be off by a last bit.
_LAST_BIT = 1e-9

FROM_MEMORY = "from memory"

Rule = Literal["agrees", "at least"]


def half_a_unit(printed: str) -> float:
    """Half a unit of the last digit that is printed: "0.0029" gives 0.00005."""
    return float(Decimal(1).scaleb(Decimal(printed).as_tuple().exponent)) / 2  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Check:
    """One value of a source against the value of this program.

    Attributes
    ----------
    area : of the statistic, such as "calibration"
    case : the example or data set, by the name of its file
    statistic : the quantity, by its name there
    document, clause : where it is printed
    address : where it was read, or "from memory"
    printed : as the source prints it
    computed : by this program; None where the calculation stopped (`note` says how) or gave no number
    tolerance : half a unit of the last printed digit, unless `note` says otherwise
    rule : "agrees": within the tolerance; "at least": not below the reference
    reference : what `computed` is compared with where that is not the printed value itself (`note` says why)
    route : the functions of this program that gave `computed`
    """

    area: str
    case: str
    statistic: str
    document: str
    clause: str
    address: str
    printed: str
    computed: float | None
    tolerance: float
    rule: Rule = "agrees"
    reference: str = ""
    route: str = ""
    note: str = ""

    @property
    def held_to(self) -> str:
        """The text of the value that counts."""
        return self.reference or self.printed

    @property
    def difference(self) -> float | None:
        """Computed minus reference, formed exactly and rounded once."""
        if self.computed is None or not isfinite(self.computed):
            return None
        return float(Decimal(self.computed) - Decimal(self.held_to))

    @property
    def ok(self) -> bool:
        """Whether the computed value holds."""
        if self.difference is None:
            return False
        if self.rule == "at least":
            return self.difference >= -self.tolerance
        return abs(self.difference) <= self.tolerance * (1 + _LAST_BIT)

    @property
    def name(self) -> str:
        """How a failure is named."""
        return f"{self.case}, {self.statistic}"

    def in_words(self) -> str:
        """One line: what was expected, what was found."""
        where = self.document if self.clause in ("", self.document) else f"{self.document}, {self.clause}"
        if self.difference is None:
            return f"{self.name}: expected {self.held_to}, but the calculation gave no value. {self.note} ({where})"
        bound = "at least " if self.rule == "at least" else ""
        return (
            f"{self.name}: expected {bound}{self.held_to}, computed {self.computed!r}, difference "
            f"{self.difference:.2g}, tolerance {self.tolerance:.2g} ({where})"
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        computed = self.computed if self.computed is not None and isfinite(self.computed) else None
        return {**asdict(self), "computed": computed, "difference": self.difference, "ok": self.ok}


@dataclass(frozen=True, slots=True)
class NotCompared:
    """A printed value that the self-test does not compare, and why."""

    area: str
    case: str
    statistic: str
    printed: str
    reason: str

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Digits:
    """Correct digits of one certified value: minus the decimal logarithm of the relative error, by who computed it."""

    case: str
    statistic: str
    certified: str
    cap: int
    ours: float
    others: tuple[tuple[str, float], ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {**asdict(self), "others": dict(self.others)}


@dataclass(frozen=True, slots=True)
class CoverageRow:
    """One line of the extract of the coverage studies: a stated truth, a design, the attained rate.

    Attributes
    ----------
    area, statistic : as in `Check`
    design : in words, such as "8 runs of 3, s_run = s_r"
    nominal : the rate that is claimed, such as 0.95
    attained : the rate found in `draws` simulated studies
    lowest, highest : between these the row holds, Monte Carlo error included
    note : what a reader must know, a whole sentence
    truth : what was simulated, such as "s_run = s_r"
    error : Monte Carlo standard error of the attained rate where it is a mean of shares; None: that of a proportion
    """

    area: str
    statistic: str
    design: str
    nominal: float
    attained: float
    draws: int
    lowest: float
    highest: float
    note: str = ""
    truth: str = ""
    error: float | None = None

    @property
    def ok(self) -> bool:
        """Whether the attained rate is where it should be."""
        return self.lowest <= self.attained <= self.highest

    @property
    def simulated(self) -> str:
        """Design and truth in words."""
        return f"{self.design}; {self.truth}" if self.truth else self.design

    @property
    def standard_error(self) -> float:
        """Monte Carlo standard error of the attained rate."""
        if self.error is not None:
            return self.error
        return (self.attained * (1 - self.attained) / self.draws) ** 0.5

    def in_words(self) -> str:
        """One line: what was expected, what was found."""
        return (
            f"{self.statistic}, {self.simulated}: nominal {self.nominal:g}, attained {self.attained:.4f} in "
            f"{self.draws} studies, allowed {self.lowest:g} to {self.highest:g}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {**asdict(self), "standard_error": self.standard_error, "ok": self.ok}
