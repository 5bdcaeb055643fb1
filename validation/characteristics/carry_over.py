"""Carry-over: what a high sample leaves in the next vial, from planned triples and from the order of the runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

import numpy as np

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._allowed import allowed
from validation.characteristics._censored import why_not
from validation.characteristics._run_order import RunOrder, run_order
from validation.stats import outliers
from validation.stats.carry_over import carry_over_effect, carry_over_share
from validation.stats.estimate import mean
from validation.stats.two_means import welch_difference
from validation.stats.within_cells import POWER, WithinCellsResult, within_cells
from validation.study.model import ExperimentData, Study
from validation.study.quantity import Evaluation, Flag, Quantity
from validation.words import fixed, level_text, places_for, sentence_list, significant, with_interval

NAME = "carry_over"
POSITIONS = ("high", "blank 1", "blank 2")
ALL = "all"
BASELINE = (
    "Blank 2 is the baseline of its triple: carry-over that lasts two vials is part of it and does not show in the "
    "effect; blank 2 is therefore held against blanks of other days where the study has them."
)
#: A share of the previous result that an order of runs must be able to show, to be drawn and spoken of.
TELLING = 0.05
#: Experiments whose order of measurement is looked at a second time.
ORDERED = ("calibration", "precision", "reproducibility", "detection", "matrix", "fuel", "lots")


@dataclass(frozen=True)
class Triple:
    """High, blank 1, blank 2 of one sequence, as positions in the table."""

    sequence: str
    rows: tuple[int, int, int]


@dataclass(frozen=True)
class Setting:
    """The complete triples of one setting, such as one purge time."""

    name: str
    triples: tuple[Triple, ...]
    data: ExperimentData
    censored: int

    def column(self, position: int) -> list[Decimal]:
        """The results at one position, triple by triple."""
        return self.data.decimals("result", [triple.rows[position] for triple in self.triples])

    @property
    def readings(self) -> list[str]:
        rows = [row for triple in self.triples for row in triple.rows]
        return [str(self.data.table["reading"].iloc[row]) for row in rows]


def evaluate(study: Study) -> Evaluation:
    """Effect and share at each setting, blank 2 against other blanks, and the share seen in the order of the runs."""
    data = study.ready(NAME)
    if data is None:
        return Evaluation(
            NAME, missing=why_not(study, NAME, "triples high, blank 1, blank 2 (sequence, position and result)")
        )
    settings, notes = _settings(data)
    if not settings:
        missing = "No triple of high, blank 1 and blank 2 is complete: nothing can be estimated. " + " ".join(notes)
        return Evaluation(NAME, missing=missing.strip())
    said = [*data.notes, *notes, *_order_notes(data, settings), BASELINE]
    blanks, blank_notes = _other_blanks(study)
    quantities = [q for setting in settings for q in _quantities(setting, study, blanks)]
    flags = [flag for setting in settings for flag in _flags(setting)]
    seconds = [view for name in ORDERED if (view := _second_view(study, name)) is not None]
    quantities += [view.quantity for view in seconds]
    if not seconds:
        said.append("No other worksheet states run and order so that carry-over could be looked for in the order.")
    said += blank_notes
    details: dict[str, Any] = {"settings": [_shown(s, study, quantities) for s in settings]}
    details["order"] = [view.shown for view in seconds]
    details["tables"] = [] if study.looked_at_otherwise else _tables(settings, blanks, seconds, quantities)
    return Evaluation(NAME, tuple(quantities), tuple(flags), tuple(dict.fromkeys(said)), details=details)


# Triples ------------------------------------------------------------------------------------------------------------


def _settings(data: ExperimentData) -> tuple[list[Setting], list[str]]:
    """The complete triples by setting, in order of appearance; what is left out is told."""
    table = data.table
    names = [str(name) for name in table["setting"]] if "setting" in table else [ALL] * len(table)
    found: dict[str, dict[str, dict[str, list[int]]]] = {}
    for row, (name, sequence, position) in enumerate(zip(names, table["sequence"], table["position"], strict=True)):
        found.setdefault(name, {}).setdefault(str(sequence), {}).setdefault(str(position), []).append(row)
    settings, left_out = [], []
    for name, sequences in found.items():
        triples = []
        for sequence, rows in sequences.items():
            if all(len(rows.get(position, [])) == 1 for position in POSITIONS):
                high, first, second = (rows[position][0] for position in POSITIONS)
                triples.append(Triple(sequence, (high, first, second)))
            else:
                left_out.append(sequence if name == ALL else f"{sequence} ({name})")
        if triples:
            settings.append(Setting(name, tuple(triples), data, _censored(data, name)))
    notes = []
    if left_out:
        verb = "is" if len(left_out) == 1 else "are"
        notes.append(
            f"{sentence_list(left_out)} {verb} left out: a triple needs one high, one blank 1 and one blank 2 with a "
            "result."
        )
    return settings, notes


def _censored(data: ExperimentData, setting: str) -> int:
    return len(data.censored) if setting == ALL else data.censored_at("setting", setting)


def _order_notes(data: ExperimentData, settings: Sequence[Setting]) -> list[str]:
    """Runs, and whether the three vials of each triple followed one another."""
    table, notes = data.table, []
    if "run" in table:
        runs = table["run"].iloc[[row for s in settings for t in s.triples for row in t.rows]].nunique()
        across = [t.sequence for s in settings for t in s.triples if table["run"].iloc[list(t.rows)].nunique() > 1]
        count = "one run" if runs == 1 else f"{runs} runs"
        notes.append(
            f"The triples come from {count}. What a run adds to both blanks of a triple cancels in their difference: "
            "the triple is the unit."
        )
        if across:
            notes.append(f"The vials of {sentence_list(across)} come from several runs, whose errors do not cancel.")
    if "order" not in table:
        return [
            *notes,
            "The worksheet has no order column: that the vials of a triple followed one another is not shown.",
        ]
    apart = []
    for setting in settings:
        for triple in setting.triples:
            try:
                high, first, second = (float(table["order"].iloc[row]) for row in triple.rows)
            except ValueError:
                apart.append(triple.sequence)
                continue
            if (first - high, second - first) != (1.0, 1.0):
                apart.append(triple.sequence)
    if apart:
        notes.append(f"The vials of {sentence_list(apart)} did not follow one another directly, as the order tells.")
    return notes


def _quantities(setting: Setting, study: Study, blanks: _Blanks | None) -> list[Quantity]:
    high, first, second = (setting.column(position) for position in range(3))
    levels = (study.confidence, study.judged_confidence)
    effect, judged = (carry_over_effect(first, second, confidence=level) for level in levels)
    share, judged_share = (carry_over_share(high, first, second, confidence=level) for level in levels)
    common: dict[str, Any] = {"worksheet": setting.data.worksheet, "unit_name": "triples", "censored": setting.censored}
    notes = [f"{setting.censored} censored reading(s) at this setting were left out."] if setting.censored else []
    readings = setting.readings
    blanks_only = [reading for place, reading in enumerate(readings) if place % 3]
    made = [
        Quantity.from_estimate(
            f"{NAME}.effect",
            setting.name,
            effect,
            unit=study.unit,
            readings=blanks_only,
            judged=judged,
            notes=notes,
            **common,
        )
    ]
    if share is not None:
        made.append(
            Quantity.from_estimate(
                f"{NAME}.share",
                setting.name,
                share,
                unit="1",
                readings=readings,
                judged=judged_share,
                notes=notes,
                **common,
            )
        )
    if blanks is None:
        return made
    second_blank, judged_blank = (welch_difference(second, blanks.values, confidence=level) for level in levels)
    made.append(
        Quantity.from_estimate(
            f"{NAME}.second_blank",
            setting.name,
            replace(second_blank, n=len(second) + len(blanks.readings)),
            unit=study.unit,
            readings=[*readings[2::3], *blanks.readings],
            judged=judged_blank,
            notes=[*notes, *blanks.notes],
            **{**common, "unit_name": "blanks"},
        )
    )
    return made


def _flags(setting: Setting) -> list[Flag]:
    """Grubbs' test on the differences of the blanks; it points at the first blank of the triple."""
    if len(setting.triples) < 3:
        return []
    differences = [a - b for a, b in zip(setting.column(1), setting.column(2), strict=True)]
    found = outliers.grubbs_single(differences, alpha=0.05)
    if not found.exceeded:
        return []
    triple = setting.triples[found.index]
    return [
        Flag(
            reading=str(setting.data.table["reading"].iloc[triple.rows[1]]),
            test="Grubbs, difference of the blanks",
            statistic=found.statistic,
            critical=found.critical,
            reason=f"Blank 1 minus blank 2 of triple {triple.sequence} lies apart from that of the other triples.",
            at=setting.name,
            worksheet=setting.data.worksheet,
        )
    ]


