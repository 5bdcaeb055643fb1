"""One chapter a characteristic: words, figures, numbers, verdicts, formulas, notes."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics.registry import characteristics
from validation.dossier.anchors import Places
from validation.dossier.blocks import (
    Block,
    Figure,
    Formula,
    Heading,
    Items,
    Link,
    Links,
    Paragraph,
    Strips,
    Table,
)
from validation.dossier.layout import fits_page, is_narrow
from validation.dossier.listings import both_ends, in_excerpt
from validation.dossier.record import DossierRecord
from validation.dossier.requirement_rows import IN_FULL, chapter_anchor, spoken, strip_of
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

#: Further tables without which a chapter cannot be followed, by name; all others stand in an annex.
IN_CHAPTER = frozenset({"budget", "links", "map", "rules", "wording"})
#: Further tables whose every number workbook.xlsx computes: not printed again.
IN_WORKBOOK = frozenset({("repeatability", "runs"), ("trueness", "runs")})
NOT_JUDGED = Paragraph("The plan sets no requirement on this characteristic; nothing here is judged.", style="note")
#: Cells of a quantity beside value, interval and unit, by their head.
_BESIDE = {"df": 4, "n": 5}
_MOST_SINGLE = 12  # notes on single quantities that a chapter holds
_MOST_SETS = 3  # of places, each a table of its own; of more, one table holds all
_FEW_PLACES = 3  # fewer levels or names are listed one quantity a row
_ALIKE = 3  # sentences of one shape from which on the first and the last are enough
_NUMBERS = re.compile(r"[−-]?\d[\d\u2009.]*")

GREEK = {"chi2": "χ^2", "nu": "ν", "mu": "μ", "delta": "δ"}
#: The caption of the quantities that have no place.
WHOLE = "Quantities of the whole study"
_MOST_NAMES = 4


def chapter_of(item: Characteristic) -> Callable[[DossierRecord], list[Block]]:
    """The chapter of one characteristic; none where its data are missing: the study's opening names those."""

    def build(record: DossierRecord) -> list[Block]:
        evaluation = record.evaluations.get(item.name)
        if evaluation is None or evaluation.missing:
            return []
        rows = [
            row for row in record.judgement.requirements if chapter_anchor(row.quantity) == chapter_anchor(item.name)
        ]
        quantities = quantities_of(item, record)
        words = record.words.get(item.name, ())
        strips = tuple(strip_of(row, trace=record.places.trace(row.id, row.at)) for row in rows)
        return [
            Heading(item.title, 1, item.name.replace("_", "-")),
            Paragraph(" ".join(typeset(text) for text in item.method)),
            *([Strips(strips)] if strips else [NOT_JUDGED]),
            *(
                Paragraph(typeset(sentence), style="lead" if number == 0 else "body")
                for number, sentence in enumerate(without_repeats(words))
            ),
            *figures_of(item, record),
            *quantity_tables(item, quantities, record.study, record.places),
            *further_tables(evaluation, in_chapter=True),
            *notes_of(evaluation, quantities, opening=words),
            *_where_more(item, evaluation),
        ]

    return build


def quantities_of(item: Characteristic, record: DossierRecord) -> list[Quantity]:
    """The quantities of a chapter."""
    return [q for q in record.judgement.quantities if q.key.partition(".")[0] == item.name]


def without_repeats(sentences: Sequence[str]) -> list[str]:
    """The reading in words; of sentences that differ in their numbers alone, the first and the last."""
    kept: list[str] = []
    for _, group in groupby(sentences, key=lambda sentence: _NUMBERS.sub("0", sentence)):
        alike = list(group)
        if len(alike) < _ALIKE:
            kept += alike
        else:
            kept.append(f"{alike[0]} {alike[-1]} The levels between them are in the table.")
    return kept


def _where_more(item: Characteristic, evaluation: Evaluation) -> list[Block]:
    """The way to the annexes."""
    anchor = item.name.replace("_", "-")
    links = [Link("Formulas and sources.", f"formulas-{anchor}")]
    if any(table.name not in IN_CHAPTER for table in evaluation.display.tables):
        links.append(Link("Tables of detail.", f"tables-{anchor}"))
    return [Links("In the annexes:", tuple(links))]


