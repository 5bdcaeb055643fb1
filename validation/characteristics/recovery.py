"""Recovery: how much of an amount added to a sample is found again."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Any

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import why_not
from validation.characteristics._other_methods import other_methods_table
from validation.stats import recovery as statistics
from validation.stats.estimate import OldEstimate
from validation.stats.robust import robust_mean
from validation.study.model import ExperimentData, Study
from validation.study.ordering import natural_order
from validation.study.quantity import Evaluation, Quantity
from validation.words import level_text, significant, with_interval

NAME = "recovery"
ROBUST = "robust mean of the samples"
#: Content of the pure substance where the results are mass fractions in this unit: an addition then dilutes.
WHOLE = {"%": 100.0}
FRESH = (
    "A spike of fresh substance shows how fresh substance is found in this sample. What the sample held before may be "
    "bound or weathered and found less well; no recovery of a spike can show that."
)
DILUTED = (
    "Adding to a sample dilutes what it held: since the results are in %, before counts with 1 - added/100. Without "
    "this every recovery would read lower by before/100; the table of the samples shows both."
)
NO_DILUTION = (
    "Dilution by the addition is not counted, since the unit {unit} does not tell the content of the pure substance."
)
SPREAD_SHARED = (
    "What all samples share, such as the balance behind the added amounts or one calibration, is not in the spread of "
    "the samples and so not in this interval."
)


@dataclass(frozen=True)
class _Spike:
    """One sample with one added amount: the rows before and after, and the standard uncertainty of the amount."""

    name: str
    sample: str
    data: ExperimentData
    before: tuple[int, ...]
    after: tuple[int, ...]
    u_added: float | None
    notes: tuple[str, ...]

    @property
    def rows(self) -> list[int]:
        return sorted((*self.before, *self.after))

    def result(self, unit: str, confidence: float) -> statistics.RecoveryResult:
        return statistics.recovery(
            self.data.decimals("result", self.before),
            self.data.decimals("result", self.after),
            self.data.exact["added"][self.after[0]],
            u_added=self.u_added,
            whole=WHOLE.get(unit),
            confidence=confidence,
        )


def evaluate(study: Study) -> Evaluation:
    """The recovery of each spike, and their mean over samples."""
    data = study.ready(NAME)
    if data is None:
        return Evaluation(NAME, missing=why_not(study, NAME, "sample, added and result"))
    spikes, notes = _spikes(data, study.unit)
    if not spikes:
        return Evaluation(
            NAME,
            missing=" ".join(
                [
                    *notes,
                    "No sample was read both as it is (added = 0) and with an addition. Reading each sample both ways "
                    "supplies the recovery.",
                ]
            ),
        )
    found = [spike.result(study.unit, study.confidence) for spike in spikes]
    quantities = [
        _quantity(spike, f"{NAME}.recovery", spike.name, _said(one, study.unit), judged)
        for spike, one, judged in zip(
            spikes, found, (spike.result(study.unit, study.judged_confidence).recovery for spike in spikes), strict=True
        )
    ]
    means = [_mean(spikes, found, level, statistics.mean_recovery) for level in _levels(study)]
    quantities.append(_mean_quantity(spikes, means[0], means[1]))
    notes = [*data.notes, *notes, FRESH]
    if study.unit not in WHOLE:
        notes.append(NO_DILUTION.format(unit=study.unit))
    if study.looked_at_otherwise:
        return Evaluation(NAME, tuple(quantities), notes=tuple(notes))
    details = {
        "samples": [_shown(spike, one) for spike, one in zip(spikes, found, strict=True)],
        "mean": means[0].value,
        "mean_interval": None if means[0].interval is None else list(means[0].interval),
        "tables": [
            _sample_table(spikes, found, study.unit),
            _budget_table(spikes, found),
            *other_methods_table(quantities, alternatives(study)),
        ],
    }
    return Evaluation(NAME, tuple(quantities), (), tuple(dict.fromkeys(notes)), details=details)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The mean recovery as a robust mean of the samples, which one sample far out hardly moves."""
    data = study.ready(NAME)
    spikes = () if data is None else _spikes(data, study.unit)[0]
    if len({spike.sample for spike in spikes}) < 2:
        return {}
    found = [spike.result(study.unit, study.confidence) for spike in spikes]
    means = [_mean(spikes, found, level, robust_mean) for level in _levels(study)]
    return {ROBUST: [_mean_quantity(spikes, means[0], means[1])]}


def _levels(study: Study) -> tuple[float, float]:
    return study.confidence, study.judged_confidence


# ------------------------------------------------------------------------------------------------ the readings


