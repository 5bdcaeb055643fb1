"""history/amendments.csv: each amendment as it was first seen, so that one taken out or edited later shows.

Every line is the amendment itself and a SHA-256 over it and the SHA-256 of the line before: no line can be taken out of
the middle. Dossiers of the study hold copies of both files, so that they are asked as well.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from validation.files import content
from validation.study.amendments import AMENDMENTS, COLUMNS, Amendment, read_amendments
from validation.study.folder import issues_of
from validation.study.lock import HISTORY
from validation.study.losses import Loss
from validation.study.text_files import decode
from validation.words import sentence_list

RECORD = f"{HISTORY}/amendments.csv"
_HEAD = (*COLUMNS, "sha256")
MEND = (
    f"Restore these rows of {AMENDMENTS}: {RECORD} holds each as first seen. To take an amendment back, append a new "
    "one; none is deleted, edited or moved."
)


def chained_sha256(before: str, amendment: Amendment) -> str:
    """SHA-256 over the SHA-256 of the entry before (empty for the first) and every cell of this one."""
    content = [before, list(amendment.to_dict().values())]
    return hashlib.sha256(json.dumps(content, ensure_ascii=False).encode("utf-8")).hexdigest()


def recorded_with(folder: Path, present: Sequence[Amendment]) -> dict[str, bytes]:
    """The record with the amendments that were not seen before, by its name; empty where nothing is to be added.

    What only a dossier still holds is recorded too. A row that was edited is no new one.
    """
    record = _read(folder)
    if record.unreadable:
        return {}
    seen = _seen(folder, record)
    _, unseen = _matched(seen, present)
    fresh = [*_without(seen, record.amendments), *unseen]
    if not fresh:
        return {}
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    before = content(folder / RECORD)
    if before is None:
        writer.writerow(_HEAD)
    last = record.last
    for amendment in fresh:
        last = chained_sha256(last, amendment)
        writer.writerow([*amendment.to_dict().values(), last])
    return {RECORD: (before or b"") + text.getvalue().encode("utf-8")}


def lost_amendments(folder: Path, present: Sequence[Amendment]) -> tuple[Loss, ...]:
    """What was seen in amendments.csv, or stands in an earlier dossier, and is gone, changed or moved."""
    record = _read(folder)
    seen = _seen(folder, record)
    pairs, unseen = _matched(seen, present)
    there = [(old, new) for old, new in pairs if new is not None]
    found = [
        *(_gone(old) for old, new in pairs if new is None),
        *(_changed(old, new) for old, new in there if not _same(old, new) and not _renumbered(old, new)),
        *_counted_anew([(old, new) for old, new in there if not _same(old, new) and _renumbered(old, new)]),
        # Where the record was edited, a row that it does not hold need not be a new one.
        *_reordered(there, [] if record.broken else unseen, present),
    ]
    if record.unreadable:
        text = f"{RECORD} cannot be read as the record of amendments ({record.unreadable}): restore it from a copy."
        found.append(Loss("the record of amendments cannot be read", text))
    for entry in record.broken:
        text = f"{RECORD}, entry {entry}: its SHA-256 does not follow from the entry before; the record was edited."
        found.append(Loss("the record of amendments was edited", text))
    return tuple(found)


def loss_sentences(losses: Sequence[Loss]) -> list[str]:
    """For page 1 and the command line; nothing where nothing is lost."""
    if not losses:
        return []
    return [
        f"{AMENDMENTS} may only grow, yet it is not as it was first seen:",
        *(f"  {loss.text}" for loss in losses),
        f"  {MEND}",
    ]


def loss_restriction(losses: Sequence[Loss]) -> str:
    """The same in one sentence, for a conclusion; empty where nothing is lost."""
    told = "; ".join(dict.fromkeys(loss.short for loss in losses))
    return f"{AMENDMENTS} is not whole: {told}." if told else ""


# ------------------------------------------------------------------------------------------------------- the record


@dataclass(frozen=True, slots=True)
class _Record:
    amendments: tuple[Amendment, ...] = ()
    last: str = ""
    broken: tuple[int, ...] = ()
    unreadable: str = ""


def _read(folder: Path) -> _Record:
    path = folder / RECORD
    if not path.is_file():
        return _Record()
    try:
        text, faults = decode(path.read_bytes(), RECORD)
        if faults:
            return _Record(unreadable=faults[0].reason.rstrip("."))
        rows = [row for row in csv.reader(io.StringIO(text, newline=""), strict=True) if any(row)]
        if not rows or tuple(rows[0]) != _HEAD or any(len(row) != len(_HEAD) for row in rows):
            return _Record(unreadable="another heading, or a row of another width")
        pairs = [(_amendment(row), row[-1]) for row in rows[1:]]
    except (OSError, csv.Error, ValueError) as error:
        return _Record(unreadable=str(error))
    hashes = ["", *(sha256 for _, sha256 in pairs)]
    broken = tuple(
        number
        for number, (amendment, sha256) in enumerate(pairs, start=1)
        if chained_sha256(hashes[number - 1], amendment) != sha256
    )
    return _Record(tuple(amendment for amendment, _ in pairs), hashes[-1], broken)


def _amendment(row: Sequence[str]) -> Amendment:
    texts = dict(zip(COLUMNS, row, strict=False))
    return Amendment(int(texts.pop("number")), **texts, line=0)


def _seen(folder: Path, record: _Record) -> list[Amendment]:
    """In the order first seen: what earlier dossiers hold is older than what only the record holds."""
    earlier: list[Amendment] = []
    for issue in issues_of(folder):
        # Where a dossier has no record of its own, its amendments.csv speaks.
        held = _read(issue / "inputs").amendments or read_amendments(issue / "inputs")[0]
        earlier += _without(held, earlier)
    return [*earlier, *_without(record.amendments, earlier)]


def _without(these: Sequence[Amendment], those: Sequence[Amendment]) -> list[Amendment]:
    """Members of `these` that `those` does not hold, each member of `those` standing for one."""
    left = [_cells(item) for item in those]
    found = []
    for item in these:
        if _cells(item) in left:
            left.remove(_cells(item))
        else:
            found.append(item)
    return found


# ------------------------------------------------------------------------------------------------- seen and present


def _cells(amendment: Amendment) -> tuple[str, ...]:
    return tuple(amendment.to_dict().values())


def _same(first: Amendment, second: Amendment) -> bool:
    return _cells(first) == _cells(second)


def _matched(
    seen: Sequence[Amendment], present: Sequence[Amendment]
) -> tuple[list[tuple[Amendment, Amendment | None]], list[Amendment]]:
    """Each amendment seen with the row that it is today, or None; and the rows that are new.

    A row is the same amendment where every cell is, else where all but its number are, else where number and either
    time or the named reading are.
    """
    partner: dict[int, Amendment] = {}
    left = list(present)
    for alike in (_same, _renumbered, _rewritten):
        for place, old in enumerate(seen):
            if place in partner:
                continue
            new = next((item for item in left if alike(old, item)), None)
            if new is not None:
                partner[place] = new
                left = [item for item in left if item is not new]
    return [(old, partner.get(place)) for place, old in enumerate(seen)], left


def _renumbered(old: Amendment, new: Amendment) -> bool:
    return _same(old, replace(new, number=old.number))


def _rewritten(old: Amendment, new: Amendment) -> bool:
    same_reading = (old.kind, old.file, old.reading) == (new.kind, new.file, new.reading)
    return old.number == new.number and (old.time == new.time or same_reading)


def _gone(old: Amendment) -> Loss:
    return Loss(
        f"amendment {old.number} is gone", f"Amendment {old.number} is gone and no longer applied: {_about(old)}."
    )


def _counted_anew(pairs: Sequence[tuple[Amendment, Amendment]]) -> list[Loss]:
    """One sentence however many rows: they all moved for one reason."""
    if not pairs:
        return []
    old, new = ([str(pair[side].number) for pair in pairs] for side in (0, 1))
    if len(pairs) == 1:
        short = f"amendment {old[0]} is now number {new[0]}"
    else:
        short = f"amendments {sentence_list(old)} are now numbers {sentence_list(new)}"
    return [Loss(short, f"{short[0].upper()}{short[1:]}.")]


def _changed(old: Amendment, new: Amendment) -> Loss:
    before, after = old.to_dict(), new.to_dict()
    moved = [
        f"{name} {before[name] or 'empty'} became {after[name] or 'empty'}"
        for name in COLUMNS
        if before[name] != after[name]
    ]
    text = f"Amendment {old.number} was changed, {'; '.join(moved)}; it was: {_about(old)}."
    return Loss(f"amendment {old.number} was changed", text)


def _reordered(
    pairs: Sequence[tuple[Amendment, Amendment]], unseen: Sequence[Amendment], present: Sequence[Amendment]
) -> list[Loss]:
    """Rows that stand before one that was there earlier: the order is that of their being made, and they are applied
    in it."""
    places = {id(item): place for place, item in enumerate(present)}
    found = []
    last: Amendment | None = None
    for old, new in [*pairs, *((item, item) for item in unseen)]:
        if last is None or places[id(new)] > places[id(last)]:
            last = new
            continue
        place = f"stands before amendment {last.number}, which was made earlier"
        found.append(Loss(f"amendment {new.number} was moved", f"Amendment {new.number} {place}: {_about(old)}."))
    return found


def _about(amendment: Amendment) -> str:
    """ "correction of P-089, column result, 20.7 to 2.07, by A2 on 2026-03-17T08:05" """
    named = amendment.reading or (amendment.column if amendment.kind == "impact" else amendment.file)
    what = {"plan": "change of", "impact": "impact note on"}.get(amendment.kind, f"{amendment.kind} of")
    what = f"{what} {named}".strip()
    if amendment.kind == "correction":
        what += f", column {amendment.column}, {amendment.old or 'empty'} to {amendment.new or 'empty'}"
    return f"{what}, by {amendment.by} on {amendment.time}"
