"""One chapter a characteristic: words, figures, numbers, verdicts, formulas, notes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import groupby
from typing import Any

from validation.characteristics import Characteristic, KeyInfo
from validation.dossier.blocks import (
    Block,
    Figure,
    Formula,
    Heading,
    Items,
    Paragraph,
    Strips,
    Table,
)
from validation.dossier.record import DossierRecord
from validation.dossier.requirement_rows import chapter_anchor, name_of, spoken, strip_of
from validation.judging.requirements import RequirementResult
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import (
    level_text,
    p_value,
    sentence_list,
    significant,
    table_cells,
    with_interval,
)


def chapter_of(item: Characteristic) -> Callable[[DossierRecord], list[Block]]:
    """The chapter of one characteristic."""

    def build(record: DossierRecord) -> list[Block]:
        evaluation = record.evaluations.get(item.name)
        if evaluation is None:
            return []
        blocks: list[Block] = [Heading(item.title, 1, item.name.replace("_", "-"))]
        blocks += [Paragraph(typeset(text)) for text in item.method]
        if evaluation.missing:
            return [*blocks, Paragraph(evaluation.missing, style="lead")]
        rows = [
            row for row in record.judgement.requirements if chapter_anchor(row.quantity) == chapter_anchor(item.name)
        ]
        if rows:
            blocks.append(Strips(tuple(strip_of(row) for row in rows)))
        quantities = [q for q in record.judgement.quantities if q.key.partition(".")[0] == item.name]
        blocks += [
            Paragraph(typeset(sentence), style="lead" if number == 0 else "body")
            for number, sentence in enumerate(record.words.get(item.name, ()))
        ]
        blocks += figures_of(item, record)
        blocks += quantity_tables(item, quantities, record.study)
        blocks += [
            Table(
                table["caption"],
                tuple(table["head"]),
                tuple(table_cells(table["head"], row) for row in table["rows"]),
                align=_alignment(table),
                long=len(table["rows"]) > 24,
            )
            for table in evaluation.details.get("tables", ())
        ]
        blocks += verdict_sentences(rows)
        blocks += formulas(item)
        blocks += notes_of(evaluation, quantities, said=record.words.get(item.name, ()))
        return blocks

    return build


def _alignment(table: Mapping[str, Any]) -> str:
    """Numbers to the right, text to the left, column by column."""
    columns = range(len(table["head"]))
    numeric = [
        all(
            cell is None or (isinstance(cell, int | float) and not isinstance(cell, bool))
            for cell in (row[c] for row in table["rows"])
        )
        for c in columns
    ]
    return "".join("d" if is_number and c > 0 else "l" for c, is_number in enumerate(numeric))


def figures_of(item: Characteristic, record: DossierRecord) -> list[Block]:
    """The chapter's figures, in the order the characteristic names them."""
    names = [f"{item.name}-{name}" for name in item.figures if f"{item.name}-{name}" in record.figures]
    return [
        Figure(f"{name}.svg", record.figures[name], record.alts.get(name, name), _caption(item, name)) for name in names
    ]


def _caption(item: Characteristic, name: str) -> str:
    """ "Repeatability: standard deviation by level": two chapters may draw the same kind of figure."""
    words = name.partition("-")[2].replace("_", " ").replace("sd ", "standard deviation ")
    return item.title if words == item.title.lower() else f"{item.title}: {words.replace('mandel', 'Mandel')}"


def quantity_tables(item: Characteristic, quantities: Sequence[Quantity], study: Study) -> list[Block]:
    """All quantities of a chapter: those of the whole study first, then by level or name."""
    infos = {info.key: info for info in item.keys}
    single = [q for q in quantities if q.at is None]
    by_level = [q for q in quantities if isinstance(q.at, float)]
    by_name = [q for q in quantities if isinstance(q.at, str)]
    blocks: list[Block] = []
    head = ("Quantity", "At", "Value", f"{100 * study.confidence:.4g} % interval", "Unit", "df", "n")
    for group, what in (
        (single, "quantities of the whole study"),
        (by_level, "quantities by level"),
        (by_name, "quantities by name"),
    ):
        if not group:
            continue
        ordered = sorted(group, key=lambda q: list(infos).index(q.key) if q.key in infos else len(infos))
        rows, last = [], ""
        for q in ordered:
            name = _named(q.key, infos)
            rows.append(("" if name == last else name, *_quantity_cells(q)))
            last = name
        worksheet = next((q.worksheet for q in group if q.worksheet), "")
        keys = sorted({q.key for q in group})
        margin = f"{worksheet.rpartition('/')[2]}\nresults.json: {keys[0]}{' ...' if len(keys) > 1 else ''}"
        blocks.append(
            Table(f"{item.title}: {what}", head, tuple(rows), align="llddlrr", margin=margin, long=len(rows) > 24)
        )
    return blocks


