"""Lot bridging: the response of each lot of a standard beside that of the reference lot, and their assigned values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from math import sqrt

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._allowed import allowed
from validation.characteristics._censored import left_out
from validation.characteristics._lines import not_ready, reference_name, without_reference, worksheet_notes
from validation.characteristics._other_methods import other_methods_table
from validation.figures.lots import FirstReadings, LotResponse, LotsView, OtherCount, RelativeReading
from validation.stats.estimate import Estimate, Number, exact_mean, mean
from validation.stats.intervals import Interval
from validation.stats.lots import normalised_difference
from validation.stats.outliers import grubbs_single
from validation.stats.two_means import half_width_to_expect, log_ratio, paired_ratio, pooled_relative_sd, welch_ratio
from validation.study.lot_values import lot_value, relative_covariance
from validation.study.model import ExperimentData, Study
from validation.study.ordering import natural_order
from validation.study.quantity import Cell, Display, Evaluation, Flag, Quantity, Table
from validation.words import fixed, places_for, sentence_list, significant, with_interval

NAME = "lots"
COLUMNS = "lot and result"
LOGARITHMS = "ratio by way of logarithms"
#: Readings a lot that a table compares: a quick look, and what a bridge takes.
COUNTS = (6, 12, 21, 32)
NO_LEVEL = (
    "The worksheet has no level column: all lots are taken to hold the same mass fraction, and results are compared as "
    "they are. With assigned values in `level`, each result is divided by its own."
)
NO_RUNS = (
    "The worksheet has no run column: the readings are taken as independent and interleaved in one run; nothing else "
    "would tell a lot from the hour it was read in."
)
NOT_TOGETHER = (
    "It was never read in the same run as the reference lot: what changes from run to run is part of the ratio, and "
    "the interval does not know of it."
)
ONE_SHARED = "It shares one run with the reference lot; the readings of that run are compared, the others left out."
ACROSS = "across the limit"
SHARED_SOURCES = (
    "What both assigned values share, such as one balance, is counted in both uncertainties: the lots may differ more, "
    "in units of what is not shared, than the number says."
)
NOT_A_NUMBER = "The assigned value of lot {lot} is not stated with its uncertainty under `standards`: {what}."


def evaluate(study: Study) -> Evaluation:
    """Response ratio of each lot to the reference lot, the chain of lots, and the assigned values side by side."""
    given = _given(study)
    if isinstance(given, Evaluation):
        return given
    lots, reference, notes = given
    others = [lot for lot in lots.names if lot != reference]
    assigned = {lot: _value_of(study, lot) for lot in (reference, *others)}
    note = _assigned_note(assigned)
    quantities: list[Quantity] = []
    for lot in others:
        bridge = _bridge(lots, lot, reference)
        quantities += [] if bridge is None else [_ratio_quantity(study, lots, bridge, bridge.ratio, lot, reference)]
        notes += [f"{reference} averages to zero: no ratio exists."] if bridge is None else []
        difference = _normalised(study, lots.data, assigned, lot, reference, note)
        if isinstance(difference, Quantity):
            quantities.append(difference)
        else:
            notes.append(difference)
    if not others:
        notes.append(
            f"There is one lot only, {reference}: readings of a second one in the same run would compare them."
        )

    def show() -> Display:
        counts = _other_counts(study, lots, reference)
        chain = _chain_table(study, lots, reference, quantities)
        tables = (chain, *_assigned_table(study, reference, quantities), *_counts_table(study, lots, counts))
        further = other_methods_table(quantities, alternatives(study))
        view = LotsView(reference, _responses(lots, quantities, reference), lots.relative_sd(), counts)
        return Display(notes=_levels_note(lots, assigned, reference), tables=(*tables, *further), view=view)

    return Evaluation(NAME, tuple(quantities), tuple(lots.flags()), tuple(notes), show=show)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The response ratios by way of logarithms."""
    given = _given(study)
    if isinstance(given, Evaluation):
        return {}
    lots, reference, _ = given
    quantities = []
    for lot in lots.names:
        bridge = None if lot == reference else _bridge(lots, lot, reference)
        ratio = None if bridge is None else log_ratio(bridge.top, bridge.bottom, paired=bridge.paired)
        if bridge is not None and ratio is not None:
            quantities.append(_ratio_quantity(study, lots, bridge, ratio, lot, reference))
    return {LOGARITHMS: quantities} if quantities else {}


