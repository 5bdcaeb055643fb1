"""Lot bridging: the response of each lot of a standard beside that of the reference lot, and their assigned values."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._allowed import allowed
from validation.characteristics._lines import not_ready, reference_name, without_reference, worksheet_notes
from validation.characteristics._other_methods import other_methods_table
from validation.stats.estimate import Number, OldEstimate, exact_mean, mean
from validation.stats.lots import normalised_difference
from validation.stats.outliers import grubbs_single
from validation.stats.two_means import half_width_to_expect, log_ratio, paired_ratio, pooled_relative_sd, welch_ratio
from validation.study.lot_record import LotRecord
from validation.study.lot_values import lot_value
from validation.study.model import ExperimentData, Study
from validation.study.ordering import natural_order
from validation.study.quantity import Evaluation, Flag, Quantity
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
    absent = not_ready(study, NAME, COLUMNS)
    if absent is not None:
        return absent
    data = study.experiments[NAME]
    lots = _Lots(data)
    reference, said = reference_name(data, [lots.first, *lots.names], _in_use(study), "lots.in_use")
    if reference is None:
        return without_reference(NAME, data)
    notes = [*worksheet_notes(data), *said, *lots.notes]
    quantities: list[Quantity] = []
    told = _assigned_note(study, [reference, *(lot for lot in lots.names if lot != reference)])
    for lot in lots.names:
        if lot == reference:
            continue
        bridge = _bridge(lots, lot, reference)
        if bridge is not None:
            quantities.append(_quantity(study, lots, bridge, lot, reference))
        else:
            notes.append(f"{reference} averages to zero: no ratio exists.")
        found, why = _assigned(study, data, lot, reference, told)
        if found is not None:
            quantities.append(found)
        else:
            notes.append(why)
    if not study.looked_at_otherwise:
        notes += _levels_note(study, lots, reference)
    if len(lots.names) == 1:
        notes.append(
            f"There is one lot only, {reference}: readings of a second one in the same run would compare them."
        )
    flags = lots.flags()
    fewer = [] if study.looked_at_otherwise else _fewer(study, lots, reference)
    tables = [] if study.looked_at_otherwise else _tables(study, lots, reference, quantities, fewer)
    details = {
        "reference": reference,
        "lots": _shown(lots, quantities, reference),
        "relative_sd": lots.relative_sd(),
        "fewer": fewer,
        "tables": tables,
    }
    return Evaluation(NAME, tuple(quantities), tuple(flags), tuple(dict.fromkeys(notes)), details=details)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The response ratios by way of logarithms."""
    if not_ready(study, NAME, COLUMNS) is not None:
        return {}
    data = study.experiments[NAME]
    lots = _Lots(data)
    reference, _ = reference_name(data, [lots.first, *lots.names], _in_use(study), "lots.in_use")
    if reference is None:
        return {}
    found = []
    for lot in lots.names:
        bridge = None if lot == reference else _bridge(lots, lot, reference)
        if bridge is None:
            continue
        if log_ratio(bridge.top, bridge.bottom, paired=bridge.paired) is None:
            continue

        def by_logarithms(confidence: float, bridge: _Bridge = bridge) -> OldEstimate:
            estimate = log_ratio(bridge.top, bridge.bottom, confidence=confidence, paired=bridge.paired)
            assert estimate is not None, "asked above"
            return replace(estimate, n=len(bridge.rows))

        found.append(_quantity(study, lots, replace(bridge, estimate=by_logarithms), lot, reference))
    return {LOGARITHMS: found} if found else {}


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
        return [i for i, of in enumerate(self.of) if of == lot and (runs is None or self.runs[i] in runs)]

    def take(self, rows: Sequence[int]) -> list[Number]:
        return [self.values[row] for row in rows]

    def level(self, lot: str) -> tuple[float, bool]:
        """The level of a lot in the worksheet, and whether it is the same in every row."""
        levels = [float(level) for level in self.data.table["level"].iloc[self.rows(lot)]]
        return levels[0], len(set(levels)) == 1

    def readings(self, rows: Sequence[int]) -> list[str]:
        return [str(name) for name in self.data.table["reading"].iloc[list(rows)]]

    def censored(self, *lots: str) -> int:
        return sum(reading.values.get("lot", "") in lots for reading in self.data.censored)

    def groups(self, lot: str) -> list[list[int]]:
        """Rows of a lot, run by run."""
        if not self.runs:
            return [self.rows(lot)]
        return [found for run in dict.fromkeys(self.runs) if (found := self.rows(lot, [run]))]

    def relative_sd(self) -> float | None:
        """Of one reading, within lot and run; None without replicates."""
        groups = [rows for lot in self.names for rows in self.groups(lot) if len(rows) > 1]
        return pooled_relative_sd([self.take(rows) for rows in groups]) if groups else None

    def flags(self) -> list[Flag]:
        """Grubbs' test in each lot and run: pointed at, kept."""
        found = []
        for lot in self.names:
            for rows in self.groups(lot):
                if len(rows) < 3:
                    continue
                test = grubbs_single(self.take(rows))
                if test.exceeded:
                    reason = (
                        f"Among the {len(rows)} readings of {lot} this one lies furthest from the mean: "
                        f"{significant(test.statistic)} standard deviations against the critical value "
                        f"{significant(test.critical)} (5 %). It is kept."
                    )
                    name = self.readings([rows[test.index]])[0]
                    sheet = self.data.worksheet
                    found.append(Flag(name, test.test, test.statistic, test.critical, True, reason, lot, sheet))
        return found


