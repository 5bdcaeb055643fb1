"""Detection and quantification limits: every definition side by side, each with its matrix and count."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property, lru_cache
from typing import Any

import numpy as np

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._calibration_points import CalibrationPoints, calibration_points
from validation.characteristics._censored import all_censored, left_out
from validation.figures.detection import Definition, DetectionView, Elsewhere, ReadingGroup
from validation.stats import detection as statistics
from validation.stats.detection import DetectionResult
from validation.stats.detection_rates import (
    LineTruth,
    Rates,
    blank_rates,
    low_range_rates,
    ordinary_rates,
    runs_kept_rates,
)
from validation.stats.estimate import centre
from validation.stats.intervals import t_quantile
from validation.stats.low_range import iso_11843_2_counted
from validation.stats.regression import PolynomialResult, straight_line
from validation.study.model import ExperimentData, Reading, Study
from validation.study.quantity import Cell, Display, Evaluation, Quantity, Table
from validation.words import level_text, sentence_list, significant, with_interval

NAME = "detection"
NO_MATRIX = "matrix not stated"
LOWEST_LEVELS = 4
LOW_RANGE = "ISO 11843-2, low range, s linear"
COUNTED = f"{LOW_RANGE}, errors counted"
LOW_RANGE_COUNTS = (
    f"The fitted spread counts as known, and the readings as independent; `{COUNTED}` counts the errors of both."
)
STANDARDS = "calibration standards"
NO_LIMIT = (
    "No detection limit can be formed: it takes two or more readings of a blank (level 0) of one matrix, "
    "two or more of a spiked material, or a calibration line."
)
_LIMITS = ("critical_value", "detection_limit", "quantification_limit")


@dataclass(frozen=True)
class _Limits:
    """The limits of one definition in one matrix, and the readings behind them."""

    definition: str
    matrix: str
    result: DetectionResult
    data: ExperimentData
    readings: tuple[str, ...]
    notes: tuple[str, ...]
    censored: int
    rates: Rates | None = None
    design: str = ""

    def quantities(self, study: Study) -> Iterator[Quantity]:
        for name in _LIMITS:
            estimate = getattr(self.result, name)
            if estimate is not None:
                yield Quantity(
                    key=f"{NAME}.{name}",
                    at=self.definition,
                    estimate=estimate.with_notes(
                        f"Matrix: {self.matrix}.", *self.result.notes, *self.notes, *self.attained()
                    ),
                    level=study.confidence,
                    unit=study.unit,
                    worksheet=self.data.worksheet,
                    readings=self.readings,
                    censored=self.censored,
                )

    def row(self) -> tuple[Cell, ...]:
        estimates = [getattr(self.result, name) for name in _LIMITS]
        values = [None if estimate is None else estimate.value for estimate in estimates]
        return (self.definition, self.matrix, len(self.readings), *values, self._shares(), self.result.formula)

    def _shares(self) -> str | None:
        """Attained chances of a false and of a missed detection, in percent."""
        if self.rates is None:
            return None
        error = f" (± {_percent(self.rates.error or 0.0)})" if _is_seen(self.rates.error) else ""
        alpha, beta = (_chance(share, self.rates) for share in (self.rates.alpha, self.rates.beta))
        return f"{alpha} / {beta}{error}"

    def attained(self) -> tuple[str, ...]:
        """The attained chances in a sentence; nothing where there are none."""
        if self.rates is None:
            return ()
        how = "exact for normal readings"
        if self.rates.error is not None:
            error = f"Monte Carlo error {_percent(self.rates.error)} %"
            how = f"simulated, {error if _is_seen(self.rates.error) else f'{self.rates.studies} studies'}"
        bar, claim = "critical value", ""
        if self.result.critical_value is None:
            bar, claim = "limit itself", ". The definition claims no rate"
        return (
            f"Attained with {self.design} ({how}): a further blank reads above the {bar} in "
            f"{_chance(self.rates.alpha, self.rates)} % of cases, a sample at the detection limit below it in "
            f"{_chance(self.rates.beta, self.rates)} %{claim}.",
        )


def _percent(share: float) -> str:
    return f"{100 * share:.1f}"


def _is_seen(share: float | None) -> bool:
    """Whether anything is left of it at the decimals that are printed."""
    return share is not None and float(_percent(share)) > 0


def _chance(share: float, rates: Rates) -> str:
    """In percent; a simulated chance of next to nothing as its upper limit at 95 %.

    Rule of three (Hanley and Lippman-Hand 1983, JAMA 249, 1743; from memory): 3/N. Means of chances within 0 and 1 hold
    it too, since hits and misses scatter most.
    """
    return _percent(share) if rates.studies is None or _is_seen(share) else f"below {_percent(3 / rates.studies)}"


@dataclass(frozen=True, slots=True)
class _Design:
    """What the attained rates of limits from blanks depend on."""

    sizes: tuple[int, ...]
    share: float
    words: str


@dataclass(frozen=True)
class _Group:
    """Readings of one matrix at one level: blanks, or the lowest spikes. `suffix` sets its definitions off."""

    data: ExperimentData
    matrix: str
    level: float
    rows: np.ndarray
    suffix: str

    @property
    def values(self) -> list[Decimal]:
        return self.data.decimals("result", self.rows)

    @property
    def censored(self) -> int:
        """Censored readings of this matrix: all of its blanks, or those of the spikes at this level."""
        if self.level == 0:
            return len(_censored(self.data, self.matrix, blank=True))
        spikes = _censored(self.data, self.matrix, blank=False)
        return sum(_number(reading.values["level"]) == self.level for reading in spikes)

    def limits(self, definition: str, result: DetectionResult, rates: Rates, *notes: str) -> _Limits:
        readings = tuple(self.data.identifiers[row] for row in self.rows)
        name, design = definition + self.suffix, self.design.words
        return _Limits(name, self.matrix, result, self.data, readings, notes, self.censored, rates, design)

    @cached_property
    def design(self) -> _Design:
        """Readings of each run, and the share of their variance that lies between runs; one run where none shows."""
        runs = self.by_run()
        what = "readings" if self.level else "blanks"
        if len(runs) < 2 or all(len(run) == 1 for run in runs):
            return _Design((len(self.rows),), 0.0, f"{len(self.rows)} {what}")
        share = statistics.run_share(runs)
        words = f"{len(self.rows)} {what} in {len(runs)} runs, {100 * share:.0f} % of the variance between runs"
        return _Design(tuple(map(len, runs)), share, words)

    def drawn(self) -> ReadingGroup:
        kind, suffix = ("blank", self.suffix) if self.level == 0 else (f"spiked at {level_text(self.level)}", None)
        results = tuple(float(value) for value in self.data.table["result"].iloc[self.rows])
        return ReadingGroup(self.matrix, kind, suffix, results)

    def by_run(self) -> list[list[Decimal]]:
        """The readings of each run, in order of appearance; nothing where no run is named."""
        if "run" not in self.data.table:
            return []
        runs: dict[str, list[Decimal]] = {}
        for run, value in zip(self.data.table["run"].iloc[self.rows], self.values, strict=True):
            runs.setdefault(str(run), []).append(value)
        return list(runs.values())


def evaluate(study: Study) -> Evaluation:
    """Every detection limit the study's blanks, spikes and calibration line give."""
    data = study.ready(NAME)
    if data is None:
        return Evaluation(NAME, missing=_why_missing(study))
    notes = list(data.notes)
    blanks = _blanks(data, notes)
    limits = [item for group in blanks for item in _blank_limits(group, study, notes)]
    limits += _line_limits(study, data, notes)
    spikes = _spikes(data, notes)
    limits += [item for group in spikes for item in _spike_limits(group, study, notes)]
    quantities = tuple(q for item in limits for q in item.quantities(study))

    def show() -> Display:
        names = (name.replace("_", " ") for name in _LIMITS)
        head = ("definition", "matrix", "n", *names, "attained, %", "formula")
        caption = (
            f"Limits side by side, in {study.unit}. "
            "Attained: chances of a false and of a missed detection in this design."
        )
        return Display(
            tables=(Table("definitions", caption, head, tuple(item.row() for item in limits)),),
            view=DetectionView(
                groups=tuple(group.drawn() for group in (*blanks, *spikes)),
                definitions=tuple(Definition(item.definition, item.matrix, len(item.readings)) for item in limits),
                elsewhere=tuple(_elsewhere(study, quantities, limits)),
            ),
        )

    missing = "" if quantities else NO_LIMIT
    return Evaluation(NAME, quantities, (), tuple(dict.fromkeys(notes)), missing, show=show)


