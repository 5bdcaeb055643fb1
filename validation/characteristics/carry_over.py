"""Carry-over: what a high sample leaves in the next vial, from planned triples and from the order of the runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cached_property, lru_cache

import numpy as np

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._allowed import allowed
from validation.characteristics._censored import left_out, why_not
from validation.characteristics._run_order import RunOrder, run_order
from validation.figures.carry_over import Blank, CarryOverView, MeanResidual, RunOrderShare, SettingBlanks
from validation.stats import outliers
from validation.stats.carry_over import carry_over_effect, carry_over_reach, carry_over_share
from validation.stats.estimate import Estimate, Number, mean
from validation.stats.two_means import welch_difference
from validation.stats.within_cells import POWER, WithinCellsResult, within_cells
from validation.study.experiments import EXPERIMENTS
from validation.study.model import ExperimentData, Study
from validation.study.quantity import Cell, Display, Evaluation, Flag, Quantity, Table
from validation.words import counted, fixed, level_text, places_for, sentence_list, significant, with_interval

NAME = "carry_over"
POSITIONS = ("high", "blank 1", "blank 2")
ALL = "all"
BASELINE = (
    "Blank 2 is the baseline of its triple: carry-over that lasts two vials is part of it and does not show in the "
    "effect; blank 2 is therefore held against blanks of other days where the study has them."
)
NO_ORDER = "No other worksheet states run and order so that carry-over could be looked for in the order."
#: A share of the previous result that an order of runs must be able to show, to be drawn and spoken of.
TELLING = 0.05
#: Experiments whose order of measurement is looked at a second time.
ORDERED = tuple(name for name, record in EXPERIMENTS.items() if record.traits.ordered)


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

    @cached_property
    def high(self) -> float:
        """Mean result of the high samples."""
        return mean(self.column(0))

    @property
    def readings(self) -> list[str]:
        rows = [row for triple in self.triples for row in triple.rows]
        return [self.data.identifiers[row] for row in rows]

    def quantity(
        self, study: Study, key: str, estimate: Estimate, unit: str, readings: Sequence[str], unit_name: str = "triples"
    ) -> Quantity:
        """The estimate with its place in the study."""
        return Quantity(
            key=f"{NAME}.{key}",
            at=self.name,
            estimate=estimate.with_notes(*left_out(self.censored, where="at this setting")),
            level=study.confidence,
            unit=unit,
            worksheet=self.data.worksheet,
            readings=tuple(readings),
            unit_name=unit_name,
            censored=self.censored,
        )


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
    blanks, blank_notes = _other_blanks(study)
    orders = [order for name in ORDERED if (order := _order_share(study, name)) is not None]
    quantities = [q for setting in settings for q in _quantities(setting, study, blanks)]
    flags = tuple(flag for setting in settings for flag in _flags(setting))

    def show() -> Display:
        views = tuple(_order_view(order, study.confidence) for order in orders)
        view = CarryOverView(tuple(_blanks_view(setting, study, quantities) for setting in settings), views)
        others = () if blanks is None else (_blanks_table(settings, blanks, quantities),)
        return Display(tables=(_triples_table(settings), *others, *_order_table(orders, views)), view=view)

    own_notes = (
        *(*data.notes, *notes, *_order_notes(data, settings), BASELINE),
        *(() if orders else (NO_ORDER,)),
        *blank_notes,
    )
    return Evaluation(NAME, (*quantities, *(order.share for order in orders)), flags, own_notes, show=show)


# Triples ------------------------------------------------------------------------------------------------------------


def _settings(data: ExperimentData) -> tuple[list[Setting], list[str]]:
    """The complete triples by setting, in order of appearance, and a note on those left out."""
    table = data.table
    names = [str(name) for name in table["setting"]] if "setting" in table else [ALL] * len(table)
    rows_at: dict[str, dict[str, dict[str, list[int]]]] = {}
    for row, (name, sequence, position) in enumerate(zip(names, table["sequence"], table["position"], strict=True)):
        rows_at.setdefault(name, {}).setdefault(str(sequence), {}).setdefault(str(position), []).append(row)
    settings, left_out = [], []
    for name, sequences in rows_at.items():
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
    """Effect, share and reach of one setting, and its blank 2 against other blanks."""
    high, first, second = (setting.column(position) for position in range(3))
    readings = setting.readings
    effect = carry_over_effect(first, second)
    quantities = [setting.quantity(study, "effect", effect, study.unit, [r for i, r in enumerate(readings) if i % 3])]
    share = carry_over_share(high, first, second)
    if share is not None:
        quantities.append(setting.quantity(study, "share", share, "1", readings))
        reach = _reach(setting, study, share)
        quantities += [] if reach is None else [reach]
    if blanks is not None:
        difference = welch_difference(second, blanks.values)
        estimate = replace(difference, n=len(second) + len(blanks.readings))
        both = [*readings[2::3], *blanks.readings]
        q = setting.quantity(study, "second_blank", estimate, study.unit, both, "blanks")
        quantities.append(q.with_notes(*blanks.notes))
    return quantities


def _allowed_effect(study: Study, setting: str) -> float | None:
    """The smallest effect that the plan allows at a setting; None where it sets no limit."""
    limits = [allowed(study, f"{NAME}.effect", setting, rule=rule) for rule in ("upper bound", "equivalence")]
    return min((limit for limit in limits if limit is not None), default=None)


def _reach(setting: Setting, study: Study, share: Estimate) -> Quantity | None:
    """After which samples the allowed effect is kept; None where the plan allows none or the share has no bound."""
    limit = _allowed_effect(study, setting.name)
    if limit is None or not limit > 0 or not setting.high > 0:
        return None
    result = carry_over_reach(share, limit, setting.high, one_sided=study.confidence)
    if result is None:
        return None
    bound = f"one-sided {100 * study.confidence:g} % bound of the share"
    effect = f"the allowed effect of {level_text(limit)} {study.unit}"
    note = (
        f"The {bound} keeps {effect} up to the mean of the high samples: higher ones were not tested."
        if result.capped
        else f"The sample after which the {bound} meets {effect}, carry-over taken as proportional to the sample."
    )
    q = setting.quantity(study, "reach", result.reach.with_notes(note), study.unit, setting.readings)
    return replace(q, judged=False)


def _flags(setting: Setting) -> list[Flag]:
    """Grubbs' test on the differences of the blanks; it points at the first blank of the triple."""
    if len(setting.triples) < 3:
        return []
    differences = [a - b for a, b in zip(setting.column(1), setting.column(2), strict=True)]
    test = outliers.grubbs_single(differences, alpha=0.05)
    if not test.exceeded:
        return []
    triple = setting.triples[test.index]
    return [
        Flag(
            reading=setting.data.identifiers[triple.rows[1]],
            test="Grubbs, difference of the blanks",
            statistic=test.statistic,
            critical=test.critical,
            reason=f"Blank 1 minus blank 2 of triple {triple.sequence} lies apart from that of the other triples.",
            at=setting.name,
            worksheet=setting.data.worksheet,
        )
    ]