# Blank 2 against blanks of other days -------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Blanks:
    """Blanks of the detection experiment: means of runs where runs are stated, else readings."""

    values: list[Any]
    readings: list[str]
    matrix: str
    notes: tuple[str, ...]


def _other_blanks(study: Study) -> tuple[_Blanks | None, list[str]]:
    data = study.ready("detection")
    if data is None:
        return None, ["The study has no detection experiment: blank 2 cannot be held against other blanks."]
    table = data.table
    rows = [row for row in range(len(table)) if "level" not in table or table["level"].iloc[row] == 0]
    matrix = "matrix not stated"
    if "matrix" in table:
        matrix = str(data.settings.get("matrix", "new oil"))
        rows = [row for row in rows if str(table["matrix"].iloc[row]) == matrix]
    if len(rows) < 2:
        return None, [f"The detection experiment holds no blanks ({matrix}) to hold blank 2 against."]
    values: list[Any] = data.decimals("result", rows)
    note = "blank 2 of the triples shares the error of few runs, which this interval does not contain."
    if "run" in table and table["run"].iloc[rows].nunique() > 1:
        runs = [str(run) for run in table["run"].iloc[rows]]
        values = [mean([v for v, r in zip(values, runs, strict=True) if r == run]) for run in dict.fromkeys(runs)]
        note = f"The {len(rows)} blanks of the detection experiment count as {len(values)} means of runs; {note}"
    else:
        note = note.capitalize()
    readings = [str(reading) for reading in table["reading"].iloc[rows]]
    return _Blanks(values, readings, matrix, (note,)), []


