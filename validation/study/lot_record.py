"""The record of a standards lot: what was weighed, when, by whom, on which balance."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict

from validation.study.plan_values import Text
from validation.study.text_files import UNITS, ordinary, year_out_of_bounds
from validation.study.yaml_reading import Path_


def _as_share(value: Any) -> Any:
    if isinstance(value, str) and (percentage := re.fullmatch(r"\s*([0-9]*\.?[0-9]+)\s*%\s*", value)):
        share = float(percentage[1]) / 100
        if not 0 <= share < 1:
            raise ValueError("must be less than 100 %. Write the share that was lost or may differ.")
        return share
    raise ValueError(f'must be a percentage with its sign, so that 0.5 cannot mean a half. Write "{_bare(value)} %".')


def _bare(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else "0.5"


def _as_day(value: Any) -> Any:
    day = day_of(value)
    if day is None:
        raise ValueError("is not a date. Write year, month and day: 26 February 2026 is 2026-02-26.")
    if why := year_out_of_bounds(day):
        raise ValueError(f"is not a plausible date. {why} Correct the year.")
    return day


def day_of(value: Any) -> date | None:
    """The day that a text such as 2026-02-26 names; None where it names none."""
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(str(value)) if re.fullmatch(r"\d{4}-\d{2}-\d{2}", str(value), re.ASCII) else None
    except ValueError:
        return None


def _as_number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        text = str(value).strip()
        mend = "Write the number with digits and a decimal point."
        if re.fullmatch(r"[-+]?\d+,\d+", text):
            mend = f"Write a decimal point: {text.replace(',', '.')}."
        elif re.fullmatch(r"[-+]?[0-9.]+\s*[a-zA-Zµ/%³0-9]+", text):
            mend = "Write the number alone; the key already names the unit."
        raise ValueError(f"must be a number. {mend}")
    if not math.isfinite(value):
        raise ValueError("must be a finite number. Write the number with digits.")
    if not ordinary(value):
        raise ValueError(f"must be a number between 1e-50 and 1e50 in size; {value:g} is not. Check the exponent.")
    return float(value)


def _as_mass(value: Any) -> float:
    number = _as_number(value)
    if number <= 0:
        raise ValueError("must be above zero. Write the mass as the balance gave it, in gram.")
    return number


def _as_tare(value: Any) -> float:
    number = _as_number(value)
    if number < 0:
        raise ValueError("must be zero or more. Write the reading of the balance, in gram.")
    return number


def _as_u(value: Any) -> float:
    number = _as_number(value)
    if number < 0:
        raise ValueError("must be zero or more. Write the size of the standard uncertainty.")
    return number


def _as_positive_u(value: Any) -> float:
    number = _as_number(value)
    if number <= 0:
        raise ValueError("must be above zero. Write the standard uncertainty of one weighing, in gram.")
    return number


def _as_purity(value: Any) -> float:
    number = _as_number(value)
    if number > 1:
        mend = f"Write {number / 100:g}." if number <= 100 else "Write the mass fraction, between 0 and 1."
        raise ValueError(f"must be a mass fraction of at most 1, not per cent. {mend}")
    if number <= 0:
        raise ValueError("must be above zero. Write the mass fraction; 1 where the fuel as bought is the analyte.")
    return number


Share = Annotated[float, BeforeValidator(_as_share)]
Day = Annotated[date, BeforeValidator(_as_day)]
Number = Annotated[float, BeforeValidator(_as_number)]
Mass = Annotated[float, BeforeValidator(_as_mass)]
NotNegative = Annotated[float, BeforeValidator(_as_u)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Fuel(_Model):
    """The fuel that defines the analyte. `purity`: mass fraction of analyte in it, 1 where the blend is the analyte."""

    name: Text
    purity: Annotated[float, BeforeValidator(_as_purity)]
    u_purity: NotNegative = 0.0
    batch: Text | None = None
    opened: Day | None = None


class Oil(_Model):
    """The oil that the fuel was added to."""

    name: Text
    batch: Text | None = None


class Weighing(_Model):
    """One component weighed: a net mass, or the two balance readings it is the difference of. All in gram.

    `u_g` is the standard uncertainty of one number written here: of the net mass, or of each of the two readings.
    """

    what: Literal["fuel", "oil"]
    u_g: Annotated[float, BeforeValidator(_as_positive_u)]
    balance: Text
    mass_g: Mass | None = None
    gross_g: Mass | None = None
    tare_g: Annotated[float | None, BeforeValidator(_as_tare)] = None
    certificate: Text | None = None
    certificate_valid_until: Day | None = None
    date: Day | None = None

    @property
    def net(self) -> float:
        """Net mass in gram."""
        return (self.gross_g or 0.0) - (self.tare_g or 0.0) if self.mass_g is None else self.mass_g


class Loss(_Model):
    """Fuel lost while weighing and mixing, as a share of the fuel.

    `one sided`: anything between nothing and `most`, which also moves the assigned value. `rectangular`: between minus
    and plus `most`, for a change of mass whose direction is not known. `evidence`: the report that the size rests on.
    """

    most: Share | None = None
    shape: Literal["one sided", "rectangular"] = "one sided"
    evidence: Text | None = None
    negligible_because: Text | None = None


class Buoyancy(_Model):
    """Densities in kg/m3 for the correction of air buoyancy; `weights_density` is 8000 by convention (OIML D 28,
    conventional value of the result of weighing in air; from memory)."""

    fuel_density: Number | None = None
    oil_density: Number | None = None
    air_density: Number | None = None
    weights_density: Number = 8000.0
    u_density: NotNegative = 0.0
    u_air_density: NotNegative = 0.0
    negligible_because: Text | None = None


class Homogeneity(_Model):
    """Relative standard deviation between portions of the lot, and the report that it rests on."""

    u: Share | None = None
    evidence: Text | None = None
    negligible_because: Text | None = None


class InUseLoss(_Model):
    """Relative standard uncertainty from the loss out of an opened vial, and what it rests on."""

    u: Share | None = None
    per_week: Share | None = None
    days: Annotated[float | None, BeforeValidator(_as_positive_u)] = None
    evidence: Text | None = None
    negligible_because: Text | None = None


class Preparation(_Model):
    """What the file holds; a fact that is absent is printed as not stated."""

    lot: Text
    made: Day
    maker: Text
    checker: Text
    unit: Text
    fuel: Fuel
    oil: Oil
    weighings: tuple[Weighing, ...]
    vessel: Text | None = None
    temperature: Text | None = None
    cap_time: Text | None = None
    mixing: Text | None = None
    loss_while_weighing: Loss | None = None
    buoyancy: Buoyancy | None = None
    homogeneity: Homogeneity | None = None
    in_use_loss: InUseLoss | None = None
    storage: Text | None = None
    opened_by: Text | None = None
    first_use: Day | None = None
    last_use: Day | None = None
    expires: Day | None = None
    expiry_basis: Text | None = None
    record: Text | None = None
    note: Text | None = None


@dataclass(frozen=True)
class LotRecord:
    """A lot record as read: its file, its hash, its content, and the line of each key."""

    file: str
    sha256: str
    preparation: Preparation
    lines: Mapping[Path_, int] = field(default_factory=dict)

    @property
    def lot(self) -> str:
        return self.preparation.lot

    def line(self, *path: str | int) -> int | None:
        """The line of a key, or of the nearest key above it."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path)

    @property
    def total(self) -> float:
        """Mass of the lot in gram."""
        return sum(weighing.net for weighing in self.preparation.weighings)

    @property
    def plain_fraction(self) -> float:
        """The mass fraction of the weighings alone, in the unit of the record, without any correction."""
        masses: dict[str, float] = {"fuel": 0.0, "oil": 0.0}
        for weighing in self.preparation.weighings:
            masses[weighing.what] += weighing.net
        share = masses["fuel"] * self.preparation.fuel.purity / (masses["fuel"] + masses["oil"])
        return UNITS[self.preparation.unit] * share
