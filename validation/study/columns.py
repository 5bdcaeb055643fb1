"""Every column that a worksheet may have and that means something: one record each, from which all lists are derived.

Their order is that in which a sentence counts them and in which the cells of a row are faulted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

#: `identity`: makes two readings of one run the same material. `series`: parts the readings of one run into series that
#: do not follow one another in one instrument. `place`: places a result within its run.
Role = Literal["identity", "series", "place"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Column:
    """One column.

    Attributes
    ----------
    name : the heading, without its unit
    number : whether a cell holds a number; else a text
    unit : whose unit a heading may carry: that of the study, that of the response, days, or none
    content : a content, which is between zero and 100 % where the unit is one of mass fraction
    uncertainty : a standard uncertainty
    not_negative : a number below zero is a fault
    scope : where two names that are nearly one are a fault: in one worksheet, in the whole study, nowhere
    counted_as : how a sentence names its distinct values, which it counts; empty where they are not counted
    roles : what it does to the order of readings
    """

    name: str
    number: bool = False
    unit: Literal["", "study", "response", "days"] = ""
    content: bool = False
    uncertainty: bool = False
    not_negative: bool = False
    scope: Literal["", "sheet", "study"] = ""
    counted_as: str = ""
    roles: tuple[Role, ...] = ()


COLUMNS: Mapping[str, Column] = {
    column.name: column
    for column in (
        Column(name="reading", scope="study"),
        Column(name="instrument", scope="study", roles=("series",)),
        Column(name="lot", scope="study", counted_as="lot", roles=("identity",)),
        Column(name="laboratory", scope="study", counted_as="laboratory", roles=("identity", "series")),
        Column(name="grade", scope="study", counted_as="grade", roles=("identity",)),
        Column(name="fuel", scope="study", counted_as="fuel", roles=("identity",)),
        Column(name="analyst", scope="study"),
        Column(name="state", scope="sheet", counted_as="state"),
        Column(
            name="level",
            number=True,
            unit="study",
            content=True,
            not_negative=True,
            scope="sheet",  # where it is a label
            counted_as="level",
            roles=("identity", "place"),
        ),
        Column(name="response", number=True, unit="response"),
        Column(name="result", number=True, unit="study"),
        Column(name="assigned", number=True, unit="study", content=True, not_negative=True),
        Column(name="u_level", number=True, unit="study", uncertainty=True, not_negative=True),
        Column(name="u", number=True, unit="study", uncertainty=True, not_negative=True),
        Column(name="age", number=True, unit="days", not_negative=True, counted_as="age", roles=("place",)),
        Column(name="added", number=True, unit="study", content=True, not_negative=True, roles=("place",)),
        Column(name="u_added", number=True, unit="study", uncertainty=True, not_negative=True),
        Column(name="run", scope="sheet", counted_as="run", roles=("series",)),
        Column(name="sample", scope="sheet", counted_as="sample", roles=("identity", "place")),
        Column(name="trial", scope="sheet", counted_as="trial", roles=("place",)),
        Column(name="material", scope="sheet", counted_as="material", roles=("identity", "place")),
        Column(name="sequence", scope="sheet", counted_as="sequence"),
        Column(name="setting", scope="sheet", counted_as="setting"),
        Column(name="matrix", scope="sheet", roles=("identity", "place")),
        Column(name="method", roles=("series", "place")),
        Column(name="position", roles=("place",)),
        Column(name="preparation", scope="sheet"),
        Column(name="day", scope="sheet"),
        Column(name="pad_lot", scope="sheet"),
        Column(name="order"),
        Column(name="time"),
        Column(name="replicate"),
        Column(name="record"),
        Column(name="note"),
    )
}

KNOWN = frozenset(COLUMNS)
NUMERIC = tuple(name for name, column in COLUMNS.items() if column.number)
OF_THE_STUDY = tuple(name for name, column in COLUMNS.items() if column.scope == "study")


def with_role(role: Role) -> tuple[str, ...]:
    """The names of the columns that play a role, in the order of the table."""
    return tuple(name for name, column in COLUMNS.items() if role in column.roles)