def _why_missing(study: Study) -> str:
    if NAME not in study.experiments:
        return "No detection experiment is planned."
    return all_censored(study, NAME) or "The detection worksheet awaits readings."


def _elsewhere(study: Study, quantities: Sequence[Quantity], limits: Sequence[_Limits]) -> Iterator[Elsewhere]:
    """Limits that a requirement asks of one matrix, and that are larger by the same definition in another one."""
    values = {(q.key, str(q.at)): q.value for q in quantities}
    matrix_of = {item.definition: item.matrix for item in limits}
    for item in study.plan.requirements:
        own = values.get((item.quantity, str(item.at)))
        if own is None or not item.quantity.startswith(f"{NAME}."):
            continue
        home = matrix_of[str(item.at)]
        base = str(item.at).removesuffix(f", {home}")
        for (key, at), value in values.items():
            other = matrix_of[at]
            if key != item.quantity or other == home or at not in (base, f"{base}, {other}") or value <= own:
                continue
            name = key.partition(".")[2].replace("_", " ")
            yield Elsewhere(item.id, item.limit.number, name, base, home, own, other, value)


def _main(data: ExperimentData, matrices: list[str], what: str, notes: list[str]) -> list[str]:
    """The matrices, first the one whose definitions carry no suffix: that of the plan, or the first of all."""
    stated = data.settings.get("matrix")
    main = str(stated) if stated is not None and str(stated) in matrices else matrices[0]
    if stated is not None and main != str(stated):
        notes.append(f'None of the {what} is of the matrix "{stated}" that the plan states; {main} is taken.')
    elif stated is None and len(matrices) > 1:
        notes.append(f"The plan states no `matrix`: {main}, first among the {what}, carries the names without suffix.")
    return [main, *(name for name in matrices if name != main)]


