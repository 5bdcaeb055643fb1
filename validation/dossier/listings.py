"""What is too long for the pages: an excerpt there, and every row in a file next to them, attached to the PDF."""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from io import StringIO
from typing import Final

from validation.dossier.blocks import Attachment, Block, Table
from validation.dossier.differences import differences
from validation.study.quantity import Evaluation
from validation.study.quantity import Table as FurtherTable

#: Rows of one table that the pages hold; of a longer one they hold both ends.
MOST_ROWS: Final = 400
#: Rows at either end of a longer one.
ENDS: Final = 10
#: The folder of the files in a dossier.
PLACE: Final = "listings"


def as_csv(head: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """Rows as RFC 4180 has them, in UTF-8; numbers with every digit."""
    text = StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows([float(cell) if isinstance(cell, float) else cell for cell in row] for row in rows)
    return text.getvalue().encode("utf-8")


def attachment(name: str, content: bytes, what: str) -> Attachment:
    """The paragraph that names a file; `what` says what it holds."""
    return Attachment(
        name,
        f"{what}; SHA-256 {hashlib.sha256(content).hexdigest()}. The PDF holds it as an attachment.",
        content,
    )


def long_tables(evaluations: Mapping[str, Evaluation]) -> dict[str, bytes]:
    """By file name, every row of each further table of a chapter that is too long for the pages."""
    return {
        _file(evaluation, table): as_csv(table.head, table.rows)
        for evaluation in evaluations.values()
        for table in evaluation.display.tables
        if len(table.rows) > MOST_ROWS
    }


def same_rows(one: bytes, other: bytes) -> bool:
    """Whether two such files hold the same rows, numbers to the relative difference that results.json is held to."""
    return next(differences(_as_values(one), _as_values(other)), None) is None


def _as_values(content: bytes) -> list[list[str | float]]:
    rows = csv.reader(StringIO(content.decode("utf-8", "replace")))
    return [[_value(cell) for cell in row] for row in rows]


def _value(cell: str) -> str | float:
    try:
        return float(cell)
    except ValueError:
        return cell


def _file(evaluation: Evaluation, table: FurtherTable) -> str:
    number = next(at for at, other in enumerate(evaluation.display.tables, start=1) if other is table)
    return f"{PLACE}/{evaluation.name}-{number}-{table.name}.csv".replace(" ", "_")


def in_excerpt(made: Table, evaluation: Evaluation, table: FurtherTable) -> list[Block]:
    """A further table as it is on the page; of a long one both ends, then the file that holds every row."""
    if len(table.rows) <= MOST_ROWS:
        return [made]
    what = f"Every row of the table above, {len(table.rows)} in all, with every digit"
    file = attachment(_file(evaluation, table), as_csv(table.head, table.rows), what)
    return [both_ends(made, f"every row is in {file.name}"), file]


def both_ends(table: Table, whole: str) -> Table:
    """A table with both ends of its rows where it is long; `whole` says where every row is."""
    count = len(table.rows)
    if count <= MOST_ROWS:
        return table
    caption = f"{table.caption}: the first and the last {ENDS} of {count} rows; {whole}"
    places = {row: at for at, row in enumerate([*range(ENDS), *range(count - ENDS, count)])}
    return replace(
        table,
        caption=caption,
        rows=tuple(table.rows[row] for row in places),
        anchors=tuple(table.anchors[row] for row in places) if table.anchors else (),
        marks=tuple((places[row], column, name) for row, column, name in table.marks if row in places),
        links=tuple((places[row], column, to) for row, column, to in table.links if row in places),
    )