@dataclass(frozen=True)
class _Bridge:
    """How a lot is compared with another: the values, the estimator at a confidence, what its units are."""

    top: list[Number]
    bottom: list[Number]
    paired: bool
    rows: list[int]
    estimate: Callable[[float], OldEstimate]
    notes: tuple[str, ...] = ()

    @property
    def unit_name(self) -> str:
        return "runs" if self.paired else "pairs of readings"


def _bridge(lots: _Lots, lot: str, reference: str) -> _Bridge | None:
    """Paired by run where two runs or more hold both lots; else independent readings, of one run if it holds both."""
    first, second = lots.rows(lot), lots.rows(reference)
    notes: tuple[str, ...] = ()
    if lots.runs and len(set(lots.runs)) > 1:
        shared = [run for run in dict.fromkeys(lots.runs) if lots.rows(lot, [run]) and lots.rows(reference, [run])]
        if len(shared) > 1:
            rows = [lots.rows(lot, shared), lots.rows(reference, shared)]
            top, bottom = (
                [exact_mean(lots.take(lots.rows(name, [run]))) for run in shared] for name in (lot, reference)
            )
            used = sorted([*rows[0], *rows[1]])
            left = len(first) + len(second) - len(used)
            said = (f"{left} reading(s) of runs that hold only one of the two lots were left out.",) if left else ()
            return _ratio(list(top), list(bottom), True, used, said)
        if shared:
            first, second, notes = lots.rows(lot, shared), lots.rows(reference, shared), (ONE_SHARED,)
        else:
            notes = (NOT_TOGETHER,)
    return _ratio(lots.take(first), lots.take(second), False, sorted([*first, *second]), notes)


def _ratio(
    top: list[Number], bottom: list[Number], paired: bool, rows: list[int], notes: tuple[str, ...]
) -> _Bridge | None:
    if mean(bottom) == 0:
        return None

    def estimate(confidence: float) -> OldEstimate:
        if paired:
            return paired_ratio(top, bottom, confidence=confidence, n=len(rows), what="response ratio")
        return welch_ratio(top, bottom, confidence=confidence, what="response ratio")

    return _Bridge(top, bottom, paired, rows, estimate, notes)


def _quantity(study: Study, lots: _Lots, bridge: _Bridge, lot: str, reference: str) -> Quantity:
    censored = lots.censored(lot, reference)
    said = [f"{censored} censored reading(s) were left out."] if censored else []
    return Quantity.from_estimate(
        f"{NAME}.response_ratio",
        lot,
        bridge.estimate(study.confidence),
        unit="1",
        worksheet=lots.data.worksheet,
        readings=lots.readings(bridge.rows),
        judged=bridge.estimate(study.judged_confidence),
        unit_name=bridge.unit_name,
        notes=(*bridge.notes, *lots.notes, *said),
        censored=censored,
    )


# Assigned values -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Assigned:
    """The assigned value of a lot with its standard uncertainty, and where both come from."""

    value: float
    u: float
    origin: str

    def told(self, lot: str) -> str:
        places = places_for(self.u) + 1 if self.u > 0 else 4
        return f"{fixed(self.value, places)} ({lot}, u = {significant(self.u, 2)}, {self.origin})"