# --- blanks -----------------------------------------------------------------------------------------------------------


def _blanks(data: ExperimentData, notes: list[str]) -> list[_Group]:
    """The blanks of each matrix, the main one first."""
    matrices, blank = _matrix_of(data), _is_blank(data)
    if not blank.any():
        notes.append("No reading is at level 0: limits from blanks are not available.")
        return []
    if "level" not in data.table:
        notes.append("The worksheet has no column `level`: every reading is taken as one of a blank.")
    if "matrix" not in data.table:
        notes.append("The worksheet has no column `matrix`: matrix not stated. A limit holds for one matrix.")
    names = list(dict.fromkeys(matrices[blank]))
    for matrix in sorted({_matrix_text(reading) for reading in data.censored} - set(names)):
        if _censored(data, matrix, blank=True):
            notes.append(f"All blanks of {matrix} are censored: no limit can be formed for it.")
    return [
        _Group(data, matrix, 0.0, np.flatnonzero(blank & (matrices == matrix)), f", {matrix}" if place else "")
        for place, matrix in enumerate(_main(data, names, "blanks", notes))
    ]


def _blank_limits(group: _Group, study: Study, notes: list[str]) -> list[_Limits]:
    values, matrix, alpha = group.values, group.matrix, 1 - study.confidence
    if len(values) < 2:
        notes.append(f"One blank of {matrix}: no spread, hence no limit. Read at least ten blanks.")
        return []
    if len(set(values)) == 1:
        notes.append(
            f"All {len(values)} blanks of {matrix} read the same: their spread is hidden by the resolution of the "
            "reading, and no limit can be formed. Read them with more digits."
        )
        return []
    own = _censored_notes(group.censored, "blank")
    if len(values) < 10:
        own += (f"{len(values)} blanks of {matrix}; ten or more are usual (Eurachem, from memory).",)
    runs = group.by_run()
    differ = _run_notes(runs, matrix)
    k, (sizes, share) = statistics.iupac_multiplier(len(values), alpha), (group.design.sizes, group.design.share)
    plain, iupac = blank_rates(3.0, 3.0, sizes, share), blank_rates(k, 2 * k, sizes, share)
    limits = [
        group.limits("blank 3s", statistics.blank_3s(values), plain, *own, *differ),
        group.limits("IUPAC 1997", statistics.iupac_1997(values, alpha=alpha), iupac, *own, *differ),
    ]
    if len(sizes) > 1:
        kept = statistics.iupac_1997_runs(runs, alpha=alpha)
        limits.append(group.limits("IUPAC 1997, runs kept", kept, runs_kept_rates(sizes, share, alpha=alpha), *own))
    return limits


