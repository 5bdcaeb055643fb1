"""The records of a study as the dossier lists them: each file, its size, what names it, its SHA-256. None is parsed."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from validation.dossier.anchors import amendment_anchor, input_file, worksheet_anchor
from validation.dossier.blocks import Block, Paragraph, Table
from validation.dossier.listings import both_ends
from validation.study.load import RecordFile
from validation.study.model import Study
from validation.words import significant

#: What speaks of a file, in words; the text in which it may be named; the anchor of what speaks.
_Mention = tuple[str, str, str]


def records_table(study: Study, records: Sequence[RecordFile]) -> Block:
    """Every attached file: linked in HTML, with what of plan, lot records and amendments names it.

    Parameters
    ----------
    study : whose plan, worksheets, lot records and amendments may name a file
    records : the files under records/
    """
    if not records:
        return Paragraph("Attached records: none.")
    mentions = list(_mentions(study))
    bases = Counter(_base(record.file) for record in records)
    everything = "\n".join(text for _, text, _ in mentions)
    rows: list[tuple[str, ...]] = []
    links: list[tuple[int, int, str]] = []
    for number, record in enumerate(records):
        named = _naming(record.file, mentions, bases) if _base(record.file) in everything else []
        words = "; ".join(dict.fromkeys(who for who, _, _ in named)) or "not named"
        rows.append((record.file, _size(record.size), words, record.sha256))
        links.append((number, 0, input_file(record.file)))
        links += [(number, 2, to) for _, _, to in named if to][:1]
    head = ("File", "Size", "Named in", "SHA-256")
    margin = "inputs/records/, not parsed"
    table = Table("Attached records, by hash", head, tuple(rows), align="lrll", margin=margin, links=tuple(links))
    return both_ends(table, "every one is in manifest.json")


def _base(file: str) -> str:
    return file.rpartition("/")[2]


def _naming(file: str, mentions: Sequence[_Mention], bases: Counter[str]) -> list[_Mention]:
    """What names a file: by its path, or by its last part where no other file has the same."""
    names = {file, file.removeprefix("records/")} | ({_base(file)} if bases[_base(file)] == 1 else set())
    wanted = re.compile(rf"(?<![\w/.-])(?:{'|'.join(map(re.escape, sorted(names)))})(?![\w-]|\.\w)")
    return [mention for mention in mentions if wanted.search(mention[1])]


def _mentions(study: Study) -> Iterator[_Mention]:
    """Every text of plan, worksheets (column `record`), lot records and amendments that may name a file."""
    plan = study.plan
    for section, entries in (("people", plan.people), ("equipment", plan.equipment), ("standards", plan.standards)):
        for entry in entries:
            for fact, value in entry.items():
                yield from ((f"{section}, {entry.get('name', '')}: {fact}", text, "") for text in _texts(value))
    for fact, value in plan.lots.stated.items():
        yield from ((f"lots: {fact}", text, "") for text in _texts(value))
    for experiment in study.experiments.values():
        yield from ((f"experiments, {experiment.name}", text, "") for text in _texts(experiment.settings))
        stated = dict.fromkeys(r.values.get("record", "") for r in experiment.readings)
        yield from ((experiment.worksheet, text, worksheet_anchor(experiment.name)) for text in stated if text)
    for record in study.lot_records.values():
        yield from ((record.file, text, "") for text in _texts(record.preparation.model_dump()))
    for amendment in study.amendments:
        yield f"amendment {amendment['number']}", amendment["reason"], amendment_anchor(amendment["number"])


def _texts(value: Any) -> Iterator[str]:
    """Every text in a value, however deep."""
    if isinstance(value, str):
        yield value
    elif hasattr(value, "items"):
        for part in value.values():
            yield from _texts(part)
    elif isinstance(value, list | tuple):
        for part in value:
            yield from _texts(part)


def _size(count: int) -> str:
    """ "412 B", "1.24 MB"."""
    if count < 1000:
        return f"{count} B"
    for power, unit in enumerate(("kB", "MB", "GB"), start=1):
        if count < 1000 ** (power + 1) or unit == "GB":
            return f"{significant(count / 1000**power, 3)} {unit}"
    raise AssertionError("the last unit takes every size")
