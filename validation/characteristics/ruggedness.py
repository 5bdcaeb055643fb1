"""Ruggedness: how far each setting of the procedure moves the result, from a two-level screening design."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._allowed import allowed
from validation.characteristics._censored import left_out, why_not
from validation.figures.ruggedness import BlockEffect, Contrast, FactorEffect, RuggednessView, ScatterLine
from validation.stats import ruggedness as statistics
from validation.stats.estimate import Estimate, Number, exact, mean
from validation.stats.intervals import Interval
from validation.stats.two_level_designs import Mixed, mixed_with, resolution
from validation.study.model import ExperimentData, Study
from validation.study.ordering import natural_order
from validation.study.quantity import At, Cell, Display, Evaluation, Quantity, Table
from validation.words import MINUS, fixed, level_text, places_for, sentence_list, significant, with_interval

NAME = "ruggedness"
LENTH = "Lenth's PSE"
NO_FACTORS = (
    "The plan names no factors of the screening. Write them with the two settings of each: "
    'factors: {equilibration: {low: "30 s", high: "60 s"}}.'
)
MIXED = {
    3: (
        "Resolution III: each main effect is mixed with interactions of two other factors (see the table), and an "
        "effect may be theirs. Repeating the trials with every setting turned round would separate them."
    ),
    4: (
        "Resolution IV: no main effect is mixed with an interaction of two factors; those interactions are mixed with "
        "each other."
    ),
}


@dataclass(frozen=True)
class _Screen:
    """The usable readings of a screening: row by row the exact result, the settings, the block."""

    data: ExperimentData
    factors: Mapping[str, tuple[str, str]]
    rows: tuple[int, ...]
    settings: tuple[tuple[int, ...], ...]
    values: tuple[Number, ...]
    blocks: tuple[str, ...] | None
    block_name: str
    notes: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self.factors)

    @property
    def readings(self) -> tuple[str, ...]:
        column = self.data.table["reading"]
        return tuple(str(column.iloc[row]) for row in self.rows)

    def effects(self) -> statistics.EffectsResult:
        return statistics.effects(self.values, self.settings, blocks=self.blocks)


def evaluate(study: Study) -> Evaluation:
    """The effect of each factor, absolute and as a share of the result, and the scatter it is seen against."""
    screen, missing = _screen(study)
    if screen is None:
        return Evaluation(NAME, missing=missing)
    result = screen.effects()
    effects = _by_factor(screen, study, result.effects, f"{NAME}.effect", study.unit)
    relative = _by_factor(screen, study, _clear_of_zero(result.relative, study), f"{NAME}.relative_effect", "1")
    notes = [*screen.notes, *_design_notes(screen, result, relative)]

    def show() -> Display:
        view = _view(screen, study, result, effects, relative)
        order = [factor.name for factor in view.factors]
        tables = (
            _factor_table(screen, order, effects, relative),
            _mixed_table(screen),
            _trial_table(screen),
            *_lenth_table(result, study),
        )
        return Display(tables=tables, view=view)

    quantities = (*effects.values(), *relative.values(), *_scatter(screen, study, result))
    return Evaluation(NAME, quantities, (), tuple(dict.fromkeys(notes)), show=show)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The effects of a repeated design with the interval that the effects themselves give."""
    screen, _ = _screen(study)
    result = None if screen is None else screen.effects()
    if screen is None or result is None or result.route != "replicates":
        return {}
    effects, relative = statistics.effects_by_lenth(result)
    if not effects:
        return {}
    return {
        LENTH: [
            *_by_factor(screen, study, effects, f"{NAME}.effect", study.unit).values(),
            *_by_factor(screen, study, _clear_of_zero(relative, study), f"{NAME}.relative_effect", "1").values(),
        ]
    }


# ------------------------------------------------------------------------------------------------ the readings


