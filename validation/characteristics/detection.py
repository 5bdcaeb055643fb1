"""Detection and quantification limits: every definition side by side, each with its matrix and count."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal
from functools import partial
from typing import Any

import numpy as np

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._calibration_points import CalibrationPoints, calibration_points
from validation.characteristics._censored import all_censored
from validation.stats import detection as statistics
from validation.stats.detection import DetectionResult
from validation.stats.regression import straight_line
from validation.study.model import ExperimentData, Reading, Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import level_text, sentence_list, significant, with_interval

NO_MATRIX = "matrix not stated"
LOW_RANGE_RUNS = (
    "The line takes its readings as independent: with 10 blanks in 5 runs that differ as much as readings of one run, "
    "a blank of a further run exceeds the critical value in 7 % of cases instead of 5 % (simulated)."
)
LOWEST_LEVELS = 4
_LIMITS = ("critical_value", "detection_limit", "quantification_limit")


def evaluate(study: Study) -> Evaluation:
    """Every detection limit the study's blanks, spikes and calibration line give."""
    data = study.ready("detection")
    if data is None:
        planned = "detection" in study.experiments
        awaited = all_censored(study, "detection") or "The detection worksheet awaits readings."
        said = awaited if planned else "No detection experiment is planned."
        return Evaluation("detection", missing=said)
    return _Chapter(study, data).evaluation()