def _named(key: str, infos: Mapping[str, KeyInfo]) -> str:
    """ "lack of fit p", "slope, b", "s_r"."""
    name = key.partition(".")[2]
    symbol = infos[key].symbol if key in infos else name
    words = spoken(name)
    return words if symbol in (name, name.rpartition("_")[2]) or len(symbol) > 8 else f"{words}, {symbol}"


def _quantity_cells(q: Quantity) -> tuple[str, ...]:
    if q.value is None:
        value, span = "", ""
    elif q.key.endswith("_p"):
        value, span = p_value(q.value), ""
    else:
        value, span = with_interval(q.value, q.interval)
    df = (
        ""
        if q.degrees_of_freedom is None
        else significant(q.degrees_of_freedom, 3)
        if q.degrees_of_freedom % 1
        else f"{q.degrees_of_freedom:.0f}"
    )
    return level_text(q.at), value, span, "" if q.unit == "1" else q.unit, df, str(q.n or "")


def verdict_sentences(rows: Sequence[RequirementResult]) -> list[Block]:
    """Each requirement in words: where it is met, where not, and what would settle what is not shown."""
    if not rows:
        return [Paragraph("The plan sets no requirement on this characteristic; nothing here is judged.", style="note")]
    said = []
    for name in dict.fromkeys(row.id for row in rows):
        own = [row for row in rows if row.id == name]
        spans = [(outcome, list(group)) for outcome, group in groupby(own, key=lambda row: row.outcome)]
        where = "; ".join(f"{outcome} {_where(group)}".strip() for outcome, group in spans)
        reasons = [_reason(row) for row in own if row.outcome != "met" or row.thin]
        origin = f" Origin: {own[0].origin}." if own[0].origin else ""
        said.append(
            " ".join(
                [f"{name}, {spoken(name_of(own[0].quantity)).removesuffix(' at')}: {where}.{origin}", *reasons]
            ).replace("..", ".")
        )
    return [Items(tuple(said))]


def _reason(row: RequirementResult) -> str:
    place = _where([row]).strip("()")
    told = f"{row.reason} Thin: {row.thin}" if row.thin else row.reason
    return f"{place[:1].upper()}{place[1:]}: {told}" if place else told


def _where(rows: Sequence[RequirementResult]) -> str:
    levels = [row.at for row in rows]
    if levels[0] is None:
        return ""
    if not isinstance(levels[0], float):
        return f"({sentence_list([str(level) for level in levels])})"
    unit = "" if rows[0].unit in ("", "1") else f" {rows[0].unit}"
    if len(levels) == 1:
        return f"at {level_text(levels[0])}{unit}"
    return f"from {level_text(levels[0])} to {level_text(levels[-1])}{unit}"


def formulas(item: Characteristic) -> list[Block]:
    """The formulas, their sources, and what each was checked against."""
    infos = {info.key: info for info in item.keys}
    lines = tuple(
        dict.fromkeys(
            info.formula if info.formula.startswith(info.symbol) else f"{_named(info.key, infos)}: {info.formula}"
            for info in item.keys
        )
    )
    checked = tuple(
        (
            _named(info.key, infos),
            info.source,
            sentence_list(list(info.checked_against)) or "no published example; see the tests",
        )
        for info in item.keys
    )
    return [
        Formula(tuple(typeset(line) for line in lines)),
        Table(
            f"{item.title}: sources, and the published examples the program is held to",
            ("Quantity", "Source", "Checked against"),
            checked,
            align="lll",
            details=True,
            widths=(1, 2, 2.4),
        ),
    ]


def typeset(formula: str) -> str:
    """The signs a page prints for those a keyboard has, in a formula or in a sentence of the program's own."""
    signs = (
        ("sqrt(", "√("),
        ("sum_", "Σ_"),
        ("sum(", "Σ("),
        ("sum n", "Σ n"),
        ("+-", "±"),
        (">=", "≥"),
        ("<=", "≤"),
        (" - ", " − "),
        (" * ", " × "),
        (" x level", " × level"),
        ("`", ""),
    )
    for typed, printed in signs:
        formula = formula.replace(typed, printed)
    return formula


def notes_of(evaluation: Evaluation, quantities: Sequence[Quantity], *, said: Sequence[str]) -> list[Block]:
    """What an auditor must be told, each sentence once, with the places it concerns; what `said` says stands there."""
    places: dict[str, list[str]] = {note: [] for note in evaluation.notes}
    for q in quantities:
        for note in q.notes:
            name = spoken(q.key.partition(".")[2])
            places.setdefault(note, []).append(name if q.at is None else f"{name} at {level_text(q.at)}")
    for sentence in said:
        places.pop(sentence, None)
    if not places:
        return [Paragraph("Notes: none.", style="note")]
    return [
        Heading("Notes", 3),
        Items(tuple(_with_places(note, names, len(quantities)) for note, names in places.items())),
    ]


def _with_places(note: str, names: Sequence[str], total: int) -> str:
    note = typeset(note)
    if not names or len(names) == total:
        return note
    shown = ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
    return f"{note} ({shown})"