def _screen(study: Study) -> tuple[_Screen | None, str]:
    """The readings with their settings, or the sentence why there is nothing to estimate."""
    data = study.ready(NAME)
    if data is None:
        return None, why_not(study, NAME, "trial, the factors of the plan and result")
    factors = {
        str(name): (str(pair["low"]).strip(), str(pair["high"]).strip())
        for name, pair in (data.settings.get("factors") or {}).items()
    }
    if not factors:
        return None, NO_FACTORS
    absent = [name for name in factors if name not in data.table]
    if absent:
        return None, (
            f"{data.worksheet} lacks the {'column' if len(absent) == 1 else 'columns'} {sentence_list(absent)} of the "
            "plan's factors: add one cell a reading with the low or the high setting."
        )
    return _placed(data, factors)


def _placed(data: ExperimentData, factors: Mapping[str, tuple[str, str]]) -> tuple[_Screen | None, str]:
    texts = {item.reading: item.values for item in data.readings}
    rows, settings, notes = [], [], []
    for row, reading in enumerate(map(str, data.table["reading"])):
        cells = {name: str(texts[reading].get(name, "")).strip() for name in factors}
        wrong = [name for name, pair in factors.items() if cells[name] not in pair]
        if wrong:
            low, high = factors[wrong[0]]
            notes.append(
                f'Reading {reading} is left out: its {wrong[0]} reads "{cells[wrong[0]]}", which is neither "{low}" '
                f'nor "{high}".'
            )
            continue
        rows.append(row)
        settings.append(tuple(1 if cells[name] == pair[1] else -1 for name, pair in factors.items()))
    if len(rows) < 2:
        return None, " ".join([*notes, "Fewer than two readings hold settings that the plan names."])
    notes += left_out(len(data.censored))
    values = tuple(data.decimals("result", rows))
    blocks, block_name = _blocks(data, rows)
    notes += [*data.notes, *_trial_names(data, rows, settings)]
    return _Screen(data, factors, tuple(rows), tuple(settings), values, blocks, block_name, tuple(notes)), ""


def _blocks(data: ExperimentData, rows: Sequence[int]) -> tuple[tuple[str, ...] | None, str]:
    """The run of each reading, or its day, where every reading names one and there are two or more."""
    for column in ("run", "day"):
        if column in data.table:
            named = tuple(str(data.table[column].iloc[row]).strip() for row in rows)
            if all(named) and len(set(named)) > 1:
                return named, column
    return None, ""


def _trial_names(data: ExperimentData, rows: Sequence[int], settings: Sequence[tuple[int, ...]]) -> list[str]:
    """Whether the column `trial` agrees with the settings; the settings count."""
    named: dict[str, set[tuple[int, ...]]] = {}
    for row, held in zip(rows, settings, strict=True):
        named.setdefault(str(data.table["trial"].iloc[row]), set()).add(held)
    several = sorted((name for name, held in named.items() if len(held) > 1), key=natural_order)
    notes = []
    if several:
        trials = "Trial" if len(several) == 1 else "Trials"
        hold = "holds" if len(several) == 1 else "hold"
        notes.append(
            f"{trials} {sentence_list(several)} {hold} readings with different settings; readings are grouped by their "
            "settings, not by the name of the trial."
        )
    if len(named) > len(set(settings)) and not several:
        notes.append("Some trials have the same settings under different names; they are taken as replicates.")
    return notes


# ------------------------------------------------------------------------------------------------ quantities


def _clear_of_zero(shares: Sequence[Estimate | None], study: Study) -> list[Estimate | None]:
    """Without those of a mean that is not clear of zero at the study's confidence: no share of it is given then."""
    return [
        None
        if share is None or (share.distribution is not None and share.interval(study.confidence) is None)
        else share
        for share in shares
    ]


def _by_factor(
    screen: _Screen, study: Study, estimates: Sequence[Estimate | None], key: str, unit: str
) -> dict[str, Quantity]:
    return {
        name: _quantity(screen, study, key, name, estimate, unit)
        for name, estimate in zip(screen.names, estimates, strict=True)
        if estimate is not None
    }


def _quantity(screen: _Screen, study: Study, key: str, at: At, estimate: Estimate, unit: str) -> Quantity:
    censored = len(screen.data.censored)
    return Quantity(
        key=key,
        at=at,
        estimate=estimate.with_notes(*left_out(censored)),
        level=study.confidence,
        unit=unit,
        worksheet=screen.data.worksheet,
        readings=screen.readings,
        unit_name="trials",
        censored=censored,
    )


