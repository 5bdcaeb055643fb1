"""Acknowledgements: the amendment by which a person answers for a change or a loss that no amendment recorded.

It ends the exit code 1 of `check` and `verify`; the restriction of the conclusion stays.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from validation.faults import Refusal
from validation.study.folder import AMENDMENTS
from validation.study.history.losses import Change, Loss, in_short

KIND = "acknowledgement"
#: What `new` says of a row that is no longer there.
GONE = "row gone"
#: So many are in a conclusion; the register lists them all.
_NAMED = 6

#: The columns of amendments.csv by which an acknowledgement is that of a change or a loss.
Quoted = tuple[str, str, str, str, str]


@dataclass(frozen=True, slots=True)
class Unacknowledged:
    """What one acknowledgement answers for: the changed cells of a reading, the losses of a file, an amendment.

    `names` are what a person may call it.
    """

    file: str
    reading: str
    column: str
    old: str
    new: str
    names: tuple[str, ...]
    sentences: tuple[str, ...]

    @property
    def quoted(self) -> Quoted:
        return self.file, self.reading, self.column, self.old, self.new


def of_changes(changes: Iterable[Change]) -> list[tuple[Unacknowledged, list[Change]]]:
    """Changed cells, reading by reading."""
    grouped: dict[tuple[str, str], list[Change]] = {}
    for change in changes:
        grouped.setdefault((change.file, change.reading), []).append(change)
    return [(_of_reading(group), group) for group in grouped.values()]


def _of_reading(changes: Sequence[Change]) -> Unacknowledged:
    file, reading = changes[0].file, changes[0].reading
    columns, old = "; ".join(change.column for change in changes), "; ".join(change.old for change in changes)
    new = "; ".join(change.new for change in changes) if columns else GONE
    return Unacknowledged(file, reading, columns, old, new, (reading,), tuple(map(str, changes)))


def of_losses(losses: Iterable[Loss]) -> list[tuple[Unacknowledged, list[Loss]]]:
    """Losses, file by file; those of amendments.csv amendment by amendment."""
    grouped: dict[tuple[str, str], list[Loss]] = {}
    for loss in losses:
        grouped.setdefault((loss.file, loss.place), []).append(loss)
    return [(_of_file(group), group) for group in grouped.values()]


def _of_file(losses: Sequence[Loss]) -> Unacknowledged:
    file, place = losses[0].file, losses[0].place
    old = "; ".join(loss.was for loss in losses if loss.was)
    new = "; ".join(dict.fromkeys(loss.now or loss.short for loss in losses))
    names = tuple(name for name in (place, file) if name)
    return Unacknowledged(file, "", place, old, new, names, tuple(loss.text for loss in losses))


def changes_left(changes: Iterable[Change], amendments: Iterable[Mapping[str, str]]) -> tuple[Change, ...]:
    """The changes that nobody has acknowledged as they are now."""
    known = _quoted(amendments)
    return tuple(change for one, group in of_changes(changes) if one.quoted not in known for change in group)


def losses_left(losses: Iterable[Loss], amendments: Iterable[Mapping[str, str]]) -> tuple[Loss, ...]:
    """The losses that nobody has acknowledged as they are now."""
    known = _quoted(amendments)
    return tuple(loss for one, group in of_losses(losses) if one.quoted not in known for loss in group)


def _quoted(amendments: Iterable[Mapping[str, str]]) -> set[Quoted]:
    return {
        (row["file"], row["reading"], row["column"], row["old"], row["new"])
        for row in amendments
        if row["kind"] == KIND
    }


def named(name: str, changes: Iterable[Change], losses: Iterable[Loss]) -> Unacknowledged:
    """What a person calls by this name: a reading, a file, or "amendment 2".

    Raises
    ------
    Refusal
        Nothing of this name is left to be acknowledged, or several amendments are, or another command records it.
    """
    every = [one for one, _ in (*of_changes(changes), *of_losses(losses))]
    alike = [one for one in every if name in one.names]
    if not alike:
        known = ", ".join(dict.fromkeys(one.names[0] for one in every)) or "nothing"
        raise Refusal(f"There is nothing to acknowledge of {name}. To be acknowledged: {known}.")
    if len(alike) > 1:
        places = ", ".join(f'"{one.names[0]}"' for one in alike)
        raise Refusal(f"Acknowledge what happened in {name} one by one: {places}.")
    if alike[0].reading == alike[0].file and alike[0].new != GONE:
        raise Refusal(f"{name} is a lot record; its change is recorded by: validation amend DIR --record {name}.")
    return alike[0]


def acknowledged_sentences(amendments: Iterable[Mapping[str, str]], *, most: int | None = _NAMED) -> list[str]:
    """What was acknowledged, by whom, when and why; after so many, how many more there are."""
    rows = [row for row in amendments if row["kind"] == KIND]
    sentences = [f"{_what(row)}, acknowledged by {_signed(row)}." for row in rows]
    if most is None or len(rows) <= most:
        return sentences
    more = f"{len(rows) - most} more changes or losses were acknowledged; the register of amendments lists them."
    return [*sentences[:most], more]


def _what(row: Mapping[str, str]) -> str:
    if row["reading"]:
        what = "row gone" if row["new"] == GONE and not row["column"] else "changed"
        return f"{row['reading']}: {what} without an amendment"
    return f"{AMENDMENTS}: {row['new']}" if row["file"] == AMENDMENTS else row["new"]


def _signed(row: Mapping[str, str]) -> str:
    return f"{row['by']} on {row['time'].partition('T')[0]}: {row['reason'].rstrip('.')}"


def acknowledged_cells(amendments: Iterable[Mapping[str, str]]) -> dict[str, list[str]]:
    """By reading, what it was before a change that was acknowledged, each cell with its column."""
    cells: dict[str, list[str]] = {}
    for row in amendments:
        if row["kind"] == KIND and row["reading"]:
            pairs = zip(row["column"].split("; "), row["old"].split("; "), strict=False)
            cells.setdefault(row["reading"], []).extend(cell_text(column, old) for column, old in pairs)
    return cells


def cell_text(column: str, old: str) -> str:
    """ "2.07", or with its column where that is not the result: "2026-03-16 (time)"."""
    return f"{old or 'empty'}" if column in ("result", "response") else f"{old or 'empty'} ({column})"


def loss_refusal(losses: Sequence[Loss], mend: str) -> str:
    """Why nothing but an acknowledgement is appended; empty where nothing is lost."""
    if not losses:
        return ""
    return f"{AMENDMENTS} is not as it was first seen, and nothing is appended to it: {in_short(losses)}. {mend}"