def further_tables(evaluation: Evaluation, *, in_chapter: bool) -> list[Block]:
    """The further tables of a chapter that stand in it, or those that stand in the annex."""
    tables: list[Block] = []
    for table in evaluation.display.tables:
        if (table.name in IN_CHAPTER) is not in_chapter:
            continue
        made = Table(
            typeset(table.caption),
            tuple(typeset(word) for word in table.head),
            tuple(table_cells(table.head, row) for row in table.rows),
            align=_alignment(table),
            long=not in_chapter or len(table.rows) > 24,
            details=not in_chapter,
            printed=not table.aside and (evaluation.name, table.name) not in IN_WORKBOOK,
        )
        tables += in_excerpt(made, evaluation, table)
    return tables


def tables_of_detail(record: DossierRecord) -> list[Block]:
    """The annex of further tables, chapter by chapter."""
    blocks: list[Block] = []
    for name, item in characteristics().items():
        evaluation = record.evaluations.get(name)
        if evaluation is None or evaluation.missing:
            continue
        made = further_tables(evaluation, in_chapter=False)
        words = record.words.get(name, ())
        made += notes_on_single(evaluation, quantities_of(item, record), opening=words)
        if made:
            blocks += [Heading(item.title, 3, f"tables-{name.replace('_', '-')}"), *made]
    if not blocks:
        return []
    text = (
        "Every further table behind the chapters. Not printed, but folded in dossier.html: run means, which "
        "workbook.xlsx computes too, the verdicts by other methods, which the executed notebooks show too, and long "
        "lists of notes, which results.json holds with their quantities."
    )
    return [Heading("Tables of detail", 1, "tables-of-detail"), Paragraph(text, style="small"), *blocks]