def _given(study: Study) -> tuple[_Lots, str, list[str]] | Evaluation:
    """The lots, the reference lot and notes on both, or the evaluation that says why there is no comparison."""
    absent = not_ready(study, NAME, COLUMNS)
    if absent is not None:
        return absent
    data = study.experiments[NAME]
    lots = _Lots(data)
    reference, notes = reference_name(data, [lots.first, *lots.names], _in_use(study), "lots.in_use")
    if reference is None:
        return without_reference(NAME, data)
    return lots, reference, [*worksheet_notes(data), *notes, *lots.notes]


def _in_use(study: Study) -> str | None:
    stated = study.plan.lots.stated.get("in_use")
    return None if stated is None else str(stated)


class _Lots:
    """Rows by lot; `values` are the responses that are compared: results, over the assigned value where it is given."""

    def __init__(self, data: ExperimentData) -> None:
        self.data = data
        table = data.table
        self.of = [str(lot) for lot in table["lot"]]
        self.first = self.of[0]
        # Lots are numbered in the order they were made; the order of interleaved readings is that of chance.
        self.names = sorted(dict.fromkeys(self.of), key=natural_order)
        self.runs = table["run"].astype(str).tolist() if "run" in table else []
        self.by_run: dict[str, dict[str, list[int]]] = {lot: {} for lot in self.names}
        for row, (lot, run) in enumerate(zip(self.of, self.runs or [""] * len(self.of), strict=True)):
            self.by_run[lot].setdefault(run, []).append(row)
        results = data.decimals("result")
        levels = data.decimals("level") if data.numeric_levels else []
        self.share = bool(levels) and all(level > 0 for level in levels)
        self.values: list[Number] = [
            Fraction(result) / Fraction(levels[i]) if self.share else result for i, result in enumerate(results)
        ]
        self.notes: list[str] = [] if self.share else [NO_LEVEL]
        if levels and not self.share:
            self.notes = ["A level of zero or below stands in the worksheet: results are compared as they are."]
        if not self.runs:
            self.notes.append(NO_RUNS)

    def rows(self, lot: str, runs: Sequence[str] | None = None) -> list[int]:
        by_run = self.by_run.get(lot, {})
        return sorted(row for run in (by_run if runs is None else runs) for row in by_run.get(run, ()))

    def take(self, rows: Sequence[int]) -> list[Number]:
        return [self.values[row] for row in rows]

    def level(self, lot: str) -> tuple[float, bool]:
        """The level of a lot in the worksheet, and whether it is the same in every row."""
        levels = [float(level) for level in self.data.table["level"].iloc[self.rows(lot)]]
        return levels[0], len(set(levels)) == 1

    def readings(self, rows: Sequence[int]) -> list[str]:
        return [self.data.identifiers[row] for row in rows]

    def censored(self, *lots: str) -> int:
        return sum(reading.values.get("lot", "") in lots for reading in self.data.censored)

    def groups(self, lot: str) -> list[list[int]]:
        """Rows of a lot, run by run."""
        if not self.runs:
            return [self.rows(lot)]
        by_run = self.by_run[lot]
        return [by_run[run] for run in dict.fromkeys(self.runs) if run in by_run]

    def relative_sd(self) -> float | None:
        """Of one reading, within lot and run; None without replicates."""
        groups = [rows for lot in self.names for rows in self.groups(lot) if len(rows) > 1]
        return pooled_relative_sd([self.take(rows) for rows in groups]) if groups else None

    def flags(self) -> list[Flag]:
        """Grubbs' test in each lot and run: pointed at, kept."""
        groups = [(lot, rows) for lot in self.names for rows in self.groups(lot) if len(rows) >= 3]
        return [flag for lot, rows in groups if (flag := self._flag(lot, rows)) is not None]

    def _flag(self, lot: str, rows: Sequence[int]) -> Flag | None:
        test = grubbs_single(self.take(rows))
        if not test.exceeded:
            return None
        reason = (
            f"Among the {len(rows)} readings of {lot} this one lies furthest from the mean: "
            f"{significant(test.statistic)} standard deviations against the critical value "
            f"{significant(test.critical)} (5 %). It is kept."
        )
        name = self.readings([rows[test.index]])[0]
        return Flag(name, test.test, test.statistic, test.critical, True, reason, lot, self.data.worksheet)


