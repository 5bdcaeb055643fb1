"""history/amendments.csv: each amendment as it was first seen, so that one taken out or edited later shows.

Every line is the amendment itself and its link. Dossiers of the study hold copies of both files, so that they are asked
as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from validation.study.folder import AMENDMENTS, HISTORY, issues_of
from validation.study.history.amendments import COLUMNS, Amendment, read_amendments
from validation.study.history.chain import NOT_FOLLOWING, Form, Growth, Record, ever_held, read_record, without
from validation.study.history.losses import Loss
from validation.words import sentence_list

RECORD = f"{HISTORY}/amendments.csv"
_FORM = Form(RECORD, "amendments", (*COLUMNS, "sha256"), Amendment.of)
MEND = (
    f"Restore these rows of {AMENDMENTS}: {RECORD} holds each as first seen. To take an amendment back, append a new "
    "one; none is deleted, edited or moved."
)


def _seen(folder: Path) -> tuple[Record[Amendment], list[Amendment]]:
    """The record, and every amendment seen, in the order first seen."""
    record = read_record(folder, _FORM)
    # Where a dossier has no record of its own, its amendments.csv speaks.
    places = [issue / "inputs" for issue in issues_of(folder)]
    copies = [read_record(place, _FORM).entries or read_amendments(place)[0] for place in places]
    return record, ever_held(copies, record.entries)


def recorded_with(folder: Path, present: Sequence[Amendment]) -> Growth:
    """The record with the amendments that were not seen before; nothing where none is to be added.

    What only a dossier still holds is recorded too. A row that was edited is no new one.
    """
    record, seen = _seen(folder)
    if record.faults:
        return {}
    _, unseen = _matched(seen, present)
    return record.grown([*without(seen, record.entries), *unseen])


def lost_amendments(folder: Path, present: Sequence[Amendment]) -> tuple[Loss, ...]:
    """What was seen in amendments.csv, or stands in an earlier dossier, and is gone, changed or moved."""
    record, seen = _seen(folder)
    pairs, unseen = _matched(seen, present)
    there = [(old, new) for old, new in pairs if new is not None]
    differing = [(old, new) for old, new in there if old.key != new.key]
    losses = [
        *(_gone(old) for old, new in pairs if new is None),
        *(_changed(old, new) for old, new in differing if not _renumbered(old, new)),
        *_counted_anew([(old, new) for old, new in differing if _renumbered(old, new)]),
        # Where the record was edited, a row that it does not hold need not be a new one.
        *_reordered(there, [] if record.broken else unseen, present),
        *(Loss("the record of amendments cannot be read", str(fault)) for fault in record.faults),
    ]
    for place in record.broken:
        losses.append(Loss("the record of amendments was edited", f"{RECORD}, entry {place + 1}: {NOT_FOLLOWING}."))
    return tuple(losses)


def loss_sentences(losses: Sequence[Loss]) -> list[str]:
    """For page 1 and the command line; nothing where nothing is lost."""
    if not losses:
        return []
    return [
        f"{AMENDMENTS} may only grow, yet it is not as it was first seen:",
        *(f"  {loss.text}" for loss in losses),
        f"  {MEND}",
    ]


def losses_in_short(losses: Sequence[Loss]) -> str:
    """The same as part of a sentence."""
    return "; ".join(dict.fromkeys(loss.short for loss in losses))


def loss_restriction(losses: Sequence[Loss]) -> str:
    """The same in one sentence, for a conclusion; empty where nothing is lost."""
    return f"{AMENDMENTS} is not whole: {losses_in_short(losses)}." if losses else ""


# ------------------------------------------------------------------------------------------------- seen and present


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


def _same(old: Amendment, new: Amendment) -> bool:
    return old.key == new.key


def _renumbered(old: Amendment, new: Amendment) -> bool:
    return old.key[1:] == new.key[1:]


def _rewritten(old: Amendment, new: Amendment) -> bool:
    same_reading = (old.kind, old.file, old.reading) == (new.kind, new.file, new.reading)
    return old.number == new.number and (old.time == new.time or same_reading)


def _gone(old: Amendment) -> Loss:
    text = f"Amendment {old.number} is gone and no longer applied: {_about(old)}."
    return Loss(f"amendment {old.number} is gone", text)


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
    cells = [
        f"{name} {before[name] or 'empty'} became {after[name] or 'empty'}"
        for name in COLUMNS
        if before[name] != after[name]
    ]
    text = f"Amendment {old.number} was changed, {'; '.join(cells)}; it was: {_about(old)}."
    return Loss(f"amendment {old.number} was changed", text)


def _reordered(
    pairs: Sequence[tuple[Amendment, Amendment]], unseen: Sequence[Amendment], present: Sequence[Amendment]
) -> list[Loss]:
    """Rows that stand before one that was there earlier: the order is that of their being made, and they are applied
    in it."""
    places = {id(item): place for place, item in enumerate(present)}
    moved = []
    last: Amendment | None = None
    for old, new in [*pairs, *((item, item) for item in unseen)]:
        if last is None or places[id(new)] > places[id(last)]:
            last = new
            continue
        place = f"stands before amendment {last.number}, which was made earlier"
        moved.append(Loss(f"amendment {new.number} was moved", f"Amendment {new.number} {place}: {_about(old)}."))
    return moved


def _about(amendment: Amendment) -> str:
    """ "correction of P-089, column result, 20.7 to 2.07, by A2 on 2026-03-17T08:05" """
    named = amendment.reading or (amendment.column if amendment.kind == "impact" else amendment.file)
    what = {"plan": "change of", "impact": "impact note on"}.get(amendment.kind, f"{amendment.kind} of")
    what = f"{what} {named}".strip()
    if amendment.kind == "correction":
        what += f", column {amendment.column}, {amendment.old or 'empty'} to {amendment.new or 'empty'}"
    return f"{what}, by {amendment.by} on {amendment.time}"