def formulas_and_sources(record: DossierRecord) -> list[Block]:
    """The annex of formulas, their sources, and what each was checked against."""
    items = [
        item
        for name, item in characteristics().items()
        if (evaluation := record.evaluations.get(name)) is not None and not evaluation.missing
    ]
    if not items:
        return []
    examples = list(dict.fromkeys(text for item in items for info in item.keys for text in info.checked_against))
    text = (
        "Each quantity with its formula, its source, and the published examples that the program is checked against, "
        "by their numbers at the end of this annex."
    )
    return [
        Heading("Formulas and sources", 1, "formulas"),
        Paragraph(text),
        *(block for item in items for block in formulas(item, examples)),
        Heading("Published examples", 3, "examples"),
        Items(tuple(f"{number}: {text}" for number, text in enumerate(examples, start=1)), style="small"),
    ]


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
    figures = [
        Figure(f"{name}.svg", record.figures[name], record.alts.get(name, name), _caption(name)) for name in names
    ]
    narrow = [figure for figure in figures if is_narrow(figure.svg)]
    alone = narrow[len(narrow) // 2 * 2 :]
    # Narrow ones stand side by side; one that is left over stands beside the table that follows.
    return [*narrow[: len(narrow) // 2 * 2], *(figure for figure in figures if figure not in narrow), *alone]


def _caption(name: str) -> str:
    """ "Standard deviation by level": a plain name, since the message is in the figure."""
    words = name.partition("-")[2].replace("_", " ").replace("sd ", "standard deviation ").replace("mandel", "Mandel")
    return f"{words[:1].upper()}{words[1:]}"


def quantity_tables(
    item: Characteristic, quantities: Sequence[Quantity], study: Study, anchors: Places = Places()
) -> list[Block]:
    """All quantities of a chapter: those of the whole study first, then one row a level, one row a name.

    Each value has its anchor, and leads to the trace of the first verdict on it.
    """
    infos = {info.key: info for info in item.keys}
    order = list(infos)
    ordered = sorted(quantities, key=lambda q: order.index(q.key) if q.key in infos else len(order))
    blocks: list[Block] = []
    for group, what in (
        ([q for q in ordered if q.at is None], WHOLE),
        ([q for q in ordered if isinstance(q.at, float)], "Quantities by level"),
        ([q for q in ordered if isinstance(q.at, str)], "Quantities by name"),
    ):
        if not group:
            continue
        places = list(dict.fromkeys(q.at for q in group))
        grids = [_listed(group, infos, study)]
        if len(places) >= _FEW_PLACES:
            grids = _that_fit(group, infos, study, places)
        for grid in grids:
            worksheet = next((q.worksheet for q in group if q.worksheet), "").rpartition("/")[2]
            judged = [(row, at, anchors.judged.get((q.key, q.at), ())) for row, at, q in grid.cells]
            table = Table(
                _told_apart(what, [q.key for _, _, q in grid.cells]),
                grid.head,
                grid.rows,
                align=grid.align,
                margin=f"{worksheet}; key {item.name}",
                long=True,
                marks=tuple((row, at, anchors.quantity(q.key, q.at)) for row, at, q in grid.cells),
                links=tuple((row, at, anchors.trace(*verdicts[0])) for row, at, verdicts in judged if verdicts),
            )
            blocks.append(both_ends(table, "every one is in results.json"))
    return blocks


def _told_apart(what: str, keys: Sequence[str]) -> str:
    """ "Bias by level": the caption names its quantities where they are few."""
    symbols = [key.partition(".")[2] for key in dict.fromkeys(keys)]
    names = [IN_FULL.get(name) or spoken(name).removesuffix(" at").removeprefix("level ") for name in symbols]
    if what == WHOLE or len(names) > _MOST_NAMES:
        return what
    text = sentence_list(names)
    return f"{text[:1].upper()}{text[1:]} {what.partition(' ')[2]}"


@dataclass(frozen=True, slots=True)
class Grid:
    """Head, rows and alignment of a table; `cells` holds row and column of the value of each quantity."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str
    cells: tuple[tuple[int, int, Quantity], ...]

    def filled(self) -> Grid:
        """Without columns that hold nothing."""
        kept = [at for at in range(len(self.head)) if any(row[at] for row in self.rows)]
        return Grid(
            tuple(self.head[at] for at in kept),
            tuple(tuple(row[at] for at in kept) for row in self.rows),
            "".join(self.align[at] for at in kept),
            tuple((row, kept.index(column), q) for row, column, q in self.cells if column in kept),
        )


def _interval_head(study: Study) -> str:
    return f"{100 * study.confidence:.4g} % interval"


def _listed(group: Sequence[Quantity], infos: Mapping[str, KeyInfo], study: Study) -> Grid:
    """One row a quantity."""
    rows = tuple((_named(q.key, infos), *_quantity_cells(q)) for q in group)
    head = ("Quantity", "At", "Value", _interval_head(study), "Unit", "df", "n")
    return Grid(head, rows, "llddlrr", tuple((row, 2, q) for row, q in enumerate(group))).filled()


def _by_place(
    group: Sequence[Quantity], infos: Mapping[str, KeyInfo], study: Study, places: Sequence[float | str | None]
) -> Grid:
    """One row a place, and of each quantity its value and interval; what all share, such as n, is one column."""
    at_place = {(q.key, q.at): q for q in group}
    own = {key: [at_place.get((key, place)) for place in places] for key in dict.fromkeys(q.key for q in group)}
    texts = {key: [_quantity_cells(q) if q else ("",) * 6 for q in qs] for key, qs in own.items()}
    shared = {name: _shared([[row[at] for row in rows] for rows in texts.values()]) for name, at in _BESIDE.items()}
    columns: list[tuple[str, str, Sequence[str]]] = [("At", "l", [level_text(place) for place in places])]
    cells: list[tuple[int, int, Quantity]] = []
    for key, qs in own.items():
        units = {q.unit for q in qs if q is not None} - {"1"}
        name = _named(key, infos) + (f" / {min(units)}" if len(units) == 1 else "")
        cells += [(row, len(columns), q) for row, q in enumerate(qs) if q is not None]
        columns.append((name, "d", [row[1] for row in texts[key]]))
        columns.append((_interval_head(study), "d", [row[2] for row in texts[key]]))
        columns += [("unit", "l", [row[3] for row in texts[key]])] if len(units) > 1 else []
        columns += [
            (beside, "r", [row[at] for row in texts[key]]) for beside, at in _BESIDE.items() if not shared[beside]
        ]
    columns += [(beside, "r", column) for beside, column in shared.items() if column]
    heads, sides, cells_of_columns = zip(*columns, strict=True)
    return Grid(heads, tuple(zip(*cells_of_columns, strict=True)), "".join(sides), tuple(cells)).filled()


def _shared(columns: Sequence[Sequence[str]]) -> list[str]:
    """The column that all these are, empty cells apart; nothing where two of them differ."""
    filled = [{cell for cell in row if cell} for row in zip(*columns, strict=True)]
    return [] if any(len(cells) > 1 for cells in filled) else ["".join(cells) for cells in filled]


def _that_fit(
    group: Sequence[Quantity], infos: Mapping[str, KeyInfo], study: Study, places: Sequence[float | str | None]
) -> list[Grid]:
    """Tables of as many quantities each as stand side by side on a page; those of one table share their places."""
    at_places: dict[tuple[float | str | None, ...], list[Quantity]] = {}
    for _, same in groupby(group, key=lambda q: q.key):
        own = list(same)
        at_places.setdefault(tuple(place for place in places if any(q.at == place for q in own)), []).extend(own)
    alike = at_places if len(at_places) <= _MOST_SETS else {tuple(places): list(group)}
    grids: list[Grid] = []
    for here, quantities in alike.items():
        taken: list[Quantity] = []
        for _, same in groupby(quantities, key=lambda q: q.key):
            new = list(same)
            grid = _by_place([*taken, *new], infos, study, here)
            if taken and not fits_page(grid.head, grid.rows):
                grids.append(_by_place(taken, infos, study, here))
                taken = []
            taken += new
        grids.append(_by_place(taken, infos, study, here))
    return grids


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


def formulas(item: Characteristic, examples: Sequence[str]) -> list[Block]:
    """The formulas, their sources, and the numbers of the examples that each was checked against."""
    infos = {info.key: info for info in item.keys}
    lines = tuple(dict.fromkeys(_line(info, infos) for info in item.keys))
    # Quantities that share source and checks share a row.
    checked: dict[tuple[str, str], list[str]] = {}
    for info in item.keys:
        numbers = ", ".join(str(examples.index(text) + 1) for text in info.checked_against)
        key = info.key.partition(".")[2]
        checked.setdefault((info.source, numbers or "none: see the tests"), []).append(
            f"{_named(info.key, infos)} [{key}]"
        )
    return [
        Heading(item.title, 3, f"formulas-{item.name.replace('_', '-')}"),
        Formula(tuple(typeset_formula(line) for line in lines)),
        Table(
            "",
            (f"Quantity [key {item.name}. ...]", "Source", "Example"),
            tuple(("; ".join(names), *texts) for texts, names in checked.items()),
            align="lll",
            long=True,
            widths=(4, 5, 1.6),
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
    notes, single = _notes(evaluation, quantities, opening)
    if not notes and not single:
        return [Paragraph("Notes: none.", style="note")]
    if len(single) > _MOST_SINGLE:
        notes, single = (
            (*notes, f"{len(single)} notes on single quantities are in dossier.html and in results.json."),
            (),
        )
    return [Heading("Notes", 3), Items((*notes, *single), style="small")]


def notes_on_single(evaluation: Evaluation, quantities: Sequence[Quantity], *, opening: Sequence[str]) -> list[Block]:
    """The notes on single quantities, where they are too many for their chapter."""
    _, single = _notes(evaluation, quantities, opening)
    rows = tuple((note,) for note in single)
    made = Table("Notes on single quantities", ("Note",), rows, align="l", long=True, details=True, printed=False)
    return [made] if len(rows) > _MOST_SINGLE else []


def _notes(
    evaluation: Evaluation, quantities: Sequence[Quantity], opening: Sequence[str]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Notes on the chapter, and notes on single quantities of it."""
    places: dict[str, list[Quantity]] = {note: [] for note in evaluation.notes}
    for q in quantities:
        for note in q.notes:
            places.setdefault(note, []).append(q)
    for sentence in opening:
        places.pop(sentence, None)
    single = {note for note, concerned in places.items() if 0 < len(concerned) <= len(quantities) / 2}
    texts = {note: _with_places(typeset(note), concerned, quantities) for note, concerned in places.items()}
    general = tuple(text for note, text in texts.items() if note not in single)
    return general, tuple(text for note, text in texts.items() if note in single)


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