def _assigned_note(study: Study, names: Sequence[str]) -> str:
    """Every assigned value that is known, with where it comes from: one note for all lots."""
    known = [value.told(lot) for lot in names if (value := _value_of(study, lot)[0]) is not None]
    return f"Assigned values compared: {sentence_list(known)}."


def _assigned(study: Study, data: ExperimentData, lot: str, reference: str, told: str) -> tuple[Quantity | None, str]:
    """The normalised difference of two assigned values, or why there is none."""
    values = []
    for name in (lot, reference):
        value, why = _value_of(study, name)
        if value is None:
            return None, why
        values.append(value)
    own, other = values
    if own.u <= 0 and other.u <= 0:
        return None, f"The assigned values of {lot} and {reference} have no uncertainty: they cannot be compared."
    estimate = normalised_difference(own.value, own.u, other.value, other.u)
    quantity = Quantity.from_estimate(
        f"{NAME}.normalised_difference",
        lot,
        replace(estimate, n=0),
        unit="1",
        worksheet=data.worksheet,
        readings=(),
        notes=(told, SHARED_SOURCES),
        unit_name="lots",
    )
    return quantity, ""


def _value_of(study: Study, lot: str) -> tuple[_Assigned | None, str]:
    """From the weighings where the lot has a record, since every result rests on those; else as the plan states it."""
    record = study.lot_records.get(lot)
    if record is not None:
        found = lot_value(record, confidence=study.confidence).result
        return _Assigned(found.value, found.standard_uncertainty, f"from {record.file}"), ""
    stated, why = _stated(study, lot)
    return (None, why) if stated is None else (_Assigned(*stated, "as plan.yaml states"), "")


def _levels_note(study: Study, lots: _Lots, reference: str) -> list[str]:
    """The worksheet divides by the level it carries; what the lot records would make of the ratios instead."""
    if not lots.share:
        return []
    moved = {}
    home, (home_level, same) = study.lot_records.get(reference), lots.level(reference)
    for lot in lots.names:
        record, (level, alike) = study.lot_records.get(lot), lots.level(lot)
        if lot != reference and record is not None and home is not None and same and alike:
            by_record = _recorded(study, record) / _recorded(study, home)
            moved[lot] = abs(by_record * home_level / level - 1)
    if not moved:
        return []
    most = 100 * max(moved.values())
    size = "less than 0.01 %" if most < 0.01 else f"up to {significant(most, 2)} %"
    said = "Results are divided by the levels of the worksheet; the values of the lot records would move a ratio by"
    return [f"{said} {size}."]


def _recorded(study: Study, record: LotRecord) -> float:
    return lot_value(record, confidence=study.confidence).result.value


def _stated(study: Study, lot: str) -> tuple[tuple[float, float] | None, str]:
    entry = next((facts for facts in study.plan.standards if str(facts.get("name")) == lot), None)
    if entry is None:
        return None, NOT_A_NUMBER.format(lot=lot, what="it is not named there")
    numbers = []
    for key in ("value", "uncertainty"):
        stated = entry.get(key)
        if isinstance(stated, bool) or not isinstance(stated, int | float):
            return None, NOT_A_NUMBER.format(lot=lot, what=f"{key} is {'absent' if stated is None else 'no number'}")
        numbers.append(float(stated))
    if numbers[1] < 0:
        return None, NOT_A_NUMBER.format(lot=lot, what="the uncertainty is negative")
    return (numbers[0], numbers[1]), ""


# Details, tables, words ------------------------------------------------------------------------------------------


def _shown(lots: _Lots, quantities: Sequence[Quantity], reference: str) -> list[dict[str, Any]]:
    """Every lot with its readings and its ratio to the reference lot, for the figures."""
    ratios = {q.at: q for q in quantities if q.key == f"{NAME}.response_ratio"}
    home = float(mean(lots.take(lots.rows(reference))))
    found = []
    for lot in lots.names:
        ratio, rows = ratios.get(lot), lots.rows(lot)
        table = lots.data.table.iloc[rows]
        lines = [int(line) for line in table["line"]]
        values = [float(value) for value in lots.take(rows)]
        points = [
            {"value": value, "reading": str(name), "line": line}
            for value, name, line in zip(values, table["reading"], lines, strict=True)
        ]
        found.append(
            {
                "lot": lot,
                "mean": mean(lots.take(rows)),
                "relative": None if home == 0 else [value / home for value in values],
                "points": points,
                "ratio": 1.0 if lot == reference else None if ratio is None else ratio.value,
                "interval": None if ratio is None or ratio.interval is None else list(ratio.interval),
                "confidence": None if ratio is None else ratio.confidence,
            }
        )
    return found