def _run_notes(runs: list[list[Decimal]], matrix: str) -> tuple[str, ...]:
    codes = [code for code, run in enumerate(runs) for _ in run]
    test = statistics.run_component([value for run in runs for value in run], codes) if runs else None
    if test is None or test[1] >= 0.05:
        return ()
    return (
        f"The blanks of {matrix} differ between runs (F = {significant(test[0])}, p = {significant(test[1], 2)}): "
        "they count for less than their number, the intervals are too narrow and the chances of a false and of a "
        "missed detection higher than stated; `IUPAC 1997, runs kept` counts the runs.",
    )


def _censored_notes(count: int, what: str) -> tuple[str, ...]:
    return tuple(
        f"{sentence} Limits from the rest are not to be relied on: read such materials without a reporting limit."
        for sentence in left_out(count, f"of this {what}")
    )


# --- calibration line -------------------------------------------------------------------------------------------------


def _line_limits(study: Study, detection: ExperimentData, notes: list[str]) -> list[_Limits]:
    data = study.ready("calibration")
    if data is None:
        notes.append("No calibration readings: limits from a calibration line are not available.")
        return []
    points = calibration_points(data)
    if points.missing or len(points.x) < 3:
        notes.append(f"Limits from a calibration line are not available. {points.missing}".strip())
        return []
    line = straight_line(points.x, points.y)
    useless = _useless(line)
    if useless:
        notes.append(useless)
        return []
    censored, alpha = len(data.censored), 1 - study.confidence
    own = (
        *left_out(censored, "of the calibration worksheet"),
        "The spread is taken as equal at all levels of the line; where it grows, this limit is too high.",
    )
    results = {
        "ISO 11843-2": statistics.iso_11843_2(line, alpha=alpha),
        "DIN 32645": statistics.din_32645(line, alpha=alpha),
    }
    readings, limits = tuple(points.readings), []
    if results["ISO 11843-2"].critical_value is None:
        notes.append(f"{sentence_list(list(results))}: {results['ISO 11843-2'].notes[0]}")
    else:
        rates, words = _attained(points, slice(None), alpha, low=False), _line_design(points, slice(None))
        limits = [
            _Limits(name, STANDARDS, result, data, readings, own, censored, rate, words)
            for (name, result), rate in zip(results.items(), rates, strict=True)
        ]
    return [*limits, *_low_range(study, detection, data, points, notes)]