# Blank 2 against blanks of other days -------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Blanks:
    """Blanks of the detection experiment: means of runs where runs are stated, else readings."""

    values: list[Number]
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
    values: list[Number] = [*data.decimals("result", rows)]
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
class _OrderShare:
    """The share of the previous result that shows in the next one, with the fit behind it."""

    share: Quantity
    order: RunOrder
    fit: WithinCellsResult
    rows: tuple[int, ...]


def _order_share(study: Study, experiment: str) -> _OrderShare | None:
    """None where order or readings do not tell."""
    data = study.ready(experiment)
    order = None if data is None else run_order(data)
    fit = None if order is None or not order.paired else _fit(order)
    if data is None or order is None or fit is None:
        return None
    rows = tuple(order.paired[int(position)] for position in fit.positions)
    notes = [*left_out(len(data.censored), where=f"of {data.worksheet}")]
    if order.gaps:
        verb, whose = ("was", "its") if order.gaps == 1 else ("were", "their")
        notes.insert(
            0,
            f"In {experiment} {counted(order.gaps, 'result')} {verb} left out because {whose} predecessor is not in "
            "the worksheet.",
        )
    share = Quantity(
        key=f"{NAME}.order_share",
        at=experiment,
        estimate=fit.slope.with_notes(*notes),
        level=study.confidence,
        unit="1",
        worksheet=data.worksheet,
        readings=tuple(data.identifiers[row] for row in rows),
        censored=len(data.censored),
    )
    return _OrderShare(share, order, fit, rows)