def _tables(
    study: Study, lots: _Lots, reference: str, quantities: Sequence[Quantity], fewer: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    tables = [_chain_table(study, lots, reference, quantities), *_fewer_table(study, lots, fewer)]
    return [*tables, *other_methods_table(quantities, alternatives(study))]


def _chain_table(study: Study, lots: _Lots, reference: str, quantities: Sequence[Quantity]) -> dict[str, Any]:
    """Each lot against the reference lot, and against the lot before it: small steps add up unseen."""
    ratios = {q.at: q for q in quantities if q.key == f"{NAME}.response_ratio"}
    steps: dict[str, OldEstimate] = {}
    for before, lot in pairwise(lots.names):
        bridge = _bridge(lots, lot, before)
        if bridge is not None:
            steps[lot] = bridge.estimate(study.confidence)
    rows = []
    for lot in lots.names:
        q, step = ratios.get(lot), steps.get(lot)
        rows.append(
            [
                lot,
                len(lots.rows(lot)),
                mean(lots.take(lots.rows(lot))),
                1.0 if lot == reference else None if q is None else q.value,
                *((q.interval if q is not None else None) or (None, None)),
                None if step is None else step.value,
                *((step.interval if step is not None else None) or (None, None)),
            ]
        )
    what = "mean response over assigned value" if lots.share else f"mean result / {study.unit}"
    head = ["lot", "readings", what, f"over {reference}", "from", "to", "over the lot before", "from", "to"]
    return {"caption": f"Chain of lots: each against {reference} and against the lot before it", "head": head,
            "rows": rows}  # fmt: skip


def _allowed_step(study: Study, lot: str) -> float | None:
    """Half-width about 1 that the plan holds a lot to: its requirement on the ratio, else lots.allowed_step."""
    asked, step = allowed(study, f"{NAME}.response_ratio", lot, rule="equivalence"), study.plan.lots.allowed_step
    return asked if asked is not None or step is None else step.value(1.0)


def _lies(interval: tuple[float, float] | None, step: float | None) -> str:
    """Where an interval lies against 1 +- step: what a verdict looks at."""
    if interval is None or step is None:
        return ""
    low, high = 1 - step, 1 + step
    if low <= interval[0] and interval[1] <= high:
        return "inside"
    return "outside" if interval[1] < low or interval[0] > high else ACROSS


def _fewer(study: Study, lots: _Lots, reference: str) -> list[dict[str, Any]]:
    """For several numbers of readings a lot: what to expect, and what the first so many of each lot gave."""
    sd = lots.relative_sd()
    if sd is None or sd == 0 or len(set(lots.runs)) > 1:
        return []
    confidence, found = study.judged_confidence, []
    have = max(len(lots.rows(lot)) for lot in lots.names)
    for count in sorted({*COUNTS, have}):
        given: list[dict[str, Any]] = []
        for lot in lots.names:
            first, second = lots.rows(lot)[:count], lots.rows(reference)[:count]
            if lot == reference or min(len(first), len(second)) < count:
                continue
            estimate = welch_ratio(lots.take(first), lots.take(second), confidence=confidence)
            step = _allowed_step(study, lot)
            lies = _lies(estimate.interval, step)
            pair = None if estimate.interval is None else list(estimate.interval)
            given.append({"lot": lot, "ratio": estimate.value, "interval": pair, "step": step, "lies": lies})
        expected = half_width_to_expect(sd, count, confidence=confidence)
        found.append({"count": count, "expected": expected, "given": given})
    return found


def _fewer_table(study: Study, lots: _Lots, fewer: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """One line for each number of readings; beyond the readings there are, the half-width to expect alone."""
    sd = lots.relative_sd()
    if not fewer or sd is None:
        return []
    names = list(dict.fromkeys(item["lot"] for line in fewer for item in line["given"]))
    stepped = [name for name in names if _allowed_step(study, name) is not None]
    head = ["readings", "half-width / %"]
    for name in names:
        head += [name, *([f"{name} lies"] if name in stepped else [])]
    rows = []
    for line in fewer:
        row: list[Any] = [str(line["count"]), f"±{significant(100 * line['expected'], 2)}"]
        given = {item["lot"]: item for item in line["given"]}
        for name in names:
            item = given.get(name)
            pair = None if item is None or item["interval"] is None else (item["interval"][0], item["interval"][1])
            text = "" if item is None else ", ".join(part for part in with_interval(item["ratio"], pair) if part)
            row += [text, *(["" if item is None else item["lies"]] if name in stepped else [])]
        rows.append(row)
    steps = list(dict.fromkeys(f"±{100 * step:g} %" for n in stepped if (step := _allowed_step(study, n)) is not None))
    against = f", against the allowed {sentence_list(steps)}" if steps else ""
    judged = f"judged at {100 * study.judged_confidence:g} %{against}"
    scatter = f"a reading scatters by {significant(100 * sd, 2)} %"
    what = "What other numbers of readings a lot would give: half-width to expect, ratios of the first so many of each"
    return [{"caption": f"{what}, {judged}; {scatter}", "head": head, "rows": rows}]


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    if evaluation.missing:
        return [evaluation.missing]
    reference, sentences = evaluation.details["reference"], []
    for q in evaluation.quantities:
        if q.value is None or q.key != f"{NAME}.response_ratio":
            continue
        value, interval = with_interval(q.value, q.interval)
        sure = f"from {interval} with {100 * q.confidence:g} % confidence" if q.confidence else "no interval"
        sentences.append(f"{q.at} responds {value} times as {reference} does ({sure}). {_means(q.value, reference)}")
    sentences += _by_weight(evaluation, reference)
    sentences += _apart(evaluation, reference)
    sentences += _few_words(evaluation)
    if sentences:
        sentences.append(
            "A step that is small enough between two lots may add up over many: every lot is held against "
            f"{reference}, not only against the one before."
        )
    return sentences


def _by_weight(evaluation: Evaluation, reference: str) -> list[str]:
    """Which assigned values agree with that of the reference lot, in one sentence, and which do not, in another."""
    found = {str(q.at): q.value for q in evaluation.quantities if q.key == f"{NAME}.normalised_difference"}
    sizes = {lot: value for lot, value in found.items() if value is not None}
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
        f"uncertainties of the difference apart, {bound} up to which values are said to agree."
    ]


def _few_words(evaluation: Evaluation) -> list[str]:
    """What the smallest number of readings looked at would have left open that all of them settle."""
    looked = [line for line in evaluation.details.get("fewer", ()) if any(item["lies"] for item in line["given"])]
    if len(looked) < 2:
        return []
    few, whole = looked[0], looked[-1]
    settled = {item["lot"]: item["lies"] for item in whole["given"] if item["lies"] in ("inside", "outside")}
    left = [item["lot"] for item in few["given"] if item["lies"] == ACROSS and item["lot"] in settled]
    if not left:
        return []
    one = len(left) == 1
    ends = sentence_list([f"{lot} {settled[lot]}" for lot in left])
    return [
        f"Fewer readings would have left this open: with the first {few['count']} of each lot the "
        f"interval{'' if one else 's'} of {sentence_list(left)} {'reaches' if one else 'reach'} across the limit; with "
        f"all {whole['count']} {'it lies' if one else 'they lie'} on one side of it ({ends})."
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


def _apart(evaluation: Evaluation, reference: str) -> list[str]:
    """Lots whose weighings agree with the reference lot while their responses do not."""
    found = []
    for q in evaluation.quantities:
        if q.key != f"{NAME}.response_ratio" or q.interval is None:
            continue
        assigned = evaluation.get(f"{NAME}.normalised_difference", q.at)
        away = q.interval[1] < 1 or q.interval[0] > 1
        if away and assigned is not None and assigned.value is not None and assigned.value <= 2:
            found.append(
                f"The weighings of {q.at} agree with those of {reference}, the responses do not: that speaks of fuel "
                "lost or changed, or of contamination, rather than of weighing."
            )
    return found


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
            "Fieller 1954, J. R. Statist. Soc. B 16, 175; Welch and Satterthwaite",
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
