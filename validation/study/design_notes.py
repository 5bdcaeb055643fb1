"""What a worksheet's design cannot show: told in whole sentences, never refused."""

from __future__ import annotations

from collections.abc import Iterator

from validation.study.model import ExperimentData
from validation.study.text_files import decimal

#: The experiments whose scatter is the aim: one level, one run or no replicates take something from them.
SCATTER = ("calibration", "precision", "reproducibility")


def design_notes(data: ExperimentData, *, draft: bool) -> Iterator[str]:
    """Censored, excluded and missing readings; one run, level or laboratory; no replicates; unpaired samples."""
    if data.awaiting:
        yield "Awaiting readings: the worksheet has no result yet."
        return
    censored = data.censored
    if censored and data.name != "history":  # there they enter as bounds
        named = ", ".join(reading.reading for reading in censored[:10])
        more = f" and {len(censored) - 10} more" if len(censored) > 10 else ""
        verb = "is" if len(censored) == 1 else "are"
        yield f"{_count(len(censored), 'censored reading')} {verb} left out of every quantity: {named}{more}."
    excluded = [reading.reading for reading in data.readings if reading.status == "excluded"]
    if excluded:
        yield f"{_count(len(excluded), 'reading')} excluded by amendment: {', '.join(excluded)}."
    empty = [reading for reading in data.readings if reading.status == "empty"]
    if empty and draft:
        yield f"{_count(len(empty), 'reading')} without a result left out of this draft."
    if data.table.empty:
        yield "No usable reading is left."
        return
    yield from _levels(data)
    yield from _groups(data)
    yield from _rare_names(data)


def _levels(data: ExperimentData) -> Iterator[str]:
    if "level" not in data.table:
        return
    if not data.numeric_levels:
        texts = data.table["level"].unique()
        numbers = [text for text in texts if decimal(str(text)) is not None]
        labels = [str(text) for text in texts if decimal(str(text)) is None]
        if numbers:
            named = ", ".join(labels[:5])
            yield f"Not every level is a number ({named}), so all levels are taken as labels."
        else:
            yield "The levels are labels, so trueness, tolerance limits and percentage limits are not computed."
    if data.name in SCATTER and data.table["level"].nunique() == 1:
        yield "There is one level only."


def _groups(data: ExperimentData) -> Iterator[str]:
    table = data.table
    if data.name in (*SCATTER, "detection") and "run" in table and table["run"].nunique() == 1:
        yield "There is one run only, so nothing varies between runs."
    if data.name == "reproducibility" and table["laboratory"].nunique() == 1:
        yield "There is one laboratory only, so nothing varies between laboratories."
    if data.name == "comparison":
        yield from _pairs(data)
        return
    cells = [column for column in ("laboratory", "level", "run", "material") if column in table]
    if data.name in SCATTER and cells and table.groupby(cells, sort=False).size().max() == 1:
        yield f"There are no replicates: each {' and '.join(cells)} has one reading."


def _pairs(data: ExperimentData) -> Iterator[str]:
    methods = data.table.groupby("sample", sort=False)["method"].agg(set)
    lone = [str(sample) for sample, found in methods.items() if len(found) < 2]
    if lone:
        named = ", ".join(lone[:10])
        more = f" and {len(lone) - 10} more" if len(lone) > 10 else ""
        yield f"{_count(len(lone), 'sample')} measured by one method only, left out of the comparison: {named}{more}."
    if data.table.groupby(["sample", "method"], sort=False).size().max() == 1:
        yield "There are no replicates: each sample has one reading by each method."


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


#: The column whose entries name the places of an experiment's quantities.
NAMED = {"matrix": "grade", "fuel": "fuel", "lots": "lot", "stability": "state", "carry_over": "setting"}


def _rare_names(data: ExperimentData) -> Iterator[str]:
    """A name that hardly occurs may be another one misspelt."""
    column = NAMED.get(data.name)
    if column is None or column not in data.table:
        return
    counts = data.table[column].value_counts()
    for name, number in sorted(counts.items()):
        if 5 * number < counts.max():
            many = _count(int(number), "reading")
            yield f'The {column} "{name}" has {many}, another one {counts.max()}: is it misspelt?'