# The order of the runs ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _SecondView:
    quantity: Quantity
    shown: dict[str, Any]
    row: list[Any]


def _second_view(study: Study, experiment: str) -> _SecondView | None:
    """The share of the previous result that shows in the next one; None where order or readings do not tell."""
    data = study.ready(experiment)
    order = None if data is None else run_order(data)
    if order is None or not order.paired:
        return None
    found = _within(order)
    if found is None:
        return None
    data = order.data
    seen = found.detectable(alpha=1 - study.confidence)
    rows = [order.paired[int(position)] for position in found.positions]
    notes = []
    if order.gaps:
        notes.append(
            f"In {experiment} {order.gaps} result(s) were left out because their predecessor is not in the worksheet."
        )
    censored = len(data.censored)
    if censored:
        notes.append(f"{censored} censored reading(s) of {data.worksheet} were left out.")
    quantity = Quantity(
        key=f"{NAME}.order_share",
        at=experiment,
        estimate=found.slope.with_notes(*notes),
        level=study.confidence,
        unit="1",
        worksheet=data.worksheet,
        readings=tuple(str(data.table["reading"].iloc[row]) for row in rows),
        censored=censored,
    )
    shown = _shown_order(order, found, rows, experiment, seen, quantity)
    return _SecondView(
        quantity,
        shown,
        [experiment, len(rows), found.cells, found.slope.value, *(quantity.interval or (None, None)), seen],
    )


def _within(order: RunOrder) -> WithinCellsResult | None:
    rows = order.paired
    before = [float(order.values[order.previous[row] or 0]) for row in rows]
    cells, places = [order.cells[row] for row in rows], [order.places[row] for row in rows]
    return within_cells([order.values[row] for row in rows], before, cells, places)


def _shown_order(
    order: RunOrder,
    found: WithinCellsResult,
    rows: Sequence[int],
    experiment: str,
    seen: float | None,
    quantity: Quantity,
) -> dict[str, Any]:
    scatter = np.where(found.scatter > 0, found.scatter, 1.0)
    residuals = found.deviations / scatter
    before = [int(order.previous[row] or 0) for row in rows]
    points = [
        {"previous": float(order.values[b]), "place": order.places[b], "residual": float(residual)}
        for b, residual in zip(before, residuals, strict=True)
    ]
    response = "response" in order.data.exact
    return {
        "experiment": experiment,
        "unit": str(order.data.settings.get("response_unit", "response units")) if response else None,
        "share": found.slope.value,
        "interval": None if quantity.interval is None else list(quantity.interval),
        "detectable": seen,
        "telling": seen is not None and seen <= TELLING,
        "points": points,
        "means": _means(points),
    }


def _means(points: Sequence[Mapping[str, float]]) -> list[dict[str, float]]:
    """Mean residual after each material, with its standard error, where it came before three results or more."""
    found = []
    for place in sorted({point["place"] for point in points}):
        residuals = np.array([point["residual"] for point in points if point["place"] == place])
        if len(residuals) >= 3:
            error = float(residuals.std(ddof=1)) / len(residuals) ** 0.5
            found.append({"previous": place, "mean": float(residuals.mean()), "error": error})
    return found