def _attained(points: CalibrationPoints, rows: Any, alpha: float, *, low: bool) -> tuple[Rates | None, Rates | None]:
    """What the two definitions of the low range, or of the whole line, attain."""
    runs = tuple(points.runs[rows].tolist()) if points.runs is not None and points.several_runs else None
    x, y = (tuple(np.array(values, dtype=object)[rows]) for values in (points.x, points.y))
    return _attained_by(x, y, tuple(points.levels[rows].tolist()), runs, alpha, low)


@lru_cache(maxsize=16)  # a verdict on blanks is judged again without changing the calibration
def _attained_by(
    x: tuple[float, ...],
    y: tuple[Decimal, ...],
    levels: tuple[int, ...],
    runs: tuple[int, ...] | None,
    alpha: float,
    low: bool,
) -> tuple[Rates | None, Rates | None]:
    _, small = centre(y)
    codes = None if runs is None else np.array(runs)
    truth = LineTruth.of(np.array(x), small, np.array(levels), codes)
    return (low_range_rates if low else ordinary_rates)(truth, alpha=alpha)


def _line_design(points: CalibrationPoints, rows: Any) -> str:
    """Levels, readings and runs behind a line, in words."""
    levels, n = len(np.unique(points.levels[rows])), len(points.levels[rows])
    runs = len(np.unique(points.runs[rows])) if points.runs is not None else 1
    where = f" in {runs} runs" if runs > 1 else ""
    return f"{n} readings at {levels} levels{where}, scatter and runs as fitted"


def _useless(line: PolynomialResult) -> str:
    """Why a calibration line gives no limit; empty where it does."""
    if line.slope == 0:
        return "The calibration line is level: limits from it are not available."
    if line.exact:
        return (
            "The calibration readings lie on their line to the last digit: their spread is hidden by the "
            "resolution, and limits from the line are not available."
        )
    return ""


def _low_range(
    study: Study, detection: ExperimentData, data: ExperimentData, points: CalibrationPoints, notes: list[str]
) -> list[_Limits]:
    highest = detection.settings.get("low_range_max")
    means = [points.mean_x(code) for code in range(len(points.names))]
    chosen = [code for code, mean in enumerate(means) if highest is None or mean <= highest]
    if highest is None:
        chosen = chosen[:LOWEST_LEVELS]
    rows = np.flatnonzero(np.isin(points.levels, chosen))
    results = _low_range_results(points, rows, 1 - study.confidence, notes)
    if not results:
        return []
    names = [level_text(points.names[code]) for code in chosen]
    own = [f"Fitted to the levels {sentence_list(names)} {study.unit} of the calibration worksheet."]
    if highest is None:
        own.append("The plan states no `low_range_max`: the lowest four levels are taken.")
    at = {means[code] for code in chosen}
    low = sum(_number(reading.values.get("level", "")) in at for reading in data.censored)
    own += left_out(low, "at these levels")
    readings, words = tuple(points.readings[r] for r in rows), _line_design(points, rows)
    attained = _attained(points, rows, 1 - study.confidence, low=True)
    rates = dict(zip((LOW_RANGE, COUNTED), attained, strict=True))
    limits = []
    for name, result in results.items():
        also = (LOW_RANGE_COUNTS,) if name == LOW_RANGE else ()
        limits.append(_Limits(name, STANDARDS, result, data, readings, (*own, *also), low, rates[name], words))
    return limits


def _low_range_results(
    points: CalibrationPoints, rows: np.ndarray, alpha: float, notes: list[str]
) -> dict[str, DetectionResult]:
    """The limits of the low range by their names, those that there are; what is missing goes into the notes."""
    x, y, levels = [points.x[r] for r in rows], [points.y[r] for r in rows], points.levels[rows]
    runs = points.runs[rows] if points.runs is not None and len(np.unique(points.runs[rows])) > 1 else None
    try:
        results = {LOW_RANGE: statistics.iso_11843_2_linear_sd(x, y, levels, alpha=alpha)}
    except ValueError:
        notes.append(
            "The low-range limit of ISO 11843-2 is not available: it takes replicates that scatter at two low "
            "levels or more. Read the lowest levels at least twice."
        )
        return {}
    try:
        results[COUNTED] = iso_11843_2_counted(x, y, levels, runs, alpha=alpha)
    except ValueError:
        notes.append(f"`{COUNTED}` is not available: every run must read each of the low levels.")
    for name in [name for name, result in results.items() if result.critical_value is None]:
        notes.append(f"{name}: {results.pop(name).notes[0]}")
    return results