def _spikes(data: ExperimentData, unit: str) -> tuple[list[_Spike], list[str]]:
    """Every sample and added amount with readings before and after, and what had to be left out."""
    table, notes = data.table, []
    samples = [str(name) for name in table["sample"]]
    spikes = []
    for sample in sorted(set(samples), key=natural_order):
        rows = [row for row, name in enumerate(samples) if name == sample]
        amounts = sorted({data.exact["added"][row] for row in rows})
        before = tuple(row for row in rows if data.exact["added"][row] == 0)
        added = [amount for amount in amounts if amount > 0]
        if not before or not added:
            what = "as it is (added = 0)" if added else "with an addition"
            notes.append(f"Sample {sample} is left out: it was not read {what}.")
            continue
        for amount in added:
            if unit in WHOLE and float(amount) >= WHOLE[unit]:
                notes.append(f"Sample {sample} with {amount} {unit} added is left out: no mixture holds so much.")
                continue
            after = tuple(row for row in rows if data.exact["added"][row] == amount)
            name = sample if len(added) == 1 else f"{sample}, {level_text(float(amount))} added"
            u_added, said = _u_added(data, after)
            spikes.append(
                _Spike(
                    name,
                    sample,
                    data,
                    before,
                    after,
                    u_added,
                    (*said, *_runs(data, before, after), *_lost(data, sample)),
                )
            )
    return spikes, notes


def _u_added(data: ExperimentData, rows: Sequence[int]) -> tuple[float | None, tuple[str, ...]]:
    """Standard uncertainty of the added amount; the quadratic mean where the rows differ."""
    if "u_added" not in data.exact:
        return None, ()
    values = [float(data.exact["u_added"][row]) for row in rows]
    if len(set(values)) == 1:
        return values[0], ()
    joined = sqrt(sum(u**2 for u in values) / len(values))
    return joined, ("The rows of one addition state different u_added; their quadratic mean is used.",)


def _runs(data: ExperimentData, before: Sequence[int], after: Sequence[int]) -> tuple[str, ...]:
    """Whether before and after share their runs, and with them the calibration."""
    if "run" not in data.table:
        return ()
    first, last = ({str(data.table["run"].iloc[row]) for row in rows} for rows in (before, after))
    if first != last:
        return (
            "Before and after were read in different runs: the difference carries the calibrations of both, and their "
            "scatter within runs does not show it.",
        )
    if len(first) == 1:
        return ("All readings of this sample are of one run: its calibration error is in the recovery, unseen.",)
    return ()


def _lost(data: ExperimentData, sample: str) -> tuple[str, ...]:
    count = data.censored_at("sample", sample)
    return (f"{count} censored reading(s) of this sample were left out.",) if count else ()


# ------------------------------------------------------------------------------------------------ quantities


def _said(result: statistics.RecoveryResult, unit: str) -> OldEstimate:
    """The recovery with the sentence on dilution where it is counted."""
    return result.recovery.with_notes(DILUTED) if unit in WHOLE else result.recovery


def _quantity(spike: _Spike, key: str, at: str, estimate: OldEstimate, judged: OldEstimate) -> Quantity:
    column = spike.data.table["reading"]
    return Quantity.from_estimate(
        key,
        at,
        estimate,
        unit="1",
        worksheet=spike.data.worksheet,
        readings=[str(column.iloc[row]) for row in spike.rows],
        judged=judged,
        notes=spike.notes,
        censored=spike.data.censored_at("sample", spike.sample),
    )


def _mean(
    spikes: Sequence[_Spike],
    found: Sequence[statistics.RecoveryResult],
    confidence: float,
    estimator: Callable[..., OldEstimate],
) -> OldEstimate:
    """Over samples; a sample with several added amounts counts once, with the mean of its recoveries."""
    own: dict[str, list[float]] = {}
    for spike, one in zip(spikes, found, strict=True):
        own.setdefault(spike.sample, []).append(one.recovery.value)
    estimate = estimator([sum(values) / len(values) for values in own.values()], confidence=confidence)
    return replace(estimate, n=len({row for spike in spikes for row in spike.rows}))


def _mean_quantity(spikes: Sequence[_Spike], estimate: OldEstimate, judged: OldEstimate) -> Quantity:
    data = spikes[0].data
    rows = sorted({row for spike in spikes for row in spike.rows})
    notes = [SPREAD_SHARED] if estimate.interval is not None else []
    if len({spike.sample for spike in spikes}) < len(spikes):
        notes.append("A sample with several added amounts counts once, with the mean of its recoveries.")
    censored = len(data.censored)
    if censored:
        notes.append(f"{censored} censored reading(s) were left out.")
    return Quantity.from_estimate(
        f"{NAME}.mean_recovery",
        None,
        estimate,
        unit="1",
        worksheet=data.worksheet,
        readings=[str(data.table["reading"].iloc[row]) for row in rows],
        judged=judged,
        unit_name="samples",
        notes=notes,
        censored=censored,
    )