@dataclass(frozen=True)
class _Bridge:
    """How a lot is compared with another: the values, paired by run or not, their rows, and the ratio of the means."""

    top: list[Number]
    bottom: list[Number]
    paired: bool
    rows: list[int]
    ratio: Estimate
    notes: tuple[str, ...] = ()

    @property
    def unit_name(self) -> str:
        return "runs" if self.paired else "pairs of readings"


def _bridge(lots: _Lots, lot: str, reference: str) -> _Bridge | None:
    """Paired by run where two runs or more hold both lots; else independent readings, of one run if it holds both.

    None where the reference averages to zero.
    """
    first, second = lots.rows(lot), lots.rows(reference)
    notes: tuple[str, ...] = ()
    if len(set(lots.runs)) > 1:
        shared = [run for run in dict.fromkeys(lots.runs) if lots.rows(lot, [run]) and lots.rows(reference, [run])]
        if len(shared) > 1:
            return _paired_bridge(lots, lot, reference, shared)
        notes = (ONE_SHARED,) if shared else (NOT_TOGETHER,)
        if shared:
            first, second = lots.rows(lot, shared), lots.rows(reference, shared)
    top, bottom = lots.take(first), lots.take(second)
    if mean(bottom) == 0:
        return None
    ratio = welch_ratio(top, bottom, what="response ratio")
    return _Bridge(top, bottom, False, sorted([*first, *second]), ratio, notes)


def _paired_bridge(lots: _Lots, lot: str, reference: str, shared: Sequence[str]) -> _Bridge | None:
    """Means of the runs that hold both lots, side by side."""
    top, bottom = ([exact_mean(lots.take(lots.rows(name, [run]))) for run in shared] for name in (lot, reference))
    if mean(bottom) == 0:
        return None
    rows = sorted([*lots.rows(lot, shared), *lots.rows(reference, shared)])
    left = len(lots.rows(lot)) + len(lots.rows(reference)) - len(rows)
    which = " of runs that hold only one of the two lots"
    ratio = paired_ratio(top, bottom, n=len(rows), what="response ratio")
    return _Bridge([*top], [*bottom], True, rows, ratio, left_out(left, which.strip(), noun="reading"))


def _ratio_quantity(study: Study, lots: _Lots, bridge: _Bridge, ratio: Estimate, lot: str, reference: str) -> Quantity:
    censored = lots.censored(lot, reference)
    return Quantity(
        key=f"{NAME}.response_ratio",
        at=lot,
        estimate=replace(ratio, n=len(bridge.rows)).with_notes(*bridge.notes, *lots.notes, *left_out(censored)),
        level=study.confidence,
        unit="1",
        worksheet=lots.data.worksheet,
        readings=tuple(lots.readings(bridge.rows)),
        unit_name=bridge.unit_name,
        censored=censored,
    )


# Assigned values -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Assigned:
    """The assigned value of a lot with its standard uncertainty, and where both come from."""

    value: float
    u: float
    origin: str
    recorded: bool = False

    def stated(self, lot: str) -> str:
        places = places_for(self.u) + 1 if self.u > 0 else 4
        return f"{fixed(self.value, places)} ({lot}, u = {significant(self.u, 2)}, {self.origin})"


#: The assigned value of each lot, or why there is none.
_AssignedValues = Mapping[str, _Assigned | str]


