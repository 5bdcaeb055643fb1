"""One chapter a characteristic: words, figures, numbers, verdicts, formulas, notes."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import groupby

from validation.characteristics import Characteristic, KeyInfo
from validation.dossier.anchors import Places
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
from validation.dossier.layout import ONE_PIECE
from validation.dossier.listings import both_ends, in_excerpt
from validation.dossier.record import DossierRecord
from validation.dossier.requirement_rows import chapter_anchor, name_of, spoken, strip_of
from validation.judging.requirements import RequirementResult
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.study.quantity import Table as FurtherTable
from validation.words import (
    level_text,
    p_value,
    sentence_list,
    significant,
    table_cells,
    with_interval,
)

GREEK = {"chi2": "χ^2", "nu": "ν", "mu": "μ", "delta": "δ"}
_MOST_NAMES = 4


def chapter_of(item: Characteristic) -> Callable[[DossierRecord], list[Block]]:
    """The chapter of one characteristic."""

    def build(record: DossierRecord) -> list[Block]:
        evaluation = record.evaluations.get(item.name)
        if evaluation is None:
            return []
        blocks: list[Block] = [Heading(item.title, 1, item.name.replace("_", "-"))]
        if evaluation.missing:
            return [*blocks, Paragraph(evaluation.missing)]
        blocks += [Paragraph(typeset(text)) for text in item.method]
        rows = [
            row for row in record.judgement.requirements if chapter_anchor(row.quantity) == chapter_anchor(item.name)
        ]
        if rows:  # the reasons are in the sentences on the verdicts
            traces = [strip_of(row, trace=record.places.trace(row.id, row.at)) for row in rows]
            blocks.append(Strips(tuple(replace(strip, reason="", thin="") for strip in traces)))
        quantities = [q for q in record.judgement.quantities if q.key.partition(".")[0] == item.name]
        blocks += [
            Paragraph(typeset(sentence), style="lead" if number == 0 else "body")
            for number, sentence in enumerate(record.words.get(item.name, ()))
        ]
        blocks += verdict_sentences(rows)
        tables, others = further_tables(evaluation)
        blocks += _alternating(
            figures_of(item, record), [*quantity_tables(item, quantities, record.study, record.places), *tables]
        )
        blocks += notes_of(evaluation, quantities, opening=record.words.get(item.name, ()))
        return [*blocks, *formulas(item), *others]

    return build


def _alternating(figures: Sequence[Block], tables: Sequence[Block]) -> list[Block]:
    """A table after each figure, the rest at the end: a table breaks where a figure would leave white."""
    paired = [block for pair in zip(figures, tables, strict=False) for block in pair]
    return [*paired, *figures[len(tables) :], *tables[len(figures) :]]


def further_tables(evaluation: Evaluation) -> tuple[list[Block], list[Block]]:
    """The further tables of a chapter, and those that are needed only to follow the variants of the verdicts."""
    tables: list[Block] = []
    others: list[Block] = []
    for table in evaluation.display.tables:
        made = Table(
            typeset(table.caption),
            tuple(typeset(word) for word in table.head),
            tuple(table_cells(table.head, row) for row in table.rows),
            align=_alignment(table),
            long=table.aside or len(table.rows) > 24,
            details=table.aside,
        )
        (others if table.aside else tables).extend(in_excerpt(made, evaluation, table))
    return tables, others


def _alignment(table: FurtherTable) -> str:
    """Numbers to the right, text to the left, column by column."""
    columns = range(len(table.head))
    numeric = [
        all(
            cell is None or (isinstance(cell, int | float) and not isinstance(cell, bool))
            for cell in (row[c] for row in table.rows)
        )
        for c in columns
    ]
    return "".join("d" if is_number and c > 0 else "l" for c, is_number in enumerate(numeric))


def figures_of(item: Characteristic, record: DossierRecord) -> list[Block]:
    """The chapter's figures, in the order the characteristic names them."""
    names = [f"{item.name}-{name}" for name in item.figures if f"{item.name}-{name}" in record.figures]
    return [Figure(f"{name}.svg", record.figures[name], record.alts.get(name, name), _caption(name)) for name in names]