# --- spiked replicates ------------------------------------------------------------------------------------------------


def _spikes(data: ExperimentData, notes: list[str]) -> list[_Group]:
    """The lowest spikes of each matrix, the main one first."""
    if not data.numeric_levels:
        return []
    levels, matrices = np.array(data.table["level"], dtype=float), _matrix_of(data)
    spiked = levels > 0
    if not spiked.any():
        notes.append("No reading is at a level above 0: no limit from spikes, and no limit is challenged.")
        return []
    names = list(dict.fromkeys(matrices[spiked]))
    groups: list[_Group] = []
    for matrix in _main(data, names, "spiked replicates", notes) if len(names) > 1 else names:
        lowest = float(levels[spiked & (matrices == matrix)].min())
        rows = np.flatnonzero((levels == lowest) & (matrices == matrix))
        groups.append(_Group(data, matrix, lowest, rows, f", {matrix}" if groups else ""))
    return groups


def _spike_limits(group: _Group, study: Study, notes: list[str]) -> list[_Limits]:
    values, matrix = group.values, group.matrix
    if len(values) < 2:
        notes.append(f"One spiked replicate of {matrix}: no limit. The source asks for seven.")
        return []
    if len(set(values)) == 1:
        notes.append(
            f"All {len(values)} spiked replicates of {matrix} read the same: their spread is hidden by the "
            "resolution of the reading, and no limit can be formed."
        )
        return []
    own = (f"Spiked at {level_text(group.level)} {study.unit}.", *_censored_notes(group.censored, "spike"))
    t = t_quantile(statistics.SPIKED_CONFIDENCE, len(values) - 1)
    rates = blank_rates(t, t, group.design.sizes, group.design.share, about_mean=False)
    return [group.limits("spiked replicate", statistics.spiked_replicates(values), rates, *own)]


# --- the worksheet ----------------------------------------------------------------------------------------------------


def _matrix_of(data: ExperimentData) -> np.ndarray:
    """The matrix of each reading."""
    if "matrix" not in data.table:
        return np.array([NO_MATRIX] * len(data.table), dtype=object)
    written = [str(value).strip() for value in data.table["matrix"]]
    return np.array([text if text and text != "nan" else NO_MATRIX for text in written], dtype=object)


def _is_blank(data: ExperimentData) -> np.ndarray:
    """A blank is a row with level 0; without that column every row is a blank."""
    if "level" not in data.table:
        return np.ones(len(data.table), dtype=bool)
    return np.array([_number(value) == 0 for value in data.table["level"]])


def _number(value: object) -> float | None:
    try:
        return float(str(value).replace(",", "."))
    except ValueError:
        return None


def _matrix_text(reading: Reading) -> str:
    return reading.values.get("matrix", "").strip() or NO_MATRIX


def _censored(data: ExperimentData, matrix: str, *, blank: bool) -> list[Reading]:
    """The censored readings of a matrix: its blanks, or its spikes."""
    return [
        reading
        for reading in data.censored
        if _matrix_text(reading) == matrix and (_number(reading.values.get("level", "0")) == 0) == blank
    ]


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    view: DetectionView = evaluation.display.view
    limits = [q for q in evaluation.judged if q.key == f"{NAME}.detection_limit"]
    if not limits:
        return list(evaluation.notes)
    return [
        *_range_words(limits, unit),
        *_limit_words(limits, view, unit),
        *_other_matrices_words(view),
        *(_elsewhere_words(entry, unit) for entry in view.elsewhere),
        "A limit is a statement about future readings; spiked materials near it show whether it holds.",
    ]