def _assigned_note(assigned: _AssignedValues) -> str:
    """Every assigned value that is known, with where it comes from: one note for all lots."""
    known = [value.stated(lot) for lot, value in assigned.items() if isinstance(value, _Assigned)]
    return f"Assigned values compared: {sentence_list(known)}."


def _normalised(
    study: Study, data: ExperimentData, assigned: _AssignedValues, lot: str, reference: str, note: str
) -> Quantity | str:
    """The normalised difference of two assigned values, or why there is none."""
    own, other = assigned[lot], assigned[reference]
    if isinstance(own, str) or isinstance(other, str):
        return own if isinstance(own, str) else str(other)
    if own.u <= 0 and other.u <= 0:
        return f"The assigned values of {lot} and {reference} have no uncertainty: they cannot be compared."
    estimate = normalised_difference(own.value, own.u, other.value, other.u)
    return Quantity(
        key=f"{NAME}.normalised_difference",
        at=lot,
        estimate=replace(estimate, n=0).with_notes(note, SHARED_SOURCES),
        level=study.confidence,
        unit="1",
        worksheet=data.worksheet,
        unit_name="lots",
    )


def _value_of(study: Study, lot: str) -> _Assigned | str:
    """From the weighings where the lot has a record, since every result rests on those; else as the plan states it."""
    record = study.lot_records.get(lot)
    if record is not None:
        weighed = lot_value(record, confidence=study.confidence).result
        return _Assigned(weighed.value, weighed.standard_uncertainty, f"from {record.file}", recorded=True)
    return _stated(study, lot)


def _levels_note(lots: _Lots, assigned: _AssignedValues, reference: str) -> tuple[str, ...]:
    """The worksheet divides by the level it carries; what the lot records would make of the ratios instead."""
    moved = []
    home = assigned[reference]
    for lot in lots.names:
        own = assigned[lot]
        if not lots.share or lot == reference or isinstance(own, str) or isinstance(home, str):
            continue
        (level, alike), (home_level, same) = lots.level(lot), lots.level(reference)
        if own.recorded and home.recorded and alike and same:
            moved.append(abs(own.value / home.value * home_level / level - 1))
    if not moved:
        return ()
    most = 100 * max(moved)
    size = "less than 0.01 %" if most < 0.01 else f"up to {significant(most, 2)} %"
    how = "Results are divided by the levels of the worksheet; the values of the lot records would move a ratio by"
    return (f"{how} {size}.",)


def _stated(study: Study, lot: str) -> _Assigned | str:
    entry = next((facts for facts in study.plan.standards if str(facts.get("name")) == lot), None)
    if entry is None:
        return NOT_A_NUMBER.format(lot=lot, what="it is not named there")
    numbers = []
    for key in ("value", "uncertainty"):
        stated = entry.get(key)
        if isinstance(stated, bool) or not isinstance(stated, int | float):
            return NOT_A_NUMBER.format(lot=lot, what=f"{key} is {'absent' if stated is None else 'no number'}")
        numbers.append(float(stated))
    if numbers[1] < 0:
        return NOT_A_NUMBER.format(lot=lot, what="the uncertainty is negative")
    return _Assigned(numbers[0], numbers[1], "as plan.yaml states")


# What the chapter shows ------------------------------------------------------------------------------------------


def _responses(lots: _Lots, quantities: Sequence[Quantity], reference: str) -> tuple[LotResponse, ...]:
    """Every lot with its readings and its ratio to the reference lot."""
    ratios = {q.at: q for q in quantities if q.key == f"{NAME}.response_ratio"}
    home = float(mean(lots.take(lots.rows(reference))))
    responses = []
    for lot in lots.names:
        rows, ratio = lots.rows(lot), ratios.get(lot)
        lines = [int(line) for line in lots.data.table["line"].iloc[rows]]
        values = [float(value) for value in lots.take(rows)]
        readings = zip(lots.readings(rows), lines, values, strict=True)
        relative = () if home == 0 else tuple(RelativeReading(name, line, v / home) for name, line, v in readings)
        own = 1.0 if lot == reference else None if ratio is None else ratio.value
        responses.append(LotResponse(lot, own, None if ratio is None else ratio.interval, relative))
    return tuple(responses)