def _caption(name: str) -> str:
    """ "Standard deviation by level": a plain name, since the message is in the figure."""
    words = name.partition("-")[2].replace("_", " ").replace("sd ", "standard deviation ").replace("mandel", "Mandel")
    return f"{words[:1].upper()}{words[1:]}"


def quantity_tables(
    item: Characteristic, quantities: Sequence[Quantity], study: Study, places: Places = Places()
) -> list[Block]:
    """All quantities of a chapter: those of the whole study first, then by level or name.

    Each row has its anchor, and leads to the traces of the verdicts on it.
    """
    infos = {info.key: info for info in item.keys}
    single = [q for q in quantities if q.at is None]
    by_level = [q for q in quantities if isinstance(q.at, float)]
    by_name = [q for q in quantities if isinstance(q.at, str)]
    blocks: list[Block] = []
    head = ("Quantity", "At", "Value", f"{100 * study.confidence:.4g} % interval", "Unit", "df", "n")
    for group, what in (
        (single, "Quantities of the whole study"),
        (by_level, "Quantities by level"),
        (by_name, "Quantities by name"),
    ):
        if not group:
            continue
        ordered = sorted(group, key=lambda q: list(infos).index(q.key) if q.key in infos else len(infos))
        rows, last = [], ""
        for q in ordered:
            name = _named(q.key, infos)
            # A row must not lose its name where the table runs over into another column or page.
            named_above = name == last and len(ordered) <= ONE_PIECE
            rows.append(("" if named_above else name, *_quantity_cells(q)))
            last = name
        worksheet = next((q.worksheet for q in group if q.worksheet), "")
        keys = sorted({q.key for q in group})
        margin = f"{worksheet.rpartition('/')[2]}\nresults.json: {keys[0]}{' ...' if len(keys) > 1 else ''}"
        filled = [at for at in range(len(head)) if any(row[at] for row in rows)]
        judged = [places.judged.get((q.key, q.at), ()) for q in ordered]
        most = max(map(len, judged))
        verdicts = [[name for name, _ in own] + [""] * (most - len(own)) for own in judged]
        links = tuple(
            (number, len(filled) + column, places.trace(*place))
            for number, own in enumerate(judged)
            for column, place in enumerate(own)
        )
        blocks.append(
            both_ends(
                Table(
                    what,
                    (*(head[at] for at in filled), *("Verdict", *[""] * most)[:most]),
                    tuple((*(row[at] for at in filled), *own) for row, own in zip(rows, verdicts, strict=True)),
                    align="".join("llddlrr"[at] for at in filled) + "l" * most,
                    margin=margin,
                    long=len(rows) > 24,
                    anchors=tuple(places.quantity(q.key, q.at) for q in ordered),
                    links=links,
                ),
                "every one is in results.json",
            )
        )
    return blocks


def _named(key: str, infos: Mapping[str, KeyInfo]) -> str:
    """ "lack of fit p", "slope, b", "s_r"."""
    name = key.partition(".")[2]
    symbol = typeset_formula(infos[key].symbol) if key in infos else name
    words = spoken(name).removesuffix(" at")
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
    sentences = []
    for name in dict.fromkeys(row.id for row in rows):
        own = [row for row in rows if row.id == name]
        spans = [(outcome, list(group)) for outcome, group in groupby(own, key=lambda row: row.outcome)]
        where = "; ".join(f"{outcome} {_where(group)}".strip() for outcome, group in spans)
        reasons = [_reason(row) for row in own if row.outcome != "met" or row.thin]
        origin = f" Origin: {own[0].origin}." if own[0].origin else ""
        sentences.append(
            " ".join(
                [f"{name}, {spoken(name_of(own[0].quantity)).removesuffix(' at')}: {where}.{origin}", *reasons]
            ).replace("..", ".")
        )
    return [Items(tuple(sentences))]