def _range_words(limits: Sequence[Quantity], unit: str) -> Iterator[str]:
    low, high = min(limits, key=lambda q: q.value), max(limits, key=lambda q: q.value)
    if len(limits) > 1:
        ratio = f", {significant(high.value / low.value, 2)} times as much" if low.value > 0 else ""
        yield (
            f"From {significant(low.value, 2)} {unit} ({low.at}) to {significant(high.value, 2)} {unit} "
            f"({high.at}){ratio}: "
            "the detection limit depends on its definition and its matrix before it depends on the instrument."
        )


def _limit_words(limits: Sequence[Quantity], view: DetectionView, unit: str) -> Iterator[str]:
    matrix_of = {definition.name: definition.matrix for definition in view.definitions}
    for q in limits:
        if q.at in ("IUPAC 1997", COUNTED):
            value, interval = with_interval(q.value, q.interval)
            sure = f" ({interval})" if interval else ""
            yield f"By {q.at} it is {value} {unit}{sure}. Matrix: {matrix_of[str(q.at)]}."


def _other_matrices_words(view: DetectionView) -> Iterator[str]:
    others = [group.matrix for group in view.groups if group.kind == "blank" and group.suffix != ""]
    if others:
        yield f"Blanks of {sentence_list(others)} have limits of their own; none may be quoted for another matrix."


def _elsewhere_words(entry: Elsewhere, unit: str) -> str:
    place = f"{entry.requirement} asks for the {entry.quantity} by {entry.definition} in {entry.matrix}"
    there = f"by the same definition {entry.other} gives {significant(entry.there, 2)} {unit}"
    beyond = ""
    if entry.limit is not None and entry.there > entry.limit:
        beyond = f", above the {significant(entry.limit, 2)} {unit} of {entry.requirement}"
    return (
        f"{place}, {significant(entry.value, 2)} {unit}; {there}{beyond}: the limit of {entry.matrix} "
        f"does not support a claim for {entry.other}."
    )


_CHECKS = ("Currie, IUPAC Recommendations 1995 (multipliers for 4 degrees of freedom)",)
_SOURCES = "IUPAC 1995/1997; ISO 11843-2:2000; DIN 32645:2008; 40 CFR 136 Appendix B (clauses from memory)"

CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Detection and quantification limits",
    position=70,
    experiment=NAME,
    also_reads=("calibration",),
    method=(
        "Blanks of each matrix give mean + 3 s and + 10 s, and the limits of IUPAC 1997 with Student's t.",
        "The calibration line gives the limits of ISO 11843-2 (over all levels, and over the lowest with a spread that "
        "is linear in the level) and of DIN 32645.",
        "Replicates spiked near the limit give t(0.99, n - 1) s.",
        "All are meant for one future reading; side by side, as their definitions differ more than the data.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.critical_value",
            "result above which fuel is said to be present",
            "L_C, x_C, x_NG",
            "depends on the definition; see the table",
            _SOURCES,
            "label",
            "study",
            ("upper bound", "point"),
            checked_against=_CHECKS,
        ),
        KeyInfo(
            f"{NAME}.detection_limit",
            "level that is missed with no more than the stated probability",
            "L_D, x_D, x_EG",
            "depends on the definition; see the table",
            _SOURCES,
            "label",
            "study",
            ("upper bound", "point"),
            checked_against=(
                *_CHECKS,
                "40 CFR 136 Appendix B, t table (NR 252.0365)",
                "Berthouex and Brown 2002, Example 14.1",
            ),
        ),
        KeyInfo(
            f"{NAME}.quantification_limit",
            "level from which a number may be reported",
            "L_Q, x_BG",
            "depends on the definition; see the table",
            _SOURCES,
            "label",
            "study",
            ("upper bound", "point"),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("blank_distribution", "definitions_side_by_side"),
)
