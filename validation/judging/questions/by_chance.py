"""Questions that rest on chance: asked where clean readings would show the pattern in fewer than 1 of 1000 studies."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from validation.judging.questions.record import RATE, Asked, Raw, Rule, Sheet, some
from validation.stats.raw_patterns import (
    RunLayout,
    digit_preference,
    equal_runs,
    exact_hits,
    one_sided_chance,
    powers_of_others,
    sorted_chance,
    too_regular,
    zero_blanks,
)
from validation.study.experiments import chapter_words
from validation.words import counted, sentence_list

#: Of blanks' scatter as a share of that at the lowest level above zero.
_BLANK_SHARE = 1 / 3


def _words(sheet: Sheet) -> str:
    return chapter_words(sheet.data.name)


def same_runs(raw: Raw) -> Iterator[Asked]:
    """Runs with the same results in the same places."""
    for sheet in raw.sheets:
        for group in _alike(sheet.layout):
            # By run and place, and within one place in the order of the worksheet.
            by_place = np.lexsort((sheet.layout.levels, sheet.layout.runs))
            rows = by_place[np.isin(sheet.layout.runs[by_place], group)]
            if len(group) < 2 or len(rows) < 4 * len(group):
                continue
            runs = np.searchsorted(group, sheet.layout.runs[rows])
            repeats, expected = equal_runs(sheet.steps[:, rows], RunLayout(runs, sheet.layout.levels[rows]))
            for later in np.flatnonzero(repeats[0] >= 0) if expected[0] * len(raw.sheets) < RATE else ():
                pair = [int(group[repeats[0, later]]), int(group[later])]
                names = sentence_list([sheet.run_name(run) for run in pair])
                count = len(rows) // len(group)
                text = (
                    f"Runs {names} of {_words(sheet)} hold the same {counted(count, 'result')} in the same places: was "
                    f"one of them entered twice? Expected by chance: {expected[0]:.1g} such pairs."
                )
                yield Asked(text, sheet.readings_of(np.isin(sheet.layout.runs, pair)), sheet.worksheet)


def _alike(layout: RunLayout) -> list[np.ndarray[tuple[int], np.dtype[np.int64]]]:
    """Runs whose places are the same once they are sorted, as arrays of codes; places in `layout` keep their order."""
    order = np.lexsort((layout.levels, layout.runs))
    starts = np.flatnonzero(np.diff(layout.runs[order], prepend=-1))
    parts = np.split(layout.levels[order], starts[1:])
    groups: dict[bytes, list[int]] = {}
    for part, start in zip(parts, starts, strict=True):
        groups.setdefault(part.tobytes(), []).append(int(layout.runs[order[start]]))
    return [np.array(group, dtype=np.int64) for group in groups.values()]


def regular_runs(raw: Raw) -> Iterator[Asked]:
    """A run with far less scatter than the others."""
    for sheet in raw.sheets:
        if sheet.layout.run_count < 3:
            continue
        for run in np.flatnonzero(too_regular(sheet.steps, sheet.layout)[0] * raw.runs < RATE).tolist():
            text = (
                f"The replicates of run {sheet.run_name(run)} of {_words(sheet)} scatter far less than those of the "
                "other runs: were they read one by one, each from a vial of its own?"
            )
            yield Asked(text, sheet.readings_of(sheet.layout.runs == run), sheet.worksheet)


def on_assigned(raw: Raw) -> Iterator[Asked]:
    """Results exactly on the assigned value: a run throughout, or more of all than scatter brings."""
    for sheet in raw.sheets:
        if sheet.column != "result" or "assigned" not in sheet.data.exact:
            continue
        scaled = [value.scaleb(sheet.decimals) for value in sheet.data.exact["assigned"]]
        if max(map(abs, scaled)) > 10**15:
            continue
        assigned = np.array([round(value) for value in scaled], dtype=np.int64) // sheet.step
        whole, runs = exact_hits(sheet.steps, assigned, sheet.layout)
        for run in np.flatnonzero(runs[0] * len(raw.sheets) < RATE).tolist():
            text = (
                f"Every result of run {sheet.run_name(run)} of {_words(sheet)} is exactly the assigned value: "
                "is it what the instrument gave?"
            )
            yield Asked(text, sheet.readings_of(sheet.layout.runs == run), sheet.worksheet)
        hits = sheet.steps[0] == assigned
        if whole[0] * len(raw.sheets) < RATE and not (runs[0] < 1).any():
            text = (
                f"{hits.sum()} of {hits.size} results of {_words(sheet)} are exactly the assigned value, more than "
                "their scatter brings: were assigned values entered as results?"
            )
            yield Asked(text, sheet.readings_of(hits), sheet.worksheet)


def last_digits(raw: Raw) -> Iterator[Asked]:
    """Last digits that prefer 0 and 5, where the step is not one of five."""
    for sheet in raw.sheets:
        if sheet.step % 5 and digit_preference(sheet.units[None, :], sheet.layout)[0] * len(raw.sheets) < RATE:
            favoured = np.abs(sheet.units) % 5 == 0
            text = (
                f"{favoured.sum()} of {favoured.size} values of {_words(sheet)} end in 0 or 5: were they read off and "
                "rounded by a person, and to what step does the instrument read?"
            )
            yield Asked(text, sheet.readings_of(favoured), sheet.worksheet)


def blanks_zero(raw: Raw) -> Iterator[Asked]:
    """Blanks that are zero throughout, to the last written place."""
    for sheet in raw.sheets:
        if "level" not in sheet.data.table or not sheet.data.numeric_levels:
            continue
        levels = sheet.data.table["level"].to_numpy(dtype=float)
        blank, spread = levels == 0, _lowest_sd(sheet, levels)
        if blank.sum() >= 5 and spread is not None:
            chance = zero_blanks(sheet.steps[:, blank], spread * _BLANK_SHARE)[0]
            if chance * len(raw.sheets) < RATE:
                text = (
                    f"All {blank.sum()} blanks of {_words(sheet)} are zero to the last place: does the instrument cut "
                    "off what is below zero, or was zero entered?"
                )
                yield Asked(text, sheet.readings_of(blank), sheet.worksheet)


def _lowest_sd(sheet: Sheet, levels: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float | None:
    """Standard deviation within cells at the lowest level above zero that has replicates, in steps."""
    variance, freedom = sheet.layout.of_levels(sheet.steps)
    for level in sorted(set(levels[levels > 0].tolist())):
        codes = np.unique(sheet.layout.levels[levels == level])
        if freedom[codes].sum() >= 2:
            return float(np.sqrt((variance[0, codes] * freedom[codes]).sum() / freedom[codes].sum()))
    return None


def sorted_runs(raw: Raw) -> Iterator[Asked]:
    """Runs measured in the order of their levels."""
    for sheet in raw.sheets:
        table = sheet.data.table
        if "level" not in table or not sheet.data.numeric_levels or "order" not in table:
            continue
        try:
            order = table["order"].astype(float).to_numpy()
        except ValueError:
            continue
        levels, runs = table["level"].to_numpy(dtype=float), sheet.layout.runs
        places = np.lexsort((order, runs))
        starts = np.flatnonzero(np.diff(runs[places], prepend=-1))
        found: list[int] = []
        for part in np.split(places, starts[1:]):
            steps = np.diff(levels[part])
            if len(part) >= 6 and (np.all(steps >= 0) or np.all(steps <= 0)):
                sizes = np.unique(levels[part], return_counts=True)[1]
                if sorted_chance(sizes) * raw.runs < RATE:
                    found.append(int(runs[part[0]]))
        if found:
            names = some([sheet.run_name(run) for run in found])
            text = (
                f"{'Run' if len(found) == 1 else 'Runs'} {names} of {_words(sheet)}: measured in the order of the "
                "levels. What tells drift in a run from curvature?"
            )
            yield Asked(text, sheet.readings_of(np.isin(runs, found)), sheet.worksheet)


def unit_slips(raw: Raw) -> Iterator[Asked]:
    """A run, or a reading, that is ten, a hundred or a thousand times the others, or as small a part of them."""
    for sheet in raw.sheets:
        if sheet.data.name == "lots" or len(sheet.units) < 4:
            continue
        powers = powers_of_others(sheet.steps, sheet.layout)[0]
        powers[_blanks(sheet)] = 0  # one is ten times another by chance
        for run in range(sheet.layout.run_count):
            own = powers[sheet.layout.runs == run]
            if len(own) >= 3 and own[0] != 0 and (own == own[0]).all():
                text = (
                    f"The results of run {sheet.run_name(run)} of {_words(sheet)} are {_factor(own[0])} those of the "
                    "other runs: in which unit, or by which factor, were they entered?"
                )
                yield Asked(text, sheet.readings_of(sheet.layout.runs == run), sheet.worksheet)
                powers[sheet.layout.runs == run] = 0
        for row in np.flatnonzero(powers):
            text = (
                f"{sheet.names[row]} of {_words(sheet)} is {_factor(powers[row])} the other readings of its place: "
                "is a decimal point misplaced?"
            )
            yield Asked(text, (sheet.names[row],), sheet.worksheet)


def _blanks(sheet: Sheet) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """The readings of blanks, those after a high sample among them, whose level is that of the sample."""
    table = sheet.data.table
    zero = table["level"].to_numpy(dtype=float) == 0 if sheet.data.numeric_levels else np.zeros(len(table), dtype=bool)
    after = table["position"].astype(str) != "high" if sheet.data.name == "carry_over" else zero
    return zero | np.asarray(after, dtype=bool)


def _factor(power: int) -> str:
    return f"{10 ** abs(int(power))} times" if power > 0 else f"1/{10 ** abs(int(power))} of"


def one_sided_exclusions(raw: Raw) -> Iterator[Asked]:
    """Excluded readings that all lay above, or all below, what is left at their place."""
    signs: dict[str, list[tuple[str, bool]]] = {}
    for data in raw.experiments:
        excluded = [reading for reading in data.readings if reading.status == "excluded"]
        if not excluded or "level" not in data.table or not data.numeric_levels:
            continue
        column = "response" if "response" in data.table else "result"
        means = dict(data.table.groupby("level")[column].mean()) if column in data.table else {}
        for reading in excluded:
            try:
                level, value = (float(reading.values[name].replace(",", ".")) for name in ("level", column))
                signs.setdefault(data.worksheet, []).append((reading.reading, value > means[level]))
            except (KeyError, ValueError):
                continue
    for file, sides in signs.items():
        alike = len({above for _, above in sides}) == 1
        if alike and one_sided_chance(len(sides)) * max(1, len(signs)) < RATE:
            where = "above" if sides[0][1] else "below"
            text = f"All {len(sides)} excluded readings lay {where} the mean of what is left: how were they chosen?"
            yield Asked(text, tuple(name for name, _ in sides), file)


CHANCE_RULES: tuple[Rule, ...] = (
    Rule("same run", "Two runs that agree throughout are seldom two runs.", RATE, same_runs),
    Rule("regular run", "Replicates of one vial, or written from memory, scatter too little.", RATE, regular_runs),
    Rule("on the assigned value", "Assigned values written as results hide the bias.", RATE, on_assigned),
    Rule("last digits", "Who rounds to 0 and 5 loses what s_r at the low end is made of.", RATE, last_digits),
    Rule("zero blanks", "Blanks that were cut off, or not read, give too low a detection limit.", RATE, blanks_zero),
    Rule("sorted run", "In a run sorted by level, drift and curvature look alike.", RATE, sorted_runs),
    Rule("power of ten", "A slip of the decimal point or of the unit weighs more than all scatter.", RATE, unit_slips),
    Rule("exclusions on one side", "Exclusions on one side move every mean.", RATE, one_sided_exclusions),
)