class _Chapter:
    """The work of one evaluation: quantities, table rows and notes gather here."""

    def __init__(self, study: Study, data: ExperimentData):
        self.study, self.data = study, data
        self.alpha = 1 - study.confidence
        self.quantities: list[Quantity] = []
        self.rows: list[list[Any]] = []
        self.notes: list[str] = list(data.notes)
        self.groups: list[dict[str, Any]] = []

    def evaluation(self) -> Evaluation:
        self._blanks()
        self._lines()
        self._spikes()
        missing = (
            ""
            if self.quantities
            else (
                "No detection limit can be formed: it takes two or more readings of a blank (level 0) of one matrix, "
                "two or more of a spiked material, or a calibration line."
            )
        )
        table = {
            "caption": f"Limits side by side, in {self.study.unit}.",
            "head": ["definition", "matrix", "n", *(name.replace("_", " ") for name in _LIMITS), "formula"],
            "rows": self.rows,
        }
        details = {"groups": self.groups, "elsewhere": self._elsewhere(), "tables": [table]}
        return Evaluation("detection", tuple(self.quantities), (), tuple(dict.fromkeys(self.notes)), missing, details)

    def _elsewhere(self) -> list[dict[str, Any]]:
        """Limits that a requirement asks of one matrix, and that are larger by the same definition in another one."""
        found = {(q.key, str(q.at)): q.value for q in self.quantities if q.value is not None}
        matrix_of = {str(row[0]): str(row[1]) for row in self.rows}
        entries = []
        for item in self.study.plan.requirements:
            own = found.get((item.quantity, str(item.at)))
            if own is None or not item.quantity.startswith("detection."):
                continue
            home = matrix_of[str(item.at)]
            base = str(item.at).removesuffix(f", {home}")
            for (key, at), value in found.items():
                other = matrix_of[at]
                if key != item.quantity or other == home or at not in (base, f"{base}, {other}") or value <= own:
                    continue
                name = key.partition(".")[2].replace("_", " ")
                entry = {"requirement": item.id, "limit": item.limit.number, "quantity": name, "at": base}
                entries.append({**entry, "matrix": home, "value": own, "other": other, "there": value})
        return entries

    # --- blanks -------------------------------------------------------------------------------------------------------

    def _blanks(self) -> None:
        matrices = _matrix_of(self.data)
        blank = _is_blank(self.data)
        if not blank.any():
            self.notes.append("No reading is at level 0: limits from blanks are not available.")
            return
        if "level" not in self.data.table:
            self.notes.append("The worksheet has no column `level`: every reading is taken as one of a blank.")
        if "matrix" not in self.data.table:
            self.notes.append("The worksheet has no column `matrix`: matrix not stated. A limit holds for one matrix.")
        found = list(dict.fromkeys(matrices[blank]))
        for matrix in sorted({_matrix_text(reading) for reading in self.data.censored} - set(found)):
            if _censored(self.data, matrix, blank=True):
                self.notes.append(f"All blanks of {matrix} are censored: no limit can be formed for it.")
        main = self._main(found, "blanks")
        for matrix in [main, *(name for name in found if name != main)]:
            rows = np.flatnonzero(blank & (matrices == matrix))
            suffix = "" if matrix == main else f", {matrix}"
            self._blanks_of(matrix, rows, suffix)

    def _main(self, found: list[str], what: str) -> str:
        stated = self.data.settings.get("matrix")
        if stated is not None and str(stated) in found:
            return str(stated)
        if stated is not None:
            self.notes.append(
                f'None of the {what} is of the matrix "{stated}" that the plan states; {found[0]} is taken.'
            )
        elif len(found) > 1:
            self.notes.append(
                f"The plan states no `matrix`: {found[0]}, first among the {what}, carries the names without suffix."
            )
        return found[0]

    def _blanks_of(self, matrix: str, rows: np.ndarray, suffix: str) -> None:
        values = self.data.decimals("result", rows)
        censored = _censored(self.data, matrix, blank=True)
        self._group(matrix, "blank", rows, suffix)
        if len(values) < 2:
            self.notes.append(f"One blank of {matrix}: no spread, hence no limit. Read at least ten blanks.")
            return
        if len(set(values)) == 1:
            self.notes.append(
                f"All {len(values)} blanks of {matrix} read the same: their spread is hidden by the resolution of the "
                "reading, and no limit can be formed. Read them with more digits."
            )
            return
        differ = self._run_notes(values, rows, matrix)
        said = self._censored_notes(censored, "blank")
        if len(values) < 10:
            said.append(f"{len(values)} blanks of {matrix}; ten or more are usual (Eurachem, from memory).")
        said += differ
        self._add(
            "blank 3s" + suffix,
            matrix,
            partial(statistics.blank_3s, values),
            self.data,
            rows,
            said,
            len(censored),
        )
        self._add(
            "IUPAC 1997" + suffix,
            matrix,
            partial(statistics.iupac_1997, values, alpha=self.alpha),
            self.data,
            rows,
            said,
            len(censored),
        )
        runs = self._by_run(values, rows)
        if len(runs) >= 2 and any(len(run) >= 2 for run in runs):
            self._add(
                "IUPAC 1997, runs kept" + suffix,
                matrix,
                partial(statistics.iupac_1997_runs, runs, alpha=self.alpha),
                self.data,
                rows,
                said[: len(said) - len(differ)],
                len(censored),
            )

    def _by_run(self, values: list[Decimal], rows: np.ndarray) -> list[list[Decimal]]:
        """The blanks of each run, in order of appearance; nothing where no run is named."""
        if "run" not in self.data.table:
            return []
        found: dict[str, list[Decimal]] = {}
        for run, value in zip(self.data.table["run"].iloc[rows], values, strict=True):
            found.setdefault(str(run), []).append(value)
        return list(found.values())

    def _run_notes(self, values: list[Decimal], rows: np.ndarray, matrix: str) -> list[str]:
        runs = self._by_run(values, rows)
        codes = [code for code, run in enumerate(runs) for _ in run]
        test = statistics.run_component([value for run in runs for value in run], codes) if runs else None
        if test is None or test[1] >= 0.05:
            return []
        return [
            f"The blanks of {matrix} differ between runs (F = {significant(test[0])}, p = {significant(test[1], 2)}): "
            "they count for less than their number, the intervals are too narrow and the chances of a false and of a "
            "missed detection higher than stated; `IUPAC 1997, runs kept` counts the runs."
        ]

    def _censored_notes(self, censored: list[Reading], what: str) -> list[str]:
        if not censored:
            return []
        return [
            f"{len(censored)} censored reading(s) of this {what} were left out. "
            "Limits from the rest are not to be relied on: read such materials without a reporting limit."
        ]

    # --- calibration line ---------------------------------------------------------------------------------------------

    def _lines(self) -> None:
        data = self.study.ready("calibration")
        if data is None:
            self.notes.append("No calibration readings: limits from a calibration line are not available.")
            return
        points = calibration_points(data)
        if points.missing or len(points.x) < 3:
            self.notes.append(f"Limits from a calibration line are not available. {points.missing}".strip())
            return
        line = straight_line(points.x, points.y)
        if line.slope == 0:
            self.notes.append("The calibration line is level: limits from it are not available.")
            return
        if line.exact:
            self.notes.append(
                "The calibration readings lie on their line to the last digit: their spread is hidden by the "
                "resolution, and limits from the line are not available."
            )
            return
        matrix = "calibration standards"
        censored = len(data.censored)
        said = [f"{censored} censored reading(s) of the calibration worksheet were left out."] if censored else []
        said.append("The spread is taken as equal at all levels of the line; where it grows, this limit is too high.")
        rows = np.arange(len(points.x))
        for name, function in (("ISO 11843-2", statistics.iso_11843_2), ("DIN 32645", statistics.din_32645)):
            self._add(
                name,
                matrix,
                partial(function, line, alpha=self.alpha),
                data,
                [points.readings[row] for row in rows],
                said,
                censored,
            )
        self._low_range(data, points, matrix)

    def _low_range(self, data: ExperimentData, points: CalibrationPoints, matrix: str) -> None:
        highest = self.data.settings.get("low_range_max")
        means = [points.mean_x(code) for code in range(len(points.names))]
        chosen = [code for code, mean in enumerate(means) if highest is None or mean <= highest]
        if highest is None:
            chosen = chosen[:LOWEST_LEVELS]
        rows = np.flatnonzero(np.isin(points.levels, chosen))
        x, y, levels = [points.x[r] for r in rows], [points.y[r] for r in rows], points.levels[rows]
        names = [level_text(points.names[code]) for code in chosen]
        try:
            statistics.iso_11843_2_linear_sd(x, y, levels)
        except ValueError:
            self.notes.append(
                "The low-range limit of ISO 11843-2 is not available: it takes replicates that scatter at two low "
                "levels or more. Read the lowest levels at least twice."
            )
            return
        said = [f"Fitted to the levels {sentence_list(names)} {self.study.unit} of the calibration worksheet."]
        if highest is None:
            said.append("The plan states no `low_range_max`: the lowest four levels are taken.")
        if points.runs is not None and len(set(points.runs)) > 1:
            said.append(LOW_RANGE_RUNS)
        low = [r for r in data.censored if _number(r.values.get("level", "")) in [means[code] for code in chosen]]
        if low:
            said.append(f"{len(low)} censored reading(s) at these levels were left out.")
        self._add(
            "ISO 11843-2, low range, s linear",
            matrix,
            partial(statistics.iso_11843_2_linear_sd, x, y, levels, alpha=self.alpha),
            data,
            [points.readings[r] for r in rows],
            said,
            len(low),
        )

    # --- spiked replicates --------------------------------------------------------------------------------------------

    def _spikes(self) -> None:
        if not self.data.numeric_levels:
            return
        levels, matrices = np.array(self.data.table["level"], dtype=float), _matrix_of(self.data)
        spiked = levels > 0
        if not spiked.any():
            self.notes.append("No reading is at a level above 0: no limit from spikes, and no limit is challenged.")
            return
        found = list(dict.fromkeys(matrices[spiked]))
        main = self._main(found, "spiked replicates") if len(found) > 1 else found[0]
        for matrix in [main, *(name for name in found if name != main)]:
            lowest = float(levels[spiked & (matrices == matrix)].min())
            rows = np.flatnonzero((levels == lowest) & (matrices == matrix))
            suffix = "" if matrix == main else f", {matrix}"
            self._group(matrix, f"spiked at {level_text(lowest)}", rows, None)
            if len(rows) < 2:
                self.notes.append(f"One spiked replicate of {matrix}: no limit. The source asks for seven.")
                continue
            values = self.data.decimals("result", rows)
            if len(set(values)) == 1:
                self.notes.append(
                    f"All {len(rows)} spiked replicates of {matrix} read the same: their spread is hidden by the "
                    "resolution of the reading, and no limit can be formed."
                )
                continue
            censored = [r for r in _censored(self.data, matrix, blank=False) if _number(r.values["level"]) == lowest]
            said = [f"Spiked at {level_text(lowest)} {self.study.unit}.", *self._censored_notes(censored, "spike")]
            self._add(
                "spiked replicate" + suffix,
                matrix,
                partial(statistics.spiked_replicates, values),
                self.data,
                rows,
                said,
                len(censored),
            )

    # --- gathering ----------------------------------------------------------------------------------------------------

    def _add(
        self,
        definition: str,
        matrix: str,
        compute: Callable[..., DetectionResult],
        data: ExperimentData,
        rows: Sequence[str] | np.ndarray,
        notes: list[str],
        censored: int,
    ) -> None:
        """One definition: its quantities and its row of the table."""
        result, judged = compute(confidence=self.study.confidence), compute(confidence=self.study.judged_confidence)
        if isinstance(rows, np.ndarray):
            rows = [str(data.table["reading"].iloc[int(row)]) for row in rows]
        cells: list[float | None] = []
        for name in _LIMITS:
            estimate, other = getattr(result, name), getattr(judged, name)
            cells.append(None if estimate is None else estimate.value)
            if estimate is None:
                continue
            self.quantities.append(
                Quantity.from_estimate(
                    f"detection.{name}",
                    definition,
                    estimate,
                    unit=self.study.unit,
                    worksheet=data.worksheet,
                    readings=list(rows),
                    judged=other,
                    notes=[f"Matrix: {matrix}.", *result.notes, *notes],
                    censored=censored,
                )
            )
        self.rows.append([definition, matrix, len(rows), *cells, result.formula])

    def _group(self, matrix: str, kind: str, rows: np.ndarray, suffix: str | None) -> None:
        """A group of readings as the figure of the blanks draws it; `suffix` None for spikes."""
        table = self.data.table
        self.groups.append(
            {
                "matrix": matrix,
                "kind": kind,
                "suffix": suffix,
                "results": [float(value) for value in table["result"].iloc[rows]],
                "readings": [str(value) for value in table["reading"].iloc[rows]],
            }
        )


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
    found = []
    for reading in data.censored:
        level = _number(reading.values.get("level", "0"))
        if _matrix_text(reading) == matrix and (level == 0) == blank:
            found.append(reading)
    return found


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    limits = [q for q in evaluation.quantities if q.key == "detection.detection_limit" and q.value is not None]
    if not limits:
        return list(evaluation.notes)
    low, high = min(limits, key=lambda q: q.value or 0.0), max(limits, key=lambda q: q.value or 0.0)
    said = []
    if len(limits) > 1 and low.value is not None and high.value is not None:
        ratio = f", {significant(high.value / low.value, 2)} times as much" if low.value > 0 else ""
        said.append(
            f"From {significant(low.value, 2)} {unit} ({low.at}) to {significant(high.value, 2)} {unit} "
            f"({high.at}){ratio}: "
            "the detection limit depends on its definition and its matrix before it depends on the instrument."
        )
    for q in limits:
        if q.value is None or q.at not in ("IUPAC 1997", "ISO 11843-2, low range, s linear"):
            continue
        value, interval = with_interval(q.value, q.interval)
        matrix = next((note for note in q.notes if note.startswith("Matrix: ")), "Matrix: not stated.")
        said.append(f"By {q.at} it is {value} {unit} ({interval}). {matrix}")
    groups = evaluation.details.get("groups", [])
    others = [group["matrix"] for group in groups if group["kind"] == "blank" and group["suffix"] != ""]
    if others:
        names = sentence_list(others)
        said.append(f"Blanks of {names} have limits of their own; none may be quoted for another matrix.")
    for entry in evaluation.details.get("elsewhere", []):
        place = f"{entry['requirement']} asks for the {entry['quantity']} by {entry['at']} in {entry['matrix']}"
        there = f"by the same definition {entry['other']} gives {significant(entry['there'], 2)} {unit}"
        limit = entry["limit"]
        beyond = ""
        if limit is not None and entry["there"] > limit:
            beyond = f", above the {significant(limit, 2)} {unit} of {entry['requirement']}"
        said.append(
            f"{place}, {significant(entry['value'], 2)} {unit}; {there}{beyond}: what is found of {entry['matrix']} "
            f"does not support a claim for {entry['other']}."
        )
    said.append("A limit is a statement about future readings; spiked materials near it show whether it holds.")
    return said


_CHECKS = ("Currie, IUPAC Recommendations 1995 (multipliers for 4 degrees of freedom)",)
_SOURCES = "IUPAC 1995/1997; ISO 11843-2:2000; DIN 32645:2008; 40 CFR 136 Appendix B (clauses from memory)"

CHARACTERISTIC = Characteristic(
    name="detection",
    title="Detection and quantification limits",
    position=70,
    experiment="detection",
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
            "detection.critical_value",
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
            "detection.detection_limit",
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
            "detection.quantification_limit",
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