def _chain_table(study: Study, lots: _Lots, reference: str, quantities: Sequence[Quantity]) -> Table:
    """Each lot against the reference lot, and against the lot before it: small steps add up unseen."""
    ratios = {q.at: q for q in quantities if q.key == f"{NAME}.response_ratio"}
    steps = {lot: bridge.ratio for before, lot in pairwise(lots.names) if (bridge := _bridge(lots, lot, before))}
    rows: list[tuple[Cell, ...]] = []
    for lot in lots.names:
        q, step, of_lot = ratios.get(lot), steps.get(lot), lots.rows(lot)
        own = None if q is None else q.interval
        between = None if step is None else step.interval(study.confidence)
        rows.append(
            (
                lot,
                len(of_lot),
                mean(lots.take(of_lot)),
                1.0 if lot == reference else None if q is None else q.value,
                *(own or (None, None)),
                None if step is None else step.value,
                *(between or (None, None)),
            )
        )
    what = "mean response over assigned value" if lots.share else f"mean result / {study.unit}"
    head = ("lot", "readings", what, f"over {reference}", "from", "to", "over the lot before", "from", "to")
    return Table("chain", f"Chain of lots: each against {reference} and against the lot before it", head, tuple(rows))


def _assigned_table(study: Study, reference: str, quantities: Sequence[Quantity]) -> list[Table]:
    """What the assigned values alone leave uncertain in each ratio, where both lots have a record; never judged."""
    values = {lot: lot_value(record, confidence=study.confidence) for lot, record in study.lot_records.items()}
    values = {lot: value for lot, value in values.items() if value.result.standard_uncertainty}
    ratios = [q for q in quantities if q.key == f"{NAME}.response_ratio" and q.at in values]
    if reference not in values or not ratios:
        return []
    joint, names = relative_covariance(list(values.values())), list(values)
    home = names.index(reference)
    rows: list[tuple[Cell, ...]] = []
    for q in ratios:
        own = names.index(str(q.at))
        apart = sqrt(joint.covariance[own, own] + joint.covariance[home, home])
        sizes = (joint.u_difference(own, home), apart)
        rows.append((str(q.at), q.value, *(significant(abs(q.value) * size, 2) for size in sizes)))
    caption = f"Standard uncertainty of the ratios to {reference} of the assigned values alone, from the lot records"
    head = ("lot", f"over {reference}", "u, what both share cancels", "had they nothing in common")
    return [Table("assigned", caption, head, tuple(rows))]


def _allowed_step(study: Study, lot: str) -> float | None:
    """Half-width about 1 that the plan holds a lot to: its requirement on the ratio, else lots.allowed_step."""
    asked, step = allowed(study, f"{NAME}.response_ratio", lot, rule="equivalence"), study.plan.lots.allowed_step
    return asked if asked is not None or step is None else step.value(1.0)


def _lies(interval: Interval | None, step: float | None) -> str:
    """Where an interval lies against 1 +- step: what a verdict looks at."""
    if interval is None or step is None:
        return ""
    low, high = 1 - step, 1 + step
    if low <= interval[0] and interval[1] <= high:
        return "inside"
    return "outside" if interval[1] < low or interval[0] > high else ACROSS


def _other_counts(study: Study, lots: _Lots, reference: str) -> tuple[OtherCount, ...]:
    """For several numbers of readings a lot: what to expect, and what the first so many of each lot gave."""
    sd = lots.relative_sd()
    if sd is None or sd == 0 or len(set(lots.runs)) > 1:
        return ()
    have = max(len(lots.rows(lot)) for lot in lots.names)
    return tuple(
        OtherCount(
            count,
            half_width_to_expect(sd, count, confidence=study.judged_confidence),
            tuple(
                _first_readings(study, lots, lot, reference, count)
                for lot in lots.names
                if lot != reference and min(len(lots.rows(lot)), len(lots.rows(reference))) >= count
            ),
        )
        for count in sorted({*COUNTS, have})
    )


