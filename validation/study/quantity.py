"""The records that leave a characteristic: quantities, flags, and the evaluation that carries them to the dossier."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from functools import cached_property
from typing import Any, Literal

from validation.stats.estimate import Estimate
from validation.stats.intervals import Interval

At = float | str | None
Outcome = Literal["met", "not met", "not shown", "not judged"]


def judged_level(confidence: float) -> float:
    """Level 1 - 2 * alpha of the interval that rules look at; its ends are one-sided 1 - alpha bounds."""
    return round(2 * confidence - 1, 12)  # 0.9, not its neighbouring double


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """One line of `results.json` `quantities`: an estimate and its place in the study. (key, at) is unique in a study.

    `level` is the study's confidence: `interval` is the estimate's at that level, `judged_interval` the same
    estimate's at 1 - 2 * alpha, what the rules of a requirement look at. `judged`: whether a rule may look at it.
    """

    key: str
    at: At
    estimate: Estimate
    level: float
    unit: str
    worksheet: str = ""
    readings: tuple[str, ...] = ()
    unit_name: str = "readings"
    censored: int = 0
    judged: bool = True

    @property
    def value(self) -> float:
        return self.estimate.value

    @cached_property
    def interval(self) -> Interval | None:
        return self.estimate.interval(self.level)

    @cached_property
    def judged_interval(self) -> Interval | None:
        return self.estimate.interval(judged_level(self.level)) if self.judged else None

    @property
    def confidence(self) -> float | None:
        """Level of `interval`; None without one."""
        return None if self.interval is None else self.level

    @property
    def judged_confidence(self) -> float | None:
        """Level of `judged_interval`; None without one."""
        return None if self.judged_interval is None else judged_level(self.level)

    @property
    def standard_uncertainty(self) -> float | None:
        return self.estimate.standard_uncertainty

    @property
    def degrees_of_freedom(self) -> float | None:
        return self.estimate.degrees_of_freedom

    @property
    def n(self) -> int:
        return self.estimate.n

    @property
    def units(self) -> int | None:
        return self.estimate.units

    @property
    def notes(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(self.estimate.notes_at(self.level)))

    @property
    def source(self) -> str:
        return self.estimate.source

    def results(self) -> dict[str, Any]:
        """The line of results.json: plain JSON types in a fixed order."""
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

    def to_dict(self) -> dict[str, Any]:
        """What a notebook hands over: the estimate as kind and parameters, so that the reader may ask for any level."""
        plain = {item.name: getattr(self, item.name) for item in fields(self)}
        return {**plain, "estimate": self.estimate.to_dict(), "readings": list(self.readings)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Quantity:
        """The inverse of `to_dict`."""
        return cls(**{**data, "estimate": Estimate.from_dict(data["estimate"]), "readings": tuple(data["readings"])})

    def with_notes(self, *notes: str) -> Quantity:
        """The same quantity with further notes; repeated notes are kept once."""
        return replace(self, estimate=self.estimate.with_notes(*notes))


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


Cell = str | float | int | None


@dataclass(frozen=True, slots=True)
class Table:
    """A further table of a chapter, its numbers not yet rounded; a notebook asks for it by `name`.

    `aside`: only for those who follow the variants of the verdicts.
    """

    name: str
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    aside: bool = False

    def to_dict(self) -> dict[str, object]:
        return {**asdict(self), "head": list(self.head), "rows": [list(row) for row in self.rows]}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Table:
        return cls(**{**data, "head": tuple(data["head"]), "rows": tuple(tuple(row) for row in data["rows"])})


@dataclass(frozen=True, slots=True)
class Display:
    """What a chapter shows in addition to the quantities that a requirement may use.

    `quantities` are further ones, which no rule may use; `page_one` sentences are printed on the cover too; `view` is
    the record that the chapter's figures draw and its words are made of, of the type that its figures declare.
    """

    quantities: tuple[Quantity, ...] = ()
    notes: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    page_one: tuple[str, ...] = ()
    view: Any = None

    def to_dict(self) -> dict[str, object]:
        """All but the view, which stays where it was drawn."""
        return {
            "quantities": [q.to_dict() for q in self.quantities],
            "notes": list(self.notes),
            "tables": [table.to_dict() for table in self.tables],
            "page_one": list(self.page_one),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Display:
        return cls(
            quantities=tuple(Quantity.from_dict(q) for q in data["quantities"]),
            notes=tuple(data["notes"]),
            tables=tuple(Table.from_dict(table) for table in data["tables"]),
            page_one=tuple(data["page_one"]),
        )


@dataclass(frozen=True)
class Evaluation:
    """All that one characteristic found: what its notebook saves and its chapter prints.

    `judged` are the quantities that a requirement may use; `show` computes the rest when it is needed.
    """

    name: str
    judged: tuple[Quantity, ...] = ()
    flags: tuple[Flag, ...] = ()
    own_notes: tuple[str, ...] = ()
    missing: str = ""
    show: Callable[[], Display] = Display

    @cached_property
    def display(self) -> Display:
        return self.show()

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """Every quantity of the chapter."""
        return (*self.judged, *self.display.quantities)

    @property
    def notes(self) -> tuple[str, ...]:
        """What holds for the chapter as a whole."""
        return tuple(dict.fromkeys((*self.own_notes, *self.display.notes)))

    def get(self, key: str, at: At = None) -> Quantity | None:
        """The judged quantity of this key at this place, or None."""
        return next((q for q in self.judged if q.key == key and q.at == at), None)

    def to_dict(self) -> dict[str, object]:
        return {
            "name": self.name,
            "judged": [q.to_dict() for q in self.judged],
            "flags": [f.to_dict() for f in self.flags],
            "own_notes": list(self.own_notes),
            "missing": self.missing,
            "display": self.display.to_dict(),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Evaluation:
        display = Display.from_dict(data["display"])
        return cls(
            name=data["name"],
            judged=tuple(Quantity.from_dict(q) for q in data["judged"]),
            flags=tuple(Flag.from_dict(f) for f in data["flags"]),
            own_notes=tuple(data["own_notes"]),
            missing=data["missing"],
            show=lambda: display,
        )