def _scatter(screen: _Screen, study: Study, result: statistics.EffectsResult) -> list[Quantity]:
    quantities = []
    if result.residual_sd is not None:
        quantities.append(_quantity(screen, study, f"{NAME}.residual_sd", None, result.residual_sd, study.unit))
    if result.lenth is not None:
        pse = Estimate(
            result.lenth.pse,
            degrees_of_freedom=result.lenth.degrees_of_freedom,
            n=len(screen.rows),
            units=result.check.trials,
            notes=() if result.residual_sd is None else result.residual_sd.notes,
            source=statistics.LENTH_SOURCE,
        )
        quantities.append(_quantity(screen, study, f"{NAME}.pseudo_standard_error", None, pse, study.unit))
    return quantities


def _design_notes(screen: _Screen, result: statistics.EffectsResult, relative: Mapping[str, Quantity]) -> list[str]:
    names, check = screen.names, result.check
    notes = [*_inseparable_notes(screen, check)]
    unequal = [
        f"{name} ({low} low, {high} high)"
        for name, (low, high) in zip(names, check.counts, strict=True)
        if low != high and low and high
    ]
    if unequal:
        notes.append(f"Not balanced: {sentence_list(unequal)}. The effects are those of least squares.")
    if check.leaning:
        pairs = [f"{names[a]} with {names[b]} (correlation {fixed(r, 2)})" for a, b, r in check.leaning]
        notes.append(
            f"Varied partly together: {sentence_list(pairs)}. Least squares separates them, at the price of wider "
            "intervals."
        )
    notes += _block_notes(screen, result)
    level = resolution(screen.settings)
    if level in (3, 4) and len(names) > 2:
        notes.append(MIXED[level])
    if result.mean is not None and not relative and any(result.effects):
        notes.append(statistics.MEAN_NEAR_ZERO)
    return notes


def _inseparable_notes(screen: _Screen, check: statistics.DesignCheck) -> list[str]:
    """Factors whose effect is not given: never varied, varied together, or not to be told from the others."""
    names, notes = screen.names, []
    for j in check.constant:
        stood = screen.factors[names[j]][1 if check.counts[j][1] else 0]
        notes.append(f'{names[j]} was never varied: it stood at "{stood}" throughout, and no effect can be estimated.')
    for a, b, sign in check.twins:
        how = "together" if sign > 0 else "together, one high where the other is low,"
        notes.append(
            f"{names[a]} and {names[b]} were varied {how} in every reading: their effects cannot be told apart, and "
            "neither is given."
        )
    paired = {j for a, b, _ in check.twins for j in (a, b)}
    lost = [names[j] for j in check.inseparable if j not in paired]
    if lost:
        notes.append(
            f"The trials are too few or too alike to tell the effect of {sentence_list(lost)} from the others; it is "
            "not given. Further trials of the design would supply it."
        )
    return notes


def _block_notes(screen: _Screen, result: statistics.EffectsResult) -> list[str]:
    if not result.blocks_left or screen.blocks is None:
        return []
    notes = [
        f"The {screen.block_name}s cannot be told from the trials, so differences between them stay in the intervals."
    ]
    for j, name in enumerate(screen.names):
        held: dict[str, set[int]] = {}
        for block, row in zip(screen.blocks, screen.settings, strict=True):
            held.setdefault(block, set()).add(row[j])
        if all(len(values) == 1 for values in held.values()) and j not in result.check.constant:
            notes.append(
                f"{name} changed only from {screen.block_name} to {screen.block_name}: its effect cannot be told from "
                f"the difference between the {screen.block_name}s."
            )
    return notes


# ------------------------------------------------------------------------------------------------ the chapter


def _view(
    screen: _Screen,
    study: Study,
    result: statistics.EffectsResult,
    effects: Mapping[str, Quantity],
    relative: Mapping[str, Quantity],
) -> RuggednessView:
    ordered = sorted(effects, key=lambda name: -abs(effects[name].value))
    return RuggednessView(
        mean=result.mean,
        block_name=screen.block_name,
        factors=tuple(_factor(screen, study, effects[name], relative.get(name), name) for name in ordered),
        contrasts=_contrasts(screen, result),
        scatter=None if result.lenth is None else ScatterLine(result.lenth.pse, result.lenth.margin(study.confidence)),
    )