def _first_readings(study: Study, lots: _Lots, lot: str, reference: str, count: int) -> FirstReadings:
    ratio = welch_ratio(lots.take(lots.rows(lot)[:count]), lots.take(lots.rows(reference)[:count]))
    interval, step = ratio.interval(study.judged_confidence), _allowed_step(study, lot)
    return FirstReadings(lot, ratio.value, interval, step, _lies(interval, step))


def _counts_table(study: Study, lots: _Lots, counts: Sequence[OtherCount]) -> tuple[Table, ...]:
    """One line for each number of readings; beyond the readings there are, the half-width to expect alone."""
    sd = lots.relative_sd()
    if not counts or sd is None:
        return ()
    steps = {first.lot: first.step for line in counts for first in line.lots}
    head = ["readings", "half-width / %"]
    for lot, step in steps.items():
        head += [lot] if step is None else [lot, f"{lot} lies"]
    allowed_steps = list(dict.fromkeys(f"±{100 * step:g} %" for step in steps.values() if step is not None))
    against = f", against the allowed {sentence_list(allowed_steps)}" if allowed_steps else ""
    judged = f"judged at {100 * study.judged_confidence:g} %{against}"
    scatter = f"a reading scatters by {significant(100 * sd, 2)} %"
    what = "What other numbers of readings a lot would give: half-width to expect, ratios of the first so many of each"
    rows = tuple(_counts_row(line, steps) for line in counts)
    return (Table("other counts", f"{what}, {judged}; {scatter}", tuple(head), rows),)


def _counts_row(line: OtherCount, steps: Mapping[str, float | None]) -> tuple[Cell, ...]:
    row: list[Cell] = [str(line.count), f"±{significant(100 * line.half_width, 2)}"]
    by_lot = {first.lot: first for first in line.lots}
    for lot, step in steps.items():
        first = by_lot.get(lot)
        texts = () if first is None else with_interval(first.ratio, first.interval)
        row.append(", ".join(text for text in texts if text))
        row += [] if step is None else ["" if first is None else first.lies]
    return tuple(row)


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """Ratios, assigned values, and what fewer readings would have left open, in sentences."""
    view: LotsView = evaluation.display.view
    ratios = [q for q in evaluation.judged if q.key == f"{NAME}.response_ratio"]
    sentences = [_ratio_words(q, view.reference) for q in ratios]
    sentences += _by_weight(evaluation, view.reference)
    sentences += [_apart(q, view.reference) for q in ratios if _is_apart(q, evaluation)]
    sentences += _few_words(view.counts)
    if sentences:
        sentences.append(
            "A step that is small enough between two lots may add up over many: every lot is held against "
            f"{view.reference}, not only against the one before."
        )
    return sentences


def _ratio_words(q: Quantity, reference: str) -> str:
    value, interval = with_interval(q.value, q.interval)
    sure = f"from {interval} with {100 * q.confidence:g} % confidence" if q.confidence else "no interval"
    return f"{q.at} responds {value} times as {reference} does ({sure}). {_means(q.value, reference)}"


def _by_weight(evaluation: Evaluation, reference: str) -> list[str]:
    """Which assigned values agree with that of the reference lot, in one sentence, and which do not, in another."""
    sizes = {str(q.at): q.value for q in evaluation.judged if q.key == f"{NAME}.normalised_difference"}
    return [
        *_weights_sentence({lot: value for lot, value in sizes.items() if value <= 2}, reference, True),
        *_weights_sentence({lot: value for lot, value in sizes.items() if value > 2}, reference, False),
    ]


def _weights_sentence(sizes: Mapping[str, float], reference: str, agree: bool) -> list[str]:
    if not sizes:
        return []
    one = len(sizes) == 1
    value, verb = ("value", "agrees" if agree else "does not agree") if one else ("values", "agree")
    verb = verb if one or agree else "do not agree"
    small = max(sizes.values()) < 0.01
    texts = ["less than 0.01"] if small else [significant(size, 2) for size in sizes.values()]
    apart = sentence_list(texts)
    bound = "within the 2" if agree else "more than the 2"
    return [
        f"The assigned {value} of {sentence_list(list(sizes))} {verb} with that of {reference}: {apart} standard "
        f"uncertainties of the difference apart, {bound} up to which values count as equal."
    ]


