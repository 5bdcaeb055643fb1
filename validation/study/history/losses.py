"""What of a study is no longer as it was first seen: records of a loss, and of a cell changed without an amendment."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from validation.words import sentence_list

#: How what is gone from a file, or was edited in it, comes back.
RESTORE = "Restore it from the inputs of an earlier dossier, or from another copy."
#: So many readings are named in a conclusion; the register lists them all.
_NAMED = 6


@dataclass(frozen=True, slots=True)
class Loss:
    """Something seen earlier that no longer holds: `short` for a conclusion, `text` in full.

    `file`, and `place` in it, name what an acknowledgement names; `was` and `now` are what it then quotes.
    """

    short: str
    text: str
    file: str = ""
    place: str = ""
    was: str = ""
    now: str = ""

    def to_dict(self) -> dict[str, str]:
        return {"short": self.short, "text": self.text}


@dataclass(frozen=True, slots=True)
class Change:
    """A worksheet cell that differs from what was first seen, without an amendment. `row` is the line today.

    A lot record counts as one reading of the name of its file, its keys as columns; `mend` says what can be done, once
    a record.
    """

    file: str
    row: int | None
    reading: str
    column: str
    old: str
    new: str
    mend: str = ""

    def __str__(self) -> str:
        place = self.file if self.row is None else f"{self.file}, row {self.row}"
        if self.column == "":
            if self.reading == self.file:
                return f"{self.file}: the lot record was there and is gone."
            was = f" It was: {self.old}." if self.old else ""
            return f"{place} (reading {self.reading}): the row was there and is gone.{was}"
        old, new = self.old or "empty", self.new or "empty"
        if self.reading == self.file:
            line = self.file if self.row is None else f"{self.file}, line {self.row}"
            return f'{line}, "{self.column}": {old} became {new} since it was first read. {self.mend}'.rstrip()
        return f'{place} (reading {self.reading}), column "{self.column}": {old} became {new} without an amendment.'

    def to_dict(self) -> dict[str, object]:
        return {name: getattr(self, name) for name in self.__slots__}


def in_short(losses: Iterable[Loss]) -> str:
    """Losses as part of a sentence, each once."""
    return "; ".join(dict.fromkeys(loss.short for loss in losses))


def restriction(changes: Sequence[Change], losses: Sequence[Loss]) -> str:
    """Changes and losses in one sentence, for a conclusion; empty without any."""
    parts = []
    named = list(dict.fromkeys(change.reading for change in changes))
    if named:
        more = f" and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
        first = ", ".join(named[:_NAMED]) if more else sentence_list(named)
        parts.append(f"changed since first seen, without an amendment: {first}{more}")
    if losses:
        parts.append(f"the record of what was first seen is incomplete: {in_short(losses)}")
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}." if text else ""
