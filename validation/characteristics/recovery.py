"""Recovery: how much of an amount added to a sample is found again."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import sqrt

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import left_out, why_not
from validation.characteristics._other_methods import other_methods_table
from validation.figures.recovery import RecoveryView, Strip
from validation.stats import recovery as statistics
from validation.stats.estimate import Estimate
from validation.stats.robust import robust_mean
from validation.study.model import ExperimentData, Study
from validation.study.ordering import natural_order
from validation.study.quantity import Cell, Display, Evaluation, Quantity, Table
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
NO_PAIR = (
    "No sample was read both as it is (added = 0) and with an addition. Reading each sample both ways supplies the "
    "recovery."
)
SPREAD_SHARED = (
    "What all samples share, such as the balance behind the added amounts or one calibration, is not in the spread of "
    "the samples and so not in this interval."
)


@dataclass(frozen=True)
class _Spike:
    """One sample with one added amount: the rows before and after, and the standard uncertainty of the amount.

    `whole`: content of the pure substance in the unit of the results, None where the unit does not tell it.
    """

    name: str
    sample: str
    data: ExperimentData
    before: tuple[int, ...]
    after: tuple[int, ...]
    u_added: float | None
    whole: float | None
    notes: tuple[str, ...]

    @property
    def rows(self) -> list[int]:
        return sorted((*self.before, *self.after))

    @property
    def added(self) -> float:
        return float(self.data.exact["added"][self.after[0]])

    @cached_property
    def result(self) -> statistics.RecoveryResult:
        return statistics.recovery(
            self.data.decimals("result", self.before),
            self.data.decimals("result", self.after),
            self.data.exact["added"][self.after[0]],
            u_added=self.u_added,
            whole=self.whole,
        )


def evaluate(study: Study) -> Evaluation:
    """The recovery of each spike, and their mean over samples."""
    data = study.ready(NAME)
    if data is None:
        return Evaluation(NAME, missing=why_not(study, NAME, "sample, added and result"))
    spikes, notes = _spikes(data, study.unit)
    if not spikes:
        return Evaluation(NAME, missing=" ".join([*notes, NO_PAIR]))
    recoveries = [_quantity(study, spike) for spike in spikes]
    mean = _mean_quantity(study, spikes, statistics.mean_recovery)
    further = (FRESH,) if study.unit in WHOLE else (FRESH, NO_DILUTION.format(unit=study.unit))

    def show() -> Display:
        others = other_methods_table([mean], alternatives(study))
        strips = tuple(Strip(q, _singles(spike)) for q, spike in zip(recoveries, spikes, strict=True))
        tables = (_sample_table(spikes, study.unit), _budget_table(spikes), *others)
        return Display(tables=tables, view=RecoveryView(strips, Strip(mean)))

    return Evaluation(NAME, (*recoveries, mean), (), (*data.notes, *notes, *further), show=show)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The mean recovery as a robust mean of the samples, which one sample far out hardly moves."""
    data = study.ready(NAME)
    spikes = () if data is None else _spikes(data, study.unit)[0]
    if len({spike.sample for spike in spikes}) < 2:
        return {}
    return {ROBUST: [_mean_quantity(study, spikes, robust_mean)]}


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
            u_added, u_notes = _u_added(data, after)
            lost = left_out(data.censored_at("sample", sample), where="of this sample")
            further = (*u_notes, *_runs(data, before, after), *lost)
            spikes.append(_Spike(name, sample, data, before, after, u_added, WHOLE.get(unit), further))
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


# ------------------------------------------------------------------------------------------------ quantities


def _quantity(study: Study, spike: _Spike) -> Quantity:
    diluted = () if spike.whole is None else (DILUTED,)
    return Quantity(
        key=f"{NAME}.recovery",
        at=spike.name,
        estimate=spike.result.recovery.with_notes(*diluted, *spike.notes),
        level=study.confidence,
        unit="1",
        worksheet=spike.data.worksheet,
        readings=tuple(spike.data.identifiers[row] for row in spike.rows),
        censored=spike.data.censored_at("sample", spike.sample),
    )


def _mean_quantity(
    study: Study, spikes: Sequence[_Spike], estimator: Callable[[Sequence[float]], Estimate]
) -> Quantity:
    """Over samples; a sample with several added amounts counts once, with the mean of its recoveries."""
    data = spikes[0].data
    own: dict[str, list[float]] = {}
    for spike in spikes:
        own.setdefault(spike.sample, []).append(spike.result.recovery.value)
    rows = sorted({row for spike in spikes for row in spike.rows})
    estimate = replace(estimator([sum(values) / len(values) for values in own.values()]), n=len(rows))
    notes = [SPREAD_SHARED] if estimate.distribution is not None else []
    if len(own) < len(spikes):
        notes.append("A sample with several added amounts counts once, with the mean of its recoveries.")
    return Quantity(
        key=f"{NAME}.mean_recovery",
        at=None,
        estimate=estimate.with_notes(*notes, *left_out(len(data.censored))),
        level=study.confidence,
        unit="1",
        worksheet=data.worksheet,
        readings=tuple(data.identifiers[row] for row in rows),
        unit_name="samples",
        censored=len(data.censored),
    )


# ------------------------------------------------------------------------------------------------ the chapter


def _singles(spike: _Spike) -> tuple[float, ...]:
    """The recovery that each reading after the addition would give alone."""
    values = spike.data.decimals("result", spike.after)
    return tuple((float(value) - spike.result.expected) / spike.added + 1 for value in values)


def _sample_table(spikes: Sequence[_Spike], unit: str) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for spike in spikes:
        one = spike.result
        amounts = (one.before, spike.added, one.expected, one.after)
        rows.append((spike.name, *amounts, one.recovery.value, one.uncorrected))
    head = ("sample", "before", "added", "expected", "found", "recovery", "recovery, dilution not counted")
    return Table("samples", f"Samples before and after the addition, in {unit}", head, tuple(rows))


def _budget_table(spikes: Sequence[_Spike]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for spike in spikes:
        one = spike.result
        parts = (one.u_before, one.u_after, one.u_added, one.recovery.standard_uncertainty)
        rows.append((spike.name, len(spike.before), len(spike.after), *parts))
    head = ("sample", "readings before", "readings after", "u from before", "u from after", "u from added", "u")
    caption = "What each part adds to the standard uncertainty of the recovery"
    return Table("uncertainty", caption, head, tuple(rows))


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What came back, sample by sample and over samples."""
    sentences = []
    for q in evaluation.judged:
        text, sure = _percent(q)
        if q.key == f"{NAME}.recovery":
            sentences.append(f"Of what was added to sample {q.at}, {text} % was found ({sure}).")
        elif q.units is not None and q.units > 1:
            sentences.append(f"Over {q.units} samples the mean recovery is {text} % ({sure}).")
    return [*sentences, FRESH]


def _percent(q: Quantity) -> tuple[str, str]:
    value = 100 * q.value
    if q.interval is None:
        return significant(value), "no interval"
    text, between = with_interval(value, (100 * q.interval[0], 100 * q.interval[1]))
    return text, f"from {between} % with {100 * q.level:g} % confidence"


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