def _few_words(counts: Sequence[OtherCount]) -> list[str]:
    """What the smallest number of readings looked at would have left open that all of them settle."""
    looked = [line for line in counts if any(first.lies for first in line.lots)]
    if len(looked) < 2:
        return []
    few, whole = looked[0], looked[-1]
    settled = {first.lot: first.lies for first in whole.lots if first.lies in ("inside", "outside")}
    left = [first.lot for first in few.lots if first.lies == ACROSS and first.lot in settled]
    if not left:
        return []
    one = len(left) == 1
    ends = sentence_list([f"{lot} is {settled[lot]}" for lot in left])
    return [
        f"Fewer readings would have left this open: with the first {few.count} of each lot the "
        f"interval{'' if one else 's'} of {sentence_list(left)} {'reaches' if one else 'reach'} across the limit; with "
        f"all {whole.count} readings the limit is no longer crossed: {ends}."
    ]


def _means(ratio: float, reference: str) -> str:
    """What a lot of this response does to results that are calibrated with it: a weaker one makes them larger."""
    if ratio <= 0:
        return "A response of zero or below calibrates nothing."
    step = 100 * (1 / ratio - 1)
    size = fixed(abs(step), 1)
    if size == "0.0":
        return f"Results calibrated with it would stay as they are with {reference}."
    return (
        f"Results calibrated with it would come out {size} % {'higher' if step > 0 else 'lower'} than with {reference}."
    )


def _is_apart(q: Quantity, evaluation: Evaluation) -> bool:
    """Whether the weighings of a lot agree with those of the reference lot while the responses do not."""
    assigned = evaluation.get(f"{NAME}.normalised_difference", q.at)
    away = q.interval is not None and (q.interval[1] < 1 or q.interval[0] > 1)
    return away and assigned is not None and assigned.value <= 2


def _apart(q: Quantity, reference: str) -> str:
    return (
        f"The weighings of {q.at} agree with those of {reference}, the responses do not: that speaks of fuel "
        "lost or changed, or of contamination, rather than of weighing."
    )


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Bridging of lots of the standard",
    position=150,
    experiment=NAME,
    method=(
        "The lots are read in one run, interleaved, so that nothing but the lot differs. Each result is divided by the "
        "assigned value of its lot; the response ratio is the mean of a lot over the mean of the reference lot, its "
        "interval Fieller's with each lot's own scatter and Welch's degrees of freedom. Where several runs hold both "
        "lots, the run is the unit and the means of the runs are paired.",
        "That a difference is small is shown by an interval inside a limit, never by a p-value; too few readings "
        "leave it not shown.",
        "The assigned values, from the weighings of the lot records or else as the plan states them, are a question of "
        "their own: their difference over its standard uncertainty, 2 at most for values that agree. Lots that agree "
        "there and not in the response point at loss or contamination.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.response_ratio",
            "response of a lot over that of the reference lot, for the same mass fraction",
            "ρ",
            "ρ = mean(S/w) / mean(S_ref/w_ref); all ρ with (m - ρ m_ref)^2 <= t^2 (s^2/n + ρ^2 s_ref^2/n_ref)",
            "Fieller 1954, J. R. Statist. Soc. B 16, 175; Welch and Satterthwaite; Cochran and Cox 1950 (from memory)",
            "label",
            "1",
            ("equivalence", "point"),
            None,
            ("ratio of two means with unequal variances, printed worked output (Fieller, Welch)",),
        ),
        KeyInfo(
            f"{NAME}.normalised_difference",
            "difference of two assigned values over its standard uncertainty",
            "E",
            "E = |w - w_ref| / sqrt(u^2 + u_ref^2)",
            "ISO 13528:2015, 9.6 (zeta score, from memory)",
            "label",
            "1",
            ("point",),
            None,
            ("zeta score of a worked example",),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("lot_chain", "readings_by_lot"),
    alternatives=alternatives,
)
