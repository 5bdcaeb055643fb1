"""What a worksheet's design cannot show: full sentences, never a fault."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches

from validation.study.columns import KNOWN
from validation.study.experiments import EXPERIMENTS
from validation.study.model import ExperimentData
from validation.words import counted, plural, sentence_list


def design_notes(data: ExperimentData, *, draft: bool) -> Iterator[str]:
    """Censored, excluded and missing readings; one run, level or laboratory; no replicates; unpaired samples."""
    if data.awaiting:
        yield "Awaiting readings: the worksheet has no result yet."
        return
    censored = data.censored
    if censored and not EXPERIMENTS[data.name].traits.censored_as_bounds:
        named = ", ".join(reading.reading for reading in censored[:10])
        more = f" and {len(censored) - 10} more" if len(censored) > 10 else ""
        verb = "is" if len(censored) == 1 else "are"
        left_out = f"{counted(len(censored), 'censored reading')} {verb} left out of every quantity: {named}{more}."
        pairs = EXPERIMENTS[data.name].shape.pairs
        yield f"{left_out} {_with_samples(data, pairs[0])}" if pairs else left_out
    excluded = [reading.reading for reading in data.readings if reading.status == "excluded"]
    if excluded:
        yield f"{counted(len(excluded), 'reading')} excluded by amendment: {', '.join(excluded)}."
    empty = [reading for reading in data.readings if reading.status == "empty"]
    if empty and draft:
        yield f"{counted(len(empty), 'reading')} without a result left out of this draft."
    if data.table.empty:
        yield "No usable reading is left."
        return
    yield from _levels(data)
    yield from _groups(data)
    yield from _rare_names(data)
    yield from _strange_headings(data)


def _with_samples(data: ExperimentData, item: str) -> str:
    """Which samples are left out with their censored readings."""
    names = list(dict.fromkeys(reading.values.get(item, "") for reading in data.censored))
    named = sentence_list(names[:10]) + (f" and {len(names) - 10} more" if len(names) > 10 else "")
    items, are = (item, "is") if len(names) == 1 else (plural(item), "are")
    return f"The {items} {named} {are} left out whole; every verdict of {data.name} rests on the others."


def _levels(data: ExperimentData) -> Iterator[str]:
    if "level" not in data.table:
        return
    if not data.numeric_levels:
        yield "The levels are labels, so trueness, tolerance limits and percentage limits are not computed."
    if EXPERIMENTS[data.name].shape.scatter and data.table["level"].nunique() == 1:
        yield "There is one level only."


def _groups(data: ExperimentData) -> Iterator[str]:
    table, shape = data.table, EXPERIMENTS[data.name].shape
    for column in shape.varies_between:
        if column in table and table[column].nunique() == 1:
            yield f"There is one {column} only, so nothing varies between {plural(column)}."
    if shape.pairs is not None:
        yield from _pairs(data, *shape.pairs)
        return
    cells = [column for column in shape.scatter if column in table]
    if cells and table.groupby(cells, sort=False).size().max() == 1:
        yield f"There are no replicates: each {' and '.join(cells)} has one reading."


def _pairs(data: ExperimentData, item: str, kind: str) -> Iterator[str]:
    """A method that is missing, samples without a partner by the other method, and pairs without replicates."""
    for name in EXPERIMENTS[data.name].columns.words[kind]:
        if name not in set(data.table[kind]):
            yield f"No usable reading of the {kind} {name}: nothing can be compared until there are some."
            return
    kinds = data.table.groupby(item, sort=False)[kind].agg(set)
    lone = [str(name) for name, read in kinds.items() if len(read) < 2]
    if lone:
        named = ", ".join(lone[:10])
        more = f" and {len(lone) - 10} more" if len(lone) > 10 else ""
        yield f"{counted(len(lone), item)} measured by one {kind} only, left out of the comparison: {named}{more}."
    if data.table.groupby([item, kind], sort=False).size().max() == 1:
        yield f"There are no replicates: each {item} has one reading by each {kind}."


def _rare_names(data: ExperimentData) -> Iterator[str]:
    """A name that hardly occurs may be another one misspelt."""
    column = EXPERIMENTS[data.name].shape.names
    if column not in data.table:
        return
    counts = data.table[column].value_counts()
    for name, number in sorted(counts.items()):
        if 5 * number < counts.max():
            many = counted(int(number), "reading")
            yield f'The {column} "{name}" has {many}, another one {counts.max()}: is it misspelt?'


def _strange_headings(data: ExperimentData) -> Iterator[str]:
    """A column that is not known and not used, but nearly named as one that would be."""
    for heading in data.table.columns:
        name = str(heading)
        if name not in ("line", *KNOWN, *data.settings.get("factors", ())):
            close = get_close_matches(name.lower(), sorted(KNOWN), n=1, cutoff=0.8)
            if close:
                yield f'The column "{name}" is not known, and nothing uses it: is "{close[0]}" meant?'
