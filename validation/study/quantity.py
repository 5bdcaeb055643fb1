"""The records that leave a characteristic: quantities, flags, and the evaluation that carries them to the dossier."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from validation.stats.estimate import Estimate

At = float | str | None
Outcome = Literal["met", "not met", "not shown", "not judged"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """One line of `results.json` `quantities`. (key, at) is unique in a study.

    `judged_interval` is the two-sided interval at `judged_confidence` = 1 - 2 * alpha, whose ends are also the
    one-sided 1 - alpha bounds: what the rules of a requirement look at.
    """

    key: str
    at: At
    value: float | None
    unit: str
    interval: tuple[float, float] | None = None
    confidence: float | None = None
    standard_uncertainty: float | None = None
    degrees_of_freedom: float | None = None
    n: int = 0
    notes: tuple[str, ...] = ()
    source: str = ""
    worksheet: str = ""
    readings: tuple[str, ...] = ()
    judged_interval: tuple[float, float] | None = None
    judged_confidence: float | None = None
    units: int | None = None
    unit_name: str = "readings"
    censored: int = 0

    @classmethod
    def from_estimate(
        cls,
        key: str,
        at: At,
        estimate: Estimate,
        *,
        unit: str,
        worksheet: str,
        readings: Sequence[str],
        judged: Estimate | None = None,
        unit_name: str = "readings",
        notes: Sequence[str] = (),
        censored: int = 0,
    ) -> Quantity:
        """Join an estimate with its place in the study; `judged` is the same estimate at 1 - 2 * alpha."""
        return cls(
            key=key,
            at=at,
            value=estimate.value,
            unit=unit,
            interval=estimate.interval,
            confidence=estimate.confidence,
            standard_uncertainty=estimate.standard_uncertainty,
            degrees_of_freedom=estimate.degrees_of_freedom,
            n=estimate.n,
            notes=tuple(dict.fromkeys((*estimate.notes, *notes))),
            source=estimate.source,
            worksheet=worksheet,
            readings=tuple(readings),
            judged_interval=None if judged is None else judged.interval,
            judged_confidence=None if judged is None else judged.confidence,
            units=estimate.units,
            unit_name=unit_name,
            censored=censored,
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types in a fixed order."""
        return {
            "key": self.key,
            "at": self.at,
            "value": self.value,
            "unit": self.unit,
            "standard_uncertainty": self.standard_uncertainty,
            "interval": None if self.interval is None else list(self.interval),
            "confidence": self.confidence,
            "degrees_of_freedom": self.degrees_of_freedom,
            "n": self.n,
            "notes": list(self.notes),
            "source": self.source,
            "worksheet": self.worksheet,
            "readings": list(self.readings),
            "judged_interval": None if self.judged_interval is None else list(self.judged_interval),
            "judged_confidence": self.judged_confidence,
            "units": self.units,
            "unit_name": self.unit_name,
            "censored": self.censored,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Quantity:
        """The inverse of `to_dict`."""
        pairs = dict(data)
        for name in ("interval", "judged_interval"):
            if pairs.get(name) is not None:
                low, high = pairs[name]
                pairs[name] = (low, high)
        for name in ("notes", "readings"):
            pairs[name] = tuple(pairs.get(name, ()))
        return cls(**pairs)

    def with_notes(self, *notes: str) -> Quantity:
        """The same quantity with further notes; repeated notes are kept once."""
        return replace(self, notes=tuple(dict.fromkeys((*self.notes, *notes))))


@dataclass(frozen=True, slots=True)
class Flag:
    """A reading (or a group, named by its first reading) that a statistical test points at. It is kept all the same."""

    reading: str
    test: str
    statistic: float
    critical: float
    kept: bool = True
    reason: str = ""
    at: At = None
    worksheet: str = ""

    def to_dict(self) -> dict[str, Any]:
        return {
            "reading": self.reading,
            "test": self.test,
            "statistic": self.statistic,
            "critical": self.critical,
            "kept": self.kept,
            "reason": self.reason,
            "at": self.at,
            "worksheet": self.worksheet,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Flag:
        return cls(**dict(data))


@dataclass(frozen=True, slots=True)
class Evaluation:
    """All that one characteristic found: what its notebook saves and its chapter prints.

    `details` holds plain JSON values that only figures and extra tables of this chapter read (run means, residuals,
    fitted curves); nothing in it is judged. Sentences under its key `page_one` are told on the cover as well.
    """

    name: str
    quantities: tuple[Quantity, ...] = ()
    flags: tuple[Flag, ...] = ()
    notes: tuple[str, ...] = ()
    missing: str = ""
    details: Mapping[str, Any] = field(default_factory=dict)

    def get(self, key: str, at: At = None) -> Quantity | None:
        """The quantity of this key at this place, or None."""
        return next((q for q in self.quantities if q.key == key and q.at == at), None)

    def to_dict(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "quantities": [q.to_dict() for q in self.quantities],
            "flags": [f.to_dict() for f in self.flags],
            "notes": list(self.notes),
            "missing": self.missing,
            "details": dict(self.details),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Evaluation:
        return cls(
            name=data["name"],
            quantities=tuple(Quantity.from_dict(q) for q in data["quantities"]),
            flags=tuple(Flag.from_dict(f) for f in data["flags"]),
            notes=tuple(data["notes"]),
            missing=data["missing"],
            details=data["details"],
        )