@lru_cache(maxsize=16)
def _fit(order: RunOrder) -> WithinCellsResult | None:
    rows = order.paired
    before = [float(order.values[order.previous[row] or 0]) for row in rows]
    cells, places = [order.cells[row] for row in rows], [order.places[row] for row in rows]
    return within_cells([order.values[row] for row in rows], before, cells, places)


def _order_view(of: _OrderShare, confidence: float) -> RunOrderShare:
    residuals = of.fit.deviations / np.where(of.fit.scatter > 0, of.fit.scatter, 1.0)
    before = [int(of.order.previous[row] or 0) for row in of.rows]
    places = np.array([of.order.places[row] for row in before])
    detectable = of.fit.detectable(alpha=1 - confidence)
    response = "response" in of.order.data.exact
    return RunOrderShare(
        share=of.share,
        unit=str(of.order.data.settings.get("response_unit", "response units")) if response else None,
        detectable=detectable,
        telling=detectable is not None and detectable <= TELLING,
        points=tuple((float(of.order.values[b]), float(r)) for b, r in zip(before, residuals, strict=True)),
        means=tuple(_mean_residual(place, residuals[places == place]) for place in _frequent(places)),
    )


def _frequent(places: np.ndarray) -> list[float]:
    """Materials that came before three results or more."""
    values, counts = np.unique(places, return_counts=True)
    return [float(place) for place in values[counts >= 3]]


def _mean_residual(place: float, residuals: np.ndarray) -> MeanResidual:
    return MeanResidual(place, float(residuals.mean()), float(residuals.std(ddof=1)) / len(residuals) ** 0.5)


# What the chapter shows ---------------------------------------------------------------------------------------------


def _blanks_view(setting: Setting, study: Study, quantities: Sequence[Quantity]) -> SettingBlanks:
    table = setting.data.table
    names, lines, results = (table[column] for column in ("reading", "line", "result"))

    def blank(row: int) -> Blank:
        return Blank(str(names.iloc[row]), int(lines.iloc[row]), float(results.iloc[row]))

    return SettingBlanks(
        setting=setting.name,
        effect=next(q for q in quantities if q.key == f"{NAME}.effect" and q.at == setting.name),
        triples=tuple((blank(triple.rows[1]), blank(triple.rows[2])) for triple in setting.triples),
        high=setting.high,
        second=mean(setting.column(2)),
        allowed=_allowed_effect(study, setting.name),
    )