# What the chapter shows ---------------------------------------------------------------------------------------------


def _shown(setting: Setting, study: Study, quantities: Sequence[Quantity]) -> dict[str, Any]:
    table = setting.data.table
    effect = next(q for q in quantities if q.key == f"{NAME}.effect" and q.at == setting.name)
    triples = [
        {
            "sequence": triple.sequence,
            "results": [float(table["result"].iloc[row]) for row in triple.rows],
            "lines": [int(table["line"].iloc[row]) for row in triple.rows],
            "readings": [str(table["reading"].iloc[row]) for row in triple.rows],
        }
        for triple in setting.triples
    ]
    interval = None if effect.interval is None else list(effect.interval)
    return {
        "setting": setting.name,
        "effect": effect.value,
        "interval": interval,
        "high": mean(setting.column(0)),
        "second": mean(setting.column(2)),
        "allowed": allowed(study, f"{NAME}.effect", setting.name, rule="upper bound"),
        "triples": triples,
    }


def _tables(
    settings: Sequence[Setting], blanks: _Blanks | None, seconds: Sequence[_SecondView], quantities: Sequence[Quantity]
) -> list[dict[str, Any]]:
    rows: list[list[Any]] = []
    for setting in settings:
        columns = [[float(value) for value in setting.column(position)] for position in range(3)]
        for triple, high, first, second in zip(setting.triples, *columns, strict=True):
            rows.append([setting.name, triple.sequence, high, first, second, first - second])
    head = ["setting", "triple", "high", "blank 1", "blank 2", "blank 1 - blank 2"]
    tables = [{"caption": "Triples", "head": head, "rows": rows}]
    if blanks is not None:
        there = mean(blanks.values)
        found = {q.at: q for q in quantities if q.key == f"{NAME}.second_blank"}
        rows = [
            [s.name, mean(s.column(2)), there, *((q.value, *(q.interval or (None, None))) if q else (None, None, None))]
            for s in settings
            for q in (found.get(s.name),)
        ]
        head = ["setting", "mean blank 2", "mean of other blanks", "difference", "from", "to"]
        caption = f"Blank 2 against the blanks of the detection experiment ({blanks.matrix})"
        tables.append({"caption": caption, "head": head, "rows": rows})
    if seconds:
        head = ["experiment", "pairs", "means taken away", "share", "from", "to", "share that would have been seen"]
        caption = "The previous result as a covariate, from the order of the runs"
        tables.append({"caption": caption, "head": head, "rows": [view.row for view in seconds]})
    return tables


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    if evaluation.missing:
        return [evaluation.missing]
    of = "" if unit == "1" else f" {unit}"
    sentences = []
    for entry in evaluation.details["settings"]:
        name = entry["setting"]
        effect = evaluation.get(f"{NAME}.effect", name)
        if effect is None or effect.value is None:
            continue
        value, interval = with_interval(effect.value, effect.interval)
        sure = f"from {interval} with {100 * effect.confidence:g} % confidence" if effect.confidence else "no interval"
        place = "" if name == ALL else f"At {name} "
        count = len(entry["triples"])
        triples = "one triple" if count == 1 else f"{count} triples"
        said = f"{place}{'b' if place else 'B'}lank 1 minus blank 2 is {value}{of} ({sure}, {triples})"
        share = evaluation.get(f"{NAME}.share", name)
        said += f", {_percent(share)} of the high result." if share is not None and share.value is not None else "."
        other = evaluation.get(f"{NAME}.second_blank", name)
        if other is not None and other.value is not None:
            value, interval = with_interval(other.value, other.interval)
            reach = f" (from {interval})" if interval else ""
            said += f" Blank 2 itself differs from the blanks of the detection experiment by {value}{of}{reach}."
        sentences.append(said + _needed_from(entry, share, of))
    return [*sentences, *_order_in_words(evaluation.details["order"])]


def _needed_from(entry: Mapping[str, Any], share: Quantity | None, of: str) -> str:
    """After which results the allowed effect would be passed, were carry-over in proportion to them."""
    if entry["allowed"] is None or share is None or share.value is None or share.judged_interval is None:
        return ""
    bound = share.judged_interval[1]
    if not share.value > 0 or not bound > 0 or entry["allowed"] / bound >= entry["high"]:
        return ""
    allowed = f"{level_text(entry['allowed'])}{of}"
    middle, least = (significant(entry["allowed"] / part, 2) for part in (share.value, bound))
    return (
        f" In proportion to the result before, the allowed {allowed} is passed after results above about {middle}{of}; "
        f"by the upper bound of the share, {significant(100 * bound, 2)} %, above {least}{of}."
    )


