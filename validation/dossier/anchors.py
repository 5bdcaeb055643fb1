"""The names that links of a dossier lead to: of a verdict, its trace, a quantity, a row of raw data, an amendment."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from urllib.parse import quote

from validation.judging.outcomes import Judgement
from validation.judging.requirements import find_key
from validation.study.quantity import At
from validation.words import level_text

Place = tuple[str, At]


def row_anchor(experiment: str, line: int) -> str:
    """Of a row of raw data, by the line of its worksheet."""
    return f"row-{slug(experiment)}-{line}"


def worksheet_anchor(experiment: str) -> str:
    """Of the section of a worksheet among the raw data."""
    return f"raw-{slug(experiment)}"


def amendment_anchor(number: object) -> str:
    """Of a row of the register of amendments."""
    return f"amendment-{slug(str(number))}"


def input_file(name: str) -> str:
    """The address of a file of the inputs, seen from the dossier's pages: every sign but plain ones is escaped."""
    return quote(f"inputs/{name}")


def slug(text: str) -> str:
    """A text as a part of an anchor: small letters, digits, hyphens."""
    signed = re.sub(r"^[-\N{MINUS SIGN}](?=\d)", "minus ", text.strip().lower())
    return re.sub(r"[^a-z0-9]+", "-", signed).strip("-") or "x"


@dataclass(frozen=True)
class Places:
    """Where the quantities and verdicts of a dossier are.

    Attributes
    ----------
    quantities : anchor of the row of a quantity, by key and place
    verdicts : what the anchors of a verdict and of its trace share, by requirement and place
    judged : the verdicts on a quantity, by key and place
    """

    quantities: Mapping[Place, str] = field(default_factory=dict)
    verdicts: Mapping[Place, str] = field(default_factory=dict)
    judged: Mapping[Place, tuple[Place, ...]] = field(default_factory=dict)

    @classmethod
    def of(cls, judgement: Judgement) -> Places:
        """Of a judged study; names that differ in their signs alone get a number."""
        quantities = cls.names((quantity.key, quantity.at) for quantity in judgement.quantities)
        judged: dict[Place, tuple[Place, ...]] = {}
        for row in judgement.requirements:
            for key in keys_of(row.quantity):
                judged[key, row.at] = (*judged.get((key, row.at), ()), (row.id, row.at))
        return cls(quantities, cls.names((row.id, row.at) for row in judgement.requirements), judged)

    @staticmethod
    def names(places: Iterable[Place]) -> dict[Place, str]:
        """A name for each place, "r1-at-4"; where two would be the same, the later one has a number."""
        names: dict[Place, str] = {}
        taken: set[str] = set()
        for name, at in places:
            wanted = unique = slug(name) if at is None else f"{slug(name)}-at-{slug(level_text(at))}"
            count = 1
            while unique in taken:
                count += 1
                unique = f"{wanted}-{count}"
            taken.add(unique)
            names[name, at] = unique
        return names

    def quantity(self, key: str, at: At) -> str:
        """The row of a quantity in its chapter; empty for one that is not there."""
        return f"q-{name}" if (name := self.quantities.get((key, at))) else ""

    def verdict(self, requirement: str, at: At) -> str:
        """The row on the page of verdicts; empty for one that is not there."""
        return f"verdict-{name}" if (name := self.verdicts.get((requirement, at))) else ""

    def trace(self, requirement: str, at: At) -> str:
        """What a verdict rests on; empty for one that is not there."""
        return f"trace-{name}" if (name := self.verdicts.get((requirement, at))) else ""

    def first_trace(self, requirement: str) -> str:
        """The trace of the first verdict on a requirement; empty for one without verdicts."""
        return next((self.trace(*place) for place in self.verdicts if place[0] == requirement), "")


def keys_of(quantity: str) -> tuple[str, ...]:
    """The keys behind the quantity that a requirement names: both of a pair."""
    info = find_key(quantity)
    return (quantity,) if info is None else info.pair or (info.key,)