def _factor(screen: _Screen, study: Study, effect: Quantity, relative: Quantity | None, name: str) -> FactorEffect:
    key = (effect if relative is None else relative).key
    return FactorEffect(
        name,
        *screen.factors[name],
        effect=effect,
        relative=relative,
        allowed=allowed(study, key, name, rule="equivalence"),
        by_block=_by_block(screen, screen.names.index(name)),
    )


def _by_block(screen: _Screen, j: int) -> tuple[BlockEffect, ...]:
    """Mean high minus mean low of one factor in each block that holds every trial equally often."""
    effects = []
    for block in dict.fromkeys(screen.blocks or ()):
        rows = [i for i, name in enumerate(screen.blocks or ()) if name == block]
        held = [screen.settings[i] for i in rows]
        counts = {held.count(setting) for setting in set(held)}
        if set(held) != set(screen.settings) or len(counts) != 1:
            continue
        low, high = ([screen.values[i] for i in rows if screen.settings[i][j] == sign] for sign in (-1, 1))
        difference = (mean(high) if high else 0.0) - (mean(low) if low else 0.0)
        middle = mean([screen.values[i] for i in rows])
        effects.append(BlockEffect(difference, difference / middle if middle else None))
    return tuple(effects)


def _contrasts(screen: _Screen, result: statistics.EffectsResult) -> tuple[Contrast, ...]:
    """Absolute contrasts in rising order with the quantile each is drawn at."""
    held = list(result.contrasts) or [((j,), item.value) for j, item in enumerate(result.effects) if item is not None]
    if not held:
        return ()
    ranked = sorted(held, key=lambda item: abs(item[1]))
    return tuple(
        Contrast(" x ".join(screen.names[j] for j in members), abs(value), position)
        for (members, value), position in zip(
            ranked, statistics.half_normal_positions(len(ranked)).tolist(), strict=True
        )
    )


def _factor_table(
    screen: _Screen, order: Sequence[str], effects: Mapping[str, Quantity], relative: Mapping[str, Quantity]
) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for name in order:
        j = screen.names.index(name)
        low, high = (
            mean([value for value, held in zip(screen.values, screen.settings, strict=True) if held[j] == sign])
            for sign in (-1, 1)
        )
        share = 100 * relative[name].value if name in relative else None
        rows.append((name, *screen.factors[name], low, high, effects[name].value, share))
    head = ("factor", "low", "high", "mean at low", "mean at high", "effect", "effect / %")
    return Table("factors", "Factors by the size of their effect", head, tuple(rows))


def _mixed_table(screen: _Screen) -> Table:
    names = screen.names
    rows: list[tuple[str, ...]] = []
    for name, mixed in zip(names, mixed_with(screen.settings), strict=True):
        whole = [_interaction(names, item) for item in mixed if abs(item.share) > 1 - 1e-9]
        partly = [abs(item.share) for item in mixed if abs(item.share) <= 1 - 1e-9]
        most = f"{len(partly)} interactions, at most {fixed(max(partly), 2)} of each" if partly else ""
        rows.append((name, ", ".join(whole) or "none", most or "none"))
    head = ("factor", "wholly mixed with", "partly mixed with")
    # A column that says nothing is left out, but never both.
    any_partly = any(row[2] != "none" for row in rows)
    any_wholly = any(row[1] != "none" for row in rows)
    columns = [0, *([1] if any_wholly or not any_partly else []), *([2] if any_partly else [])]
    return Table(
        "interactions",
        "Interactions of two factors that each main effect is mixed with",
        tuple(head[k] for k in columns),
        tuple(tuple(row[k] for k in columns) for row in rows),
    )


def _interaction(names: Sequence[str], item: Mixed) -> str:
    return f"{MINUS if item.share < 0 else ''}{names[item.first]} x {names[item.second]}"