def _reason(row: RequirementResult) -> str:
    place = _where([row]).strip("()")
    reason = f"{row.reason} Thin: {row.thin}" if row.thin else row.reason
    return f"{place[:1].upper()}{place[1:]}: {reason}" if place else reason


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
    lines = tuple(dict.fromkeys(_line(info, infos) for info in item.keys))
    # Quantities that share source and checks share a row.
    checked: dict[tuple[str, str], list[str]] = {}
    for info in item.keys:
        examples = sentence_list(list(info.checked_against)) or "no published example; see the tests"
        checked.setdefault((info.source, examples), []).append(_named(info.key, infos))
    return [
        Heading("Formulas and sources", 3),
        Formula(tuple(typeset_formula(line) for line in lines)),
        Table(
            "Sources, and the published examples the program is checked against",
            ("Quantity", "Source", "Checked against"),
            tuple(("; ".join(names), *texts) for texts, names in checked.items()),
            align="lll",
            details=True,
            long=True,
        ),
    ]


def _line(info: KeyInfo, infos: Mapping[str, KeyInfo]) -> str:
    """A formula behind its symbol, or behind the quantity's name where it does not begin with one."""
    symbol, line = info.symbol.replace(" ", ""), info.formula.replace(" ", "")
    if symbol and line == symbol:
        return f"{spoken(info.key.partition('.')[2])}: {info.formula}"
    return info.formula if symbol and line.startswith(symbol) else f"{_named(info.key, infos)}: {info.formula}"


def typeset(text: str) -> str:
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
        text = text.replace(typed, printed)
    text = re.sub(r"(?<=[ (])-(?=\d)", "−", text)
    return re.sub(r"\b(?:chi2|nu(?=_|\b))", lambda match: GREEK[match[0]], text)


def typeset_formula(line: str) -> str:
    """The same in a formula, where sums, Greek letters and indices are spelled out."""
    line = re.sub(r"\bsum (?=\(|[A-Zb-z]\b)", "Σ ", line)
    line = re.sub(r"\b(?:mu|delta)\b", lambda match: GREEK[match[0]], line)
    return typeset(re.sub(r"\bS(xx|xy|yy)\b", r"S_\1", line))


def notes_of(evaluation: Evaluation, quantities: Sequence[Quantity], *, opening: Sequence[str]) -> list[Block]:
    """What an auditor must know, each sentence once, with the places it concerns; without what `opening` says."""
    places: dict[str, list[Quantity]] = {note: [] for note in evaluation.notes}
    for q in quantities:
        for note in q.notes:
            places.setdefault(note, []).append(q)
    for sentence in opening:
        places.pop(sentence, None)
    if not places:
        return [Paragraph("Notes: none.", style="note")]
    return [
        Heading("Notes", 3),
        Items(tuple(_with_places(typeset(note), concerned, quantities) for note, concerned in places.items())),
    ]


def _with_places(note: str, concerned: Sequence[Quantity], quantities: Sequence[Quantity]) -> str:
    """The note, and in brackets what it concerns, unless that is most of the chapter or nothing in particular."""
    if not concerned or len(concerned) > len(quantities) / 2:
        return note
    names: dict[str, list[str]] = {}  # quantities that share their places are named together
    for key in dict.fromkeys(q.key for q in concerned):
        place = _places([q.at for q in concerned if q.key == key], [q.at for q in quantities if q.key == key])
        names.setdefault(place, []).append(spoken(key.partition(".")[2]).removesuffix(" at"))
    groups = [f"{sentence_list(keys)}{place}" for place, keys in names.items()]
    concerns = "; ".join(groups) if len(groups) <= _MOST_NAMES else f"{len(concerned)} of {len(quantities)} quantities"
    return f"{note} ({concerns})"


def _places(at: Sequence[float | str | None], everywhere: Sequence[float | str | None]) -> str:
    """ " at 2 and 4", " (run and day)", " at all levels"; what follows the name of a quantity."""
    places = [level_text(place) for place in at if place is not None]
    if not places:
        return ""
    by_name = isinstance(at[0], str)
    if len(at) == len(everywhere) > 2:
        return ", all" if by_name else " at all levels"
    if len(places) > _MOST_NAMES:
        return f" ({len(at)} of {len(everywhere)})"
    # Names that hold commas of their own are kept apart by semicolons.
    between = "; " if any("," in place for place in places) else ", "
    return f" ({between.join(places)})" if by_name else f" at {sentence_list(places)}"
