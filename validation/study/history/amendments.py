"""amendments.csv: corrections, exclusions, reinstatements, changed plans and lot records, notes, answers; only grows.

history/amendments.csv holds each as it was first seen, so that one taken out or edited later shows. Dossiers of the
study hold copies of both files, so they are compared as well.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from validation.faults import Fault, Refusal
from validation.files import content
from validation.study.folder import AMENDMENTS, HISTORY, issues_of
from validation.study.history.acknowledging import KIND as ACKNOWLEDGEMENT
from validation.study.history.acknowledging import loss_refusal, losses_left
from validation.study.history.chain import (
    NOT_FOLLOWING,
    Entry,
    Growth,
    Record,
    ever_held,
    read_record,
    with_rows,
    without,
    write,
)
from validation.study.history.losses import RESTORE, Loss, in_short
from validation.study.text_files import moment, read_text
from validation.words import sentence_list

RECORD = f"{HISTORY}/amendments.csv"
COLUMNS = ("number", "time", "by", "kind", "file", "reading", "column", "old", "new", "reason")
MEND = (
    f"Restore these rows of {AMENDMENTS}: {RECORD} holds each as first seen. To take an amendment back, append a new "
    "one; none is deleted, edited or moved. What cannot be restored is acknowledged: validation amend DIR "
    '--acknowledge "amendment 1" --reason "..." --by "your name".'
)
KINDS = ("correction", "exclusion", "reinstatement", "plan", "impact", "record", "answer", ACKNOWLEDGEMENT)


@dataclass(frozen=True, slots=True)
class Amendment(Entry):
    """One line of amendments.csv. `line` is its line there; 0 where it is not yet written."""

    number: int
    time: str
    by: str
    kind: str
    file: str = ""
    reading: str = ""
    column: str = ""
    old: str = ""
    new: str = ""
    reason: str = ""
    line: int = 0

    record_of = "amendments"
    columns = (*COLUMNS, "sha256")

    @classmethod
    def of(cls, texts: Sequence[str], line: int = 0) -> Amendment:
        number, *others = texts
        return cls(int(number), **dict(zip(COLUMNS[1:], others, strict=True)), line=line)

    def to_dict(self) -> dict[str, str]:
        """The texts by column name, as the file holds them."""
        return {name: str(getattr(self, name)) for name in COLUMNS}

    def texts(self) -> list[str]:
        return list(self.to_dict().values())

    def linked(self) -> list[object]:
        return [self.texts()]

    @property
    def key(self) -> tuple[str, ...]:
        return tuple(self.texts())


def next_number(amendments: Sequence[Amendment]) -> int:
    """The number of the next amendment."""
    return max((amendment.number for amendment in amendments), default=0) + 1


def read_amendments(folder: Path) -> tuple[tuple[Amendment, ...], list[Fault]]:
    """Read amendments.csv; none there is none made."""
    text, faults = read_text(folder, AMENDMENTS)
    if text is None or faults:
        return (), faults
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    line = 1
    try:
        for cells in reader:
            if any(cells):
                rows.append((line, [cell.strip() for cell in cells]))
            line = reader.line_num + 1
    except csv.Error as error:
        mend = "Close the quotes of this row."
        return (), [Fault(AMENDMENTS, f"The row cannot be read as CSV ({error}).", mend, row=line)]
    return _parsed(rows) if rows else ((), [])


def _parsed(rows: list[tuple[int, list[str]]]) -> tuple[tuple[Amendment, ...], list[Fault]]:
    heading = rows[0][1]
    if tuple(heading) != COLUMNS:
        reason, mend = "The heading is not the expected one.", "Write the heading as `validation amend` does."
        return (), [Fault(AMENDMENTS, reason, mend, row=1, value=",".join(heading), expected=",".join(COLUMNS))]
    amendments: list[Amendment] = []
    faults: list[Fault] = []
    for line, cells in rows[1:]:
        if len(cells) != len(COLUMNS):
            reason, mend = "The row has the wrong number of cells.", "Put a text with a comma in quotes."
            count, expected = f"{len(cells)} cells", f"{len(COLUMNS)} cells"
            faults.append(Fault(AMENDMENTS, reason, mend, row=line, value=count, expected=expected))
            continue
        row_faults = _row_faults(dict(zip(COLUMNS, cells, strict=True)), line, len(amendments) + 1)
        faults += row_faults
        if not row_faults:
            amendments.append(Amendment.of(cells, line))
    return tuple(amendments), faults


#: Whether it is so, in which column, what is wrong, the mend, and what was expected.
_Check = tuple[bool, str, str, str, str]


def _row_faults(row: Mapping[str, str], line: int, number: int) -> list[Fault]:
    kind, reading = row["kind"], row["reading"] or None
    close = get_close_matches(kind, KINDS, n=1)
    write_kind = f"Write {close[0]}." if close else f"Write {', '.join(KINDS)}."
    uncounted, timeless = not re.fullmatch("[0-9]{1,9}", row["number"]), moment(row["time"]) is None
    nameless, columnless = kind in KINDS[:3] and not reading, kind == "correction" and not row["column"]
    checks: list[_Check] = [
        (uncounted, "number", "The number is not a whole number.", "Count amendments from 1.", str(number)),
        (kind not in KINDS, "kind", "The kind of amendment is unknown.", write_kind, ", ".join(KINDS)),
        (timeless, "time", "The time cannot be read.", "Write 2026-07-01T09:30+02:00.", "an ISO 8601 time"),
        (not row["by"], "by", "The cell is empty.", "Give the name of the person.", "a text"),
        (not row["reason"], "reason", "The cell is empty.", "Give the reason.", "a text"),
        (nameless, "reading", "No reading is named.", "Name the identifier of the reading.", "an identifier"),
        (columnless, "column", "No column is named.", "Name the column that is corrected.", "a column"),
    ]
    if kind == "record":
        mend = "Name its file as plan.yaml does."
        checks.append((not row["file"], "file", "No lot record is named.", mend, "a file"))
    if kind == "answer":
        mend = "Write the identifier of the question as `validation check` prints it."
        checks.append((not row["new"], "new", "No question is named.", mend, "the identifier of a question"))
    if kind == "impact":
        checks += _impact_checks(row)
    return [
        Fault(AMENDMENTS, reason, mend, line, reading, column, row[column] or "an empty cell", expected)
        for wrong, column, reason, mend, expected in checks
        if wrong
    ]


def _impact_checks(row: Mapping[str, str]) -> list[_Check]:
    """An impact note: `column` names what had expired, `old` the date on file, `new` until when it is covered."""
    where = "Write where the date is stated: plan.yaml, or the file of the lot record."
    what = "Write the name of the balance, instrument or lot that had expired."
    until = "Write the date up to which later evidence covers it; it is after the expiry on file."
    empty, no_day, day = "The cell is empty.", "The cell holds no date.", "Write the date as 2026-03-31."
    old, new = moment(row["old"]), moment(row["new"])
    backwards = old is not None and new is not None and new[0] <= old[0]
    ends_early = "The later evidence ends before the expiry on file."
    return [
        (not row["file"], "file", empty, where, "a name"),
        (not row["column"], "column", empty, what, "a name"),
        (old is None or not old[1], "old", no_day, day, "a day"),
        (new is None or not new[1], "new", no_day, day, "a day"),
        (backwards, "new", ends_early, until, f"a day after {row['old']}"),
    ]


# --------------------------------------------------------------------------------------------- as first seen, and now


def _seen(folder: Path) -> tuple[Record[Amendment], list[Amendment]]:
    """The record, and every amendment seen, in the order first seen."""
    record = read_record(folder, RECORD, Amendment)
    # Where a dossier has no record of its own, its amendments.csv counts.
    places = [issue / "inputs" for issue in issues_of(folder)]
    copies = [read_record(place, RECORD, Amendment).entries or read_amendments(place)[0] for place in places]
    return record, ever_held(copies, record.entries)


def next_number_in(folder: Path, written: Sequence[Amendment]) -> int:
    """The number of the next amendment; none that was ever seen has it, even where that one is gone."""
    return next_number([*_seen(folder)[1], *written])


def recorded_with(folder: Path, present: Sequence[Amendment]) -> Growth:
    """The record with the amendments that were not seen before; nothing where none is to be added.

    What only a dossier still holds is recorded too. A row that was edited is no new one.
    """
    record, seen = _seen(folder)
    if record.faults or losses_left(record_losses(folder), [item.to_dict() for item in present]):
        return {}
    _, unseen = _matched(seen, present)
    return record.grown([*without(seen, record.entries), *unseen])


def record_losses(folder: Path) -> tuple[Loss, ...]:
    """Whether the record of amendments is gone although earlier dossiers hold it."""
    if read_record(folder, RECORD, Amendment).raw is not None:
        return ()
    holding = [issue.name for issue in issues_of(folder) if read_record(issue / "inputs", RECORD, Amendment).entries]
    text = f"{RECORD} is gone; dossier {', '.join(holding[-1:])} holds it. {RESTORE}"
    return (Loss(f"{RECORD} is gone", text, RECORD),) if holding else ()


def lost_amendments(folder: Path, present: Sequence[Amendment]) -> tuple[Loss, ...]:
    """What was seen in amendments.csv, or is in an earlier dossier, and is gone, changed or moved."""
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
        *(Loss("the record of amendments cannot be read", str(fault), RECORD) for fault in record.faults),
    ]
    for place in record.broken:
        text = f"{RECORD}, entry {place + 1}: {NOT_FOLLOWING}."
        now = f"the record of amendments was edited at entry {place + 1}"
        losses.append(Loss("the record of amendments was edited", text, RECORD, now=now))
    return tuple(losses)


def append(folder: Path, amendment: Amendment, *also: Growth) -> None:
    """Append one amendment; the heading is written with the first. What is in the file is never touched.

    Parameters
    ----------
    also : what grows with it; it is written after it, and all of it or none

    Raises
    ------
    Refusal
        The number of amendments in the file is not the one this amendment was made for: another one was appended in
        the meantime; or an amendment that was seen there is gone or changed, and this is no acknowledgement.
    """
    before = content(folder / AMENDMENTS)
    written, faults = read_amendments(folder)
    if not faults and amendment.kind != ACKNOWLEDGEMENT:
        rows = [item.to_dict() for item in written]
        refusal = loss_refusal(losses_left((*lost_amendments(folder, written), *record_losses(folder)), rows), MEND)
        if refusal:
            raise Refusal(refusal)
    if faults or next_number_in(folder, written) != amendment.number:
        raise Refusal(f"{AMENDMENTS} changed in the meantime; look at it and give the amendment again.")
    raw = with_rows(before, COLUMNS, [amendment.texts()])
    write(folder, {AMENDMENTS: (before, raw)}, recorded_with(folder, (*written, amendment)), *also)


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
    return f"{AMENDMENTS} is incomplete: {in_short(losses)}." if losses else ""


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
    return Loss(f"amendment {old.number} is gone", text, *_place(old), was=f"{_about(old)}: {old.reason}")


def _counted_anew(pairs: Sequence[tuple[Amendment, Amendment]]) -> list[Loss]:
    """One sentence however many rows: they all moved for one reason."""
    if not pairs:
        return []
    old, new = ([str(pair[side].number) for pair in pairs] for side in (0, 1))
    if len(pairs) == 1:
        short = f"amendment {old[0]} is now number {new[0]}"
    else:
        short = f"amendments {sentence_list(old)} are now numbers {sentence_list(new)}"
    return [Loss(short, f"{short[0].upper()}{short[1:]}.", AMENDMENTS, "numbers")]


def _changed(old: Amendment, new: Amendment) -> Loss:
    before, after = old.to_dict(), new.to_dict()
    cells = [
        f"{name} {before[name] or 'empty'} became {after[name] or 'empty'}"
        for name in COLUMNS
        if before[name] != after[name]
    ]
    text = f"Amendment {old.number} was changed, {'; '.join(cells)}; it was: {_about(old)}."
    short, was = f"amendment {old.number} was changed", f"{_about(old)}: {old.reason}"
    return Loss(short, text, *_place(old), was=was, now=f"{short}, {'; '.join(cells)}")


def _reordered(
    pairs: Sequence[tuple[Amendment, Amendment]], unseen: Sequence[Amendment], present: Sequence[Amendment]
) -> list[Loss]:
    """Rows before one that was there earlier: the order is that of their being made, and they are applied
    in it."""
    places = {id(item): place for place, item in enumerate(present)}
    moved = []
    last: Amendment | None = None
    for old, new in [*pairs, *((item, item) for item in unseen)]:
        if last is None or places[id(new)] > places[id(last)]:
            last = new
            continue
        place = f"is before amendment {last.number}, which was made earlier"
        text = f"Amendment {new.number} {place}: {_about(old)}."
        moved.append(Loss(f"amendment {new.number} was moved", text, *_place(new), was=_about(old)))
    return moved


def _place(amendment: Amendment) -> tuple[str, str]:
    """File and place of a loss."""
    return AMENDMENTS, f"amendment {amendment.number}"


def _about(amendment: Amendment) -> str:
    """ "correction of P-089, column result, 20.7 to 2.07, by A2 on 2026-03-17T08:05" """
    named = amendment.reading or (amendment.column if amendment.kind == "impact" else amendment.file)
    what = {"plan": "change of", "impact": "impact note on", "answer": "answer on"}.get(
        amendment.kind, f"{amendment.kind} of"
    )
    what = f"{what} {named}".strip()
    if amendment.kind == "correction":
        what += f", column {amendment.column}, {amendment.old or 'empty'} to {amendment.new or 'empty'}"
    return f"{what}, by {amendment.by} on {amendment.time}"