def _trial_table(screen: _Screen) -> Table:
    column = screen.data.table["trial"]
    rows: list[tuple[Cell, ...]] = []
    for setting in dict.fromkeys(screen.settings):
        at = [i for i, held in enumerate(screen.settings) if held == setting]
        values = [screen.values[i] for i in at]
        name = ", ".join(dict.fromkeys(str(column.iloc[screen.rows[i]]) for i in at))
        high = [factor for factor, sign in zip(screen.names, setting, strict=True) if sign > 0]
        spread = float(exact(max(values)) - exact(min(values))) if len(values) > 1 else None
        rows.append((name, ", ".join(high) or "none", len(values), mean(values), spread))
    rows.sort(key=lambda row: natural_order(str(row[0])))
    caption = "Trials: which factors stood at their high setting, and what was read"
    return Table("trials", caption, ("trial", "high", "readings", "mean", "range"), tuple(rows))


def _lenth_table(result: statistics.EffectsResult, study: Study) -> tuple[Table, ...]:
    lenth = result.lenth
    if lenth is None:
        return ()
    at = f"{100 * study.confidence:g} %"
    rows = (
        ("contrasts", lenth.m),
        ("s0", lenth.s0),
        ("pseudo standard error", lenth.pse),
        (f"margin of error of one effect, {at}", lenth.margin(study.confidence)),
        (f"margin of error of all effects together, {at}", lenth.simultaneous_margin(study.confidence)),
    )
    caption = "Lenth's analysis: the scatter that the effects themselves show"
    return (Table("Lenth", caption, ("term", "value"), rows),)


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What each factor does to the result, largest first, and what that means for a unit of its setting."""
    view: RuggednessView = evaluation.display.view
    sure = f"{100 * next((q.confidence for q in evaluation.judged if q.confidence), 0):g} % confidence"
    changes = [_change(factor, unit) for factor in view.factors]
    unseen = [item for item in changes if item.ends is not None and item.ends[0] <= 0 <= item.ends[1]]
    sentences = [_changes(item, sure) for item in changes if item not in unseen]
    if unseen:
        most = [
            f"{item.name}, {item.low} to {item.high} (by less than {item.most}{item.of}{item.what})"
            for item in sorted(unseen, key=lambda item: -item.reach)
        ]
        sentences.append(
            f"At {sure} none of these by itself can be told from no effect: {sentence_list(most)}. Where the plan "
            "allows a shift of that size, any setting between the two tried serves."
        )
    if changes:
        sentences.append(
            "Which settings matter is decided by the shift that the plan allows, not by whether an effect is seen; a "
            "setting outside the two tried here is not covered."
        )
    return sentences


@dataclass(frozen=True)
class _Change:
    """One factor as the sentences name it: change and interval in per cent of the result, or in its unit."""

    name: str
    low: str
    high: str
    value: float
    ends: Interval | None
    allowed: float | None
    of: str
    what: str

    @property
    def reach(self) -> float:
        return max(abs(end) for end in self.ends or (self.value, self.value))

    @property
    def most(self) -> str:
        return fixed(self.reach, places_for(self.reach))


def _change(factor: FactorEffect, unit: str) -> _Change:
    """Per cent of the overall mean where there is a relative effect, the unit of the results else."""
    q, scale, of, what = factor.effect, 1.0, "" if unit == "1" else f" {unit}", ""
    if factor.relative is not None:
        q, scale, of, what = factor.relative, 100.0, " %", " of its mean"
    ends = None if q.interval is None else (scale * q.interval[0], scale * q.interval[1])
    allowance = None if factor.allowed is None else scale * factor.allowed
    return _Change(factor.name, factor.low, factor.high, scale * q.value, ends, allowance, of, what)


def _changes(item: _Change, sure: str) -> str:
    name = f"{item.name[:1].upper()}{item.name[1:]}"
    if item.ends is None:
        return (
            f"{name}, from {item.low} to {item.high}, changes the result by {significant(item.value)}{item.of}"
            f"{item.what}; no interval."
        )
    text, between = with_interval(item.value, item.ends)
    return (
        f"{name}, from {item.low} to {item.high}, changes the result by {text}{item.of}{item.what} (from {between} "
        f"with {sure}).{_per_unit(item)}"
    )


def _step(low: str, high: str) -> tuple[float, str] | None:
    """How far apart two settings lie, and their unit; None where they are not two numbers of one unit."""
    pattern = r"([-+\u2212]?\d+(?:[.,]\d+)?)\s*(.*)"
    first, last = re.fullmatch(pattern, low), re.fullmatch(pattern, high)
    if first is None or last is None or first[2] != last[2]:
        return None
    ends = [float(parts[1].replace(",", ".").replace("\u2212", "-")) for parts in (first, last)]
    return (ends[1] - ends[0], first[2]) if ends[1] != ends[0] else None


def _per_unit(item: _Change) -> str:
    """The shift for one unit of the setting, and how far it may go for the shift that the plan allows."""
    step = _step(item.low, item.high)
    if step is None or item.ends is None:
        return ""
    width, unit = step
    one = f"1 {unit}" if unit else "one unit"
    moved = f" If it changes evenly, {one} moves it by about {significant(abs(item.value / width), 2)}{item.of}"
    if item.allowed is None:
        return f"{moved}."
    of = f" {unit}" if unit else " units"
    allowed = f"the {level_text(float(f'{item.allowed:.6g}'))}{item.of} that the plan allows"
    # The larger the effect, the sooner the allowed shift is reached: the ends of the interval change places.
    low, middle, high = sorted(abs(item.allowed * width / end) for end in (item.value, *item.ends))
    if middle > abs(width):
        return f"{moved}; over the {significant(abs(width), 2)}{of} between the settings that is less than {allowed}."
    last = significant(high, 2) if high <= abs(width) else f"more than the {level_text(abs(width))}{of} tried"
    first = significant(low, 2)
    return f"{moved}, and {allowed} correspond to about {significant(middle, 2)}{of} (from {first} to {last})."


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Ruggedness",
    position=120,
    experiment=NAME,
    method=(
        "Each factor of the procedure stands at one of two settings in a screening design. Its effect is the mean of "
        "all results at the high setting minus the mean of all at the low one; every result serves every factor. Where "
        "a reading is missing, least squares takes the place of the two means.",
        "Readings of the same settings are replicates: their pooled scatter carries the intervals (Student's t). Where "
        "each replicate was read in a run or on a day of its own, the difference between them is taken out.",
        "Without replicates the interval rests on Lenth's pseudo standard error: most effects are taken as scatter.",
        "An effect is judged by its interval against the shift that the plan allows, never by whether it can be seen. "
        "That a volume or a time does not matter is a hypothesis which this experiment has to earn.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.effect",
            "change of the result from the low to the high setting of a factor",
            "E",
            "E = mean(high) - mean(low), interval E +- t s sqrt(4/N), or E +- ME by Lenth without replicates",
            statistics.EFFECT_SOURCE,
            "label",
            "study",
            ("equivalence", "point"),
            None,
            (
                "chemical reactor of Box, Hunter and Hunter 1978, pp. 375-378",
                "ruggedness trial of AOAC Official Methods of Analysis 2013, appendix K, p. 15",
                "2^(7-4) example of an open textbook on process improvement",
                "ordinary least squares of statsmodels and of R",
            ),
        ),
        KeyInfo(
            f"{NAME}.relative_effect",
            "effect of a factor as a share of the overall mean",
            "E/m",
            "E/m, interval by Fieller's theorem",
            statistics.RATIO_SOURCE,
            "label",
            "1",
            ("equivalence", "point"),
            None,
            ("simulated designs whose truth is known (tests)",),
        ),
        KeyInfo(
            f"{NAME}.residual_sd",
            "scatter of replicates of one trial, blocks taken out",
            "s",
            "s = sqrt(sum (y - trial mean - block)^2 / df)",
            statistics.SD_SOURCE,
            "none",
            "study",
            ("upper bound", "point"),
            None,
            ("ordinary least squares of statsmodels and of R",),
        ),
        KeyInfo(
            f"{NAME}.pseudo_standard_error",
            "scatter of an effect as the effects themselves show it",
            "PSE",
            "PSE = 1.5 median(|E| below 2.5 s0), s0 = 1.5 median |E|; ME = t(m/3) PSE",
            statistics.LENTH_SOURCE,
            "none",
            "study",
            ("point",),
            None,
            ("welding contrasts of Box and Meyer 1986 in Lenth 1989, example I",),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("effects_by_size", "half_normal"),
    alternatives=alternatives,
)