def _triples_table(settings: Sequence[Setting]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for setting in settings:
        columns = [[float(value) for value in setting.column(position)] for position in range(3)]
        for triple, high, first, second in zip(setting.triples, *columns, strict=True):
            rows.append((setting.name, triple.sequence, high, first, second, first - second))
    head = ("setting", "triple", "high", "blank 1", "blank 2", "blank 1 - blank 2")
    return Table("triples", "Triples", head, tuple(rows))


def _blanks_table(settings: Sequence[Setting], blanks: _Blanks, quantities: Sequence[Quantity]) -> Table:
    there = mean(blanks.values)
    differences = {q.at: q for q in quantities if q.key == f"{NAME}.second_blank"}
    rows: list[tuple[Cell, ...]] = []
    for setting in settings:
        q = differences[setting.name]
        rows.append((setting.name, mean(setting.column(2)), there, q.value, *(q.interval or (None, None))))
    head = ("setting", "mean blank 2", "mean of other blanks", "difference", "from", "to")
    caption = f"Blank 2 against the blanks of the detection experiment ({blanks.matrix})"
    return Table("second blanks", caption, head, tuple(rows))


def _order_table(orders: Sequence[_OrderShare], views: Sequence[RunOrderShare]) -> tuple[Table, ...]:
    if not orders:
        return ()
    rows: list[tuple[Cell, ...]] = []
    for of, view in zip(orders, views, strict=True):
        q = of.share
        rows.append((q.at, len(of.rows), of.fit.cells, q.value, *(q.interval or (None, None)), view.detectable))
    head = ("experiment", "pairs", "means taken away", "share", "from", "to", "share that would have been seen")
    caption = "The previous result as a covariate, from the order of the runs"
    return (Table("order", caption, head, tuple(rows)),)


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """Effect and reach at each setting, and what the order of the runs tells, in sentences."""
    view: CarryOverView = evaluation.display.view
    of = "" if unit == "1" else f" {unit}"
    return [*(_setting_words(at, evaluation, of) for at in view.settings), *_order_in_words(view.order)]


def _setting_words(at: SettingBlanks, evaluation: Evaluation, of: str) -> str:
    name, effect = at.setting, at.effect
    value, interval = with_interval(effect.value, effect.interval)
    sure = f"from {interval} with {100 * effect.confidence:g} % confidence" if effect.confidence else "no interval"
    start = "Blank 1" if name == ALL else f"At {name} blank 1"
    triples = "one triple" if len(at.triples) == 1 else f"{len(at.triples)} triples"
    share = evaluation.get(f"{NAME}.share", name)
    part = "." if share is None else f", {_percent(share)} of the high result."
    sentence = f"{start} minus blank 2 is {value}{of} ({sure}, {triples}){part}"
    other = evaluation.get(f"{NAME}.second_blank", name)
    if other is not None:
        value, interval = with_interval(other.value, other.interval)
        ends = f" (from {interval})" if interval else ""
        sentence += f" Blank 2 itself differs from the blanks of the detection experiment by {value}{of}{ends}."
    return sentence + _reach_words(at, share, evaluation.get(f"{NAME}.reach", name), of)


def _reach_words(at: SettingBlanks, share: Quantity | None, reach: Quantity | None, of: str) -> str:
    """After which results the allowed effect would be passed; nothing where no sample so high was read."""
    if at.allowed is None or share is None or share.judged_interval is None or reach is None:
        return ""
    if not share.value > 0 or reach.value >= at.high:
        return ""
    bound = significant(100 * share.judged_interval[1], 2)
    middle, least = significant(at.allowed / share.value, 2), significant(reach.value, 2)
    return (
        f" In proportion to the result before, the allowed {level_text(at.allowed)}{of} is passed after results above "
        f"about {middle}{of}; by the upper bound of the share, {bound} %, above {least}{of}."
    )


def _order_in_words(orders: Sequence[RunOrderShare]) -> list[str]:
    """One sentence on the orders that could have shown a share, one on those that could not."""
    telling, silent = ([order for order in orders if order.telling is clear] for clear in (True, False))
    sentences = []
    if telling:
        names = sentence_list([order.experiment for order in telling])
        sizes = sentence_list([f"{significant(100 * (order.detectable or 0.0), 2)} %" for order in telling])
        clear = [order.experiment for order in telling if _excludes_zero(order.share)]
        seen = f"that of {sentence_list(clear)} shows one" if clear else "none differs clearly from zero"
        sentences.append(
            f"The order of {names} would have shown a share of {sizes} of the previous result in the next one with a "
            f"probability of {100 * POWER:.0f} %; {seen} (see the table)."
        )
    if silent:
        names = sentence_list([order.experiment for order in silent])
        least = [f"{significant(100 * o.detectable, 2)} %" for o in silent if o.detectable is not None]
        only = f"nothing below {sentence_list(least)}" if len(least) == len(silent) else "no share of a stated size"
        sentences.append(
            f"The order of {names} could have shown {only}: "
            f"it says little about carry-over{' and is not drawn' if telling else ''}."
        )
    return sentences


def _excludes_zero(q: Quantity) -> bool:
    return q.interval is not None and not q.interval[0] <= 0 <= q.interval[1]


def _percent(q: Quantity) -> str:
    """A share with its interval, in per cent."""
    value = 100 * q.value
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
        "The share relates the effect to the mean high result; its interval is Fieller's, over the triples. Where the "
        "plan allows an effect, the reach is the sample after which the upper bound of the share just keeps it.",
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
            f"{NAME}.reach",
            "highest sample after which the next result stays within the allowed effect",
            "h",
            "h = allowed effect / one-sided upper bound of k, no higher than the mean high result",
            "common practice: carry-over in proportion to the sample before",
            "label",
            "study",
            (),
            None,
            ("one-sided t test of d - k h at the bound (scipy.stats.ttest_1samp)",),
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