def _order_in_words(views: Sequence[Mapping[str, Any]]) -> list[str]:
    """One sentence on the orders that could have shown a share, one on those that could not."""
    telling, silent = ([view for view in views if view["telling"] is told] for told in (True, False))
    chance, said = f"{100 * POWER:.0f} %", []
    if telling:
        names = sentence_list([view["experiment"] for view in telling])
        sizes = sentence_list([f"{significant(100 * view['detectable'], 2)} %" for view in telling])
        clear = [v["experiment"] for v in telling if v["interval"] and not v["interval"][0] <= 0 <= v["interval"][1]]
        found = f"that of {sentence_list(clear)} shows one" if clear else "none is told from zero"
        said.append(
            f"The order of {names} would have shown a share of {sizes} of the previous result in the next one with a "
            f"probability of {chance}; {found} (see the table)."
        )
    if silent:
        names = sentence_list([view["experiment"] for view in silent])
        least = [f"{significant(100 * view['detectable'], 2)} %" for view in silent if view["detectable"] is not None]
        only = f"nothing below {sentence_list(least)}" if len(least) == len(silent) else "no share of a stated size"
        said.append(
            f"The order of {names} could have shown {only}: "
            f"it says little about carry-over{' and is not drawn' if telling else ''}."
        )
    return said


def _percent(q: Quantity) -> str:
    """A share with its interval, in per cent."""
    value = 100 * (q.value or 0.0)
    if q.interval is None:
        return f"{significant(value, 2)} %"
    low, high = (100 * end for end in q.interval)
    places = places_for((high - low) / 4)
    return f"{fixed(value, places)} % (from {fixed(low, places)} % to {fixed(high, places)} %)"


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Carry-over",
    position=110,
    experiment=NAME,
    also_reads=tuple(name for name in ORDERED if name != NAME),
    method=(
        "A high sample is followed by two blanks. The effect is the mean over triples of blank 1 minus blank 2: what "
        "run and oil add to both blanks cancels within the triple. Student's t with triples - 1 degrees of freedom.",
        "The share relates the effect to the mean high result; its interval is Fieller's, over the triples.",
        "Blank 2 is held against the new-oil blanks of the detection experiment, for carry-over that lasts two vials.",
        "Second view: wherever a worksheet states run and order, the result is regressed on the result before it, once "
        "the mean of each run and material is taken from both; weights 1/s(x)^2 from the scatter found there.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.effect",
            "mean of blank 1 minus blank 2 after a high sample",
            "d",
            "d = mean over triples of (b_1 - b_2), interval d +- t(n - 1) s_d/sqrt(n)",
            "IUPAC 1991, Pure Appl. Chem. 63, 301 (the term); paired Student t (common practice)",
            "label",
            "study",
            ("upper bound", "equivalence", "point"),
            None,
            ("scipy's paired t interval (scipy.stats.ttest_rel)", "R's t.test(paired = TRUE)"),
        ),
        KeyInfo(
            f"{NAME}.share",
            "carry-over as a share of the high result",
            "k",
            "k = d / mean high; Fieller's interval over triples",
            "Fieller 1954 (from memory)",
            "label",
            "1",
            ("upper bound", "equivalence", "point"),
            None,
            ("t test of d - k h at both ends of the interval (scipy.stats.ttest_1samp)",),
        ),
        KeyInfo(
            f"{NAME}.second_blank",
            "mean of blank 2 minus mean of the blanks of the detection experiment",
            "d_2",
            "d_2 = mean b_2 - mean of the run means of the other blanks, interval of Welch",
            "Welch 1947 (from memory)",
            "label",
            "study",
            (),
            None,
            ("scipy's Welch interval (scipy.stats.ttest_ind, equal_var=False)",),
        ),
        KeyInfo(
            f"{NAME}.order_share",
            "share of the previous result that shows in the next one, from the order of the runs",
            "c",
            "y = m_i + c y_previous, i the cell of run and material, weights 1/s(x)^2, t interval",
            "Draper and Smith 1998, chapters 9 and 23 (from memory)",
            "label",
            "1",
            ("upper bound", "equivalence", "point"),
            None,
            ("weighted least squares of statsmodels with one column a cell", "R's lm and confint"),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("triples", "previous_result"),
)