# ------------------------------------------------------------------------------------------------ the chapter


def _shown(spike: _Spike, one: statistics.RecoveryResult) -> dict[str, Any]:
    return {
        "name": spike.name,
        "recovery": one.recovery.value,
        "interval": None if one.recovery.interval is None else list(one.recovery.interval),
        "uncorrected": one.uncorrected,
        "single": [
            {"recovery": (float(value) - one.expected) / float(spike.data.exact["added"][spike.after[0]]) + 1}
            for value in spike.data.decimals("result", spike.after)
        ],
    }


def _sample_table(spikes: Sequence[_Spike], found: Sequence[statistics.RecoveryResult], unit: str) -> dict[str, Any]:
    rows = [
        [
            spike.name,
            one.before,
            float(spike.data.exact["added"][spike.after[0]]),
            one.expected,
            one.after,
            one.recovery.value,
            one.uncorrected,
        ]
        for spike, one in zip(spikes, found, strict=True)
    ]
    head = ["sample", "before", "added", "expected", "found", "recovery", "recovery, dilution not counted"]
    return {"caption": f"Samples before and after the addition, in {unit}", "head": head, "rows": rows}


def _budget_table(spikes: Sequence[_Spike], found: Sequence[statistics.RecoveryResult]) -> dict[str, Any]:
    rows = [
        [
            spike.name,
            len(spike.before),
            len(spike.after),
            one.u_before,
            one.u_after,
            one.u_added,
            one.recovery.standard_uncertainty,
        ]
        for spike, one in zip(spikes, found, strict=True)
    ]
    head = ["sample", "readings before", "readings after", "u from before", "u from after", "u from added", "u"]
    return {"caption": "What each part adds to the standard uncertainty of the recovery", "head": head, "rows": rows}


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What came back, sample by sample and over samples."""
    if evaluation.missing:
        return [evaluation.missing]
    sentences = []
    for q in evaluation.quantities:
        if q.value is None:
            continue
        text, sure = _percent(q)
        if q.key == f"{NAME}.recovery":
            sentences.append(f"Of what was added to sample {q.at}, {text} % was found ({sure}).")
        elif q.units is not None and q.units > 1:
            sentences.append(f"Over {q.units} samples the mean recovery is {text} % ({sure}).")
    return [*sentences, FRESH]


def _percent(q: Quantity) -> tuple[str, str]:
    value = 100 * (q.value or 0.0)
    if q.interval is None or q.confidence is None:
        return significant(value), "no interval"
    text, between = with_interval(value, (100 * q.interval[0], 100 * q.interval[1]))
    return text, f"from {between} % with {100 * q.confidence:g} % confidence"


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Recovery",
    position=130,
    experiment=NAME,
    method=(
        "Each sample is read as it is and again with a weighed addition. The recovery is the mean after minus the mean "
        "before, as a share of what was added. Where results are mass fractions in %, the addition dilutes what the "
        "sample held before, and that is counted.",
        "The interval joins the scatter before, the scatter after and the uncertainty of the added amount by root sum "
        "of squares; degrees of freedom by Welch and Satterthwaite.",
        "The mean over samples has Student's t on samples - 1; a robust mean stands beside it.",
        "A spike behaves as fresh substance. What the sample held before may be found less well, unseen here.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.recovery",
            "share of an added amount that is found",
            "R",
            "R = (after - before (1 - added/100)) / added, in % with dilution; interval R +- t u",
            statistics.SOURCE,
            "label",
            "1",
            ("equivalence", "point", "lower bound"),
            None,
            (
                "spike recovery of a textbook of quantitative chemical analysis (tests/reference)",
                "GUM, written out (tests)",
            ),
        ),
        KeyInfo(
            f"{NAME}.mean_recovery",
            "mean of the recoveries over samples",
            "Rm",
            "Rm = sum R / p, interval Rm +- t(p - 1) s / sqrt(p)",
            statistics.MEAN_SOURCE,
            "none",
            "1",
            ("equivalence", "point", "lower bound"),
            None,
            ("scipy's one-sample t interval (scipy.stats.ttest_1samp)",),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("recovery_by_sample",),
    alternatives=alternatives,
)
