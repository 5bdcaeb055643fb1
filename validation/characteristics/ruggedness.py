"""Ruggedness: how far each setting of the procedure moves the result, from a two-level screening design."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._allowed import allowed
from validation.characteristics._censored import why_not
from validation.stats import ruggedness as statistics
from validation.stats.estimate import Number, OldEstimate, exact, mean
from validation.stats.two_level_designs import Mixed, mixed_with, resolution
from validation.study.model import ExperimentData, Study
from validation.study.ordering import natural_order
from validation.study.quantity import Evaluation, Quantity
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
        "effect may be theirs. Repeating the trials with every setting turned round would part them."
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
    def readings(self) -> list[str]:
        column = self.data.table["reading"]
        return [str(column.iloc[row]) for row in self.rows]

    def effects(self, confidence: float) -> statistics.EffectsResult:
        return statistics.effects(self.values, self.settings, blocks=self.blocks, confidence=confidence)


def evaluate(study: Study) -> Evaluation:
    """The effect of each factor, absolute and as a share of the result, and the scatter it is seen against."""
    screen, missing = _screen(study)
    if screen is None:
        return Evaluation(NAME, missing=missing)
    found, judged = screen.effects(study.confidence), screen.effects(study.judged_confidence)
    quantities = [
        *_by_factor(screen, study, found.effects, judged.effects, f"{NAME}.effect", study.unit),
        *_by_factor(screen, study, found.relative, judged.relative, f"{NAME}.relative_effect", "1"),
        *_scatter(screen, study, found, judged),
    ]
    notes = [*screen.notes, *_design_notes(screen, found)]
    if study.looked_at_otherwise:
        return Evaluation(NAME, tuple(quantities), notes=tuple(notes))
    return Evaluation(NAME, tuple(quantities), (), tuple(dict.fromkeys(notes)), details=_details(screen, study, found))


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The effects of a repeated design with the interval that the effects themselves give."""
    screen, _ = _screen(study)
    if screen is None:
        return {}
    found = screen.effects(study.confidence)
    if found.route != "replicates":
        return {}
    ours, judged = (
        statistics.effects_by_lenth(found, confidence=level) for level in (study.confidence, study.judged_confidence)
    )
    if not ours[0]:
        return {}
    return {
        LENTH: [
            *_by_factor(screen, study, ours[0], judged[0], f"{NAME}.effect", study.unit),
            *_by_factor(screen, study, ours[1], judged[1], f"{NAME}.relative_effect", "1"),
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
            f"{data.worksheet} lacks the column(s) {sentence_list(absent)} of the plan's factors: add them, one cell a "
            "reading with the low or the high setting."
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
    censored = len(data.censored)
    if censored:
        notes.append(f"{censored} censored reading(s) were left out.")
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
        notes.append(
            f"Trial(s) {sentence_list(several)} hold readings with different settings; readings are grouped by their "
            "settings, not by the name of the trial."
        )
    if len(named) > len(set(settings)) and not several:
        notes.append("Some trials have the same settings under different names; they are taken as replicates.")
    return notes


# ------------------------------------------------------------------------------------------------ quantities


def _by_factor(
    screen: _Screen,
    study: Study,
    found: Sequence[OldEstimate | None],
    judged: Sequence[OldEstimate | None],
    key: str,
    unit: str,
) -> list[Quantity]:
    return [
        _quantity(screen, key, name, estimate, other, unit)
        for name, estimate, other in zip(screen.names, found, judged, strict=True)
        if estimate is not None
    ]


def _quantity(
    screen: _Screen, key: str, at: str | None, estimate: OldEstimate, judged: OldEstimate | None, unit: str
) -> Quantity:
    censored = len(screen.data.censored)
    return Quantity.from_estimate(
        key,
        at,
        estimate,
        unit=unit,
        worksheet=screen.data.worksheet,
        readings=screen.readings,
        judged=judged,
        unit_name="trials",
        notes=[f"{censored} censored reading(s) were left out."] if censored else [],
        censored=censored,
    )


def _scatter(
    screen: _Screen, study: Study, found: statistics.EffectsResult, judged: statistics.EffectsResult
) -> list[Quantity]:
    quantities = []
    if found.residual_sd is not None:
        key = f"{NAME}.residual_sd"
        quantities.append(_quantity(screen, key, None, found.residual_sd, judged.residual_sd, study.unit))
    if found.lenth is not None:
        pse = OldEstimate(
            found.lenth.pse,
            degrees_of_freedom=found.lenth.degrees_of_freedom,
            n=len(screen.rows),
            units=found.check.trials,
            notes=() if found.residual_sd is None else found.residual_sd.notes,
            source=statistics.LENTH_SOURCE,
        )
        quantities.append(_quantity(screen, f"{NAME}.pseudo_standard_error", None, pse, None, study.unit))
    return quantities


def _design_notes(screen: _Screen, found: statistics.EffectsResult) -> list[str]:
    names, check, notes = screen.names, found.check, []
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
            f"Varied partly together: {sentence_list(pairs)}. Least squares parts them, at the price of wider "
            "intervals."
        )
    notes += _block_notes(screen, found)
    level = resolution(screen.settings)
    if level in (3, 4) and len(names) > 2:
        notes.append(MIXED[level])
    if found.mean is not None and not any(found.relative) and any(found.effects):
        notes.append(statistics.MEAN_NEAR_ZERO)
    return notes


def _block_notes(screen: _Screen, found: statistics.EffectsResult) -> list[str]:
    if not found.blocks_left or screen.blocks is None:
        return []
    notes = [
        f"The {screen.block_name}s cannot be told from the trials, so differences between them stay in the intervals."
    ]
    for j, name in enumerate(screen.names):
        held: dict[str, set[int]] = {}
        for block, row in zip(screen.blocks, screen.settings, strict=True):
            held.setdefault(block, set()).add(row[j])
        if all(len(values) == 1 for values in held.values()) and j not in found.check.constant:
            notes.append(
                f"{name} changed only from {screen.block_name} to {screen.block_name}: its effect cannot be told from "
                f"the difference between the {screen.block_name}s."
            )
    return notes


# ------------------------------------------------------------------------------------------------ the chapter


def _details(screen: _Screen, study: Study, found: statistics.EffectsResult) -> dict[str, Any]:
    order = sorted(
        (j for j, item in enumerate(found.effects) if item is not None),
        key=lambda j: -abs(found.effects[j].value),  # type: ignore[union-attr]
    )
    return {
        "mean": found.mean,
        "route": found.route,
        "blocks": {"count": found.blocks_out, "name": screen.block_name},
        "nominal": screen.data.settings.get("nominal"),
        "trials": found.check.trials,
        "factors": [_shown(screen, study, found, j) for j in order],
        "half_normal": _half_normal(screen, found),
        "lenth": None
        if found.lenth is None
        else {"pse": found.lenth.pse, "me": found.lenth.me, "sme": found.lenth.sme, "m": found.lenth.m},
        "tables": [
            _factor_table(screen, found, order),
            _mixed_table(screen),
            _trial_table(screen),
            *_lenth_table(found, study),
        ],
    }


def _shown(screen: _Screen, study: Study, found: statistics.EffectsResult, j: int) -> dict[str, Any]:
    name, effect, share = screen.names[j], found.effects[j], found.relative[j]
    low, high = screen.factors[name]
    kind = "effect" if share is None else "relative_effect"
    return {
        "name": name,
        "low": low,
        "high": high,
        "effect": None if effect is None else effect.value,
        "interval": None if effect is None or effect.interval is None else list(effect.interval),
        "relative": None if share is None else share.value,
        "relative_interval": None if share is None or share.interval is None else list(share.interval),
        "allowed": allowed(study, f"{NAME}.{kind}", name, rule="equivalence"),
        "by_block": _by_block(screen, j),
    }


def _by_block(screen: _Screen, j: int) -> list[dict[str, Any]]:
    """Mean high minus mean low of one factor in each block that holds every trial equally often."""
    if screen.blocks is None:
        return []
    found = []
    for block in dict.fromkeys(screen.blocks):
        rows = [i for i, name in enumerate(screen.blocks) if name == block]
        held = [screen.settings[i] for i in rows]
        counts = {held.count(setting) for setting in set(held)}
        if set(held) != set(screen.settings) or len(counts) != 1:
            continue
        sides = [
            mean([screen.values[i] for i in rows if screen.settings[i][j] == sign])
            if sign in {h[j] for h in held}
            else 0
            for sign in (1, -1)
        ]
        middle = mean([screen.values[i] for i in rows])
        difference = sides[0] - sides[1]
        found.append({"block": block, "effect": difference, "relative": difference / middle if middle else None})
    return found


def _half_normal(screen: _Screen, found: statistics.EffectsResult) -> list[dict[str, Any]]:
    """Absolute contrasts in rising order with the quantile each is drawn at."""
    held = list(found.contrasts) or [((j,), item.value) for j, item in enumerate(found.effects) if item is not None]
    if not held:
        return []
    ranked = sorted(held, key=lambda item: abs(item[1]))
    return [
        {"name": " x ".join(screen.names[j] for j in members), "size": abs(value), "position": float(position)}
        for (members, value), position in zip(
            ranked, statistics.half_normal_positions(len(ranked)).tolist(), strict=True
        )
    ]


def _factor_table(screen: _Screen, found: statistics.EffectsResult, order: Sequence[int]) -> dict[str, Any]:
    rows = []
    for j in order:
        name, effect, share = screen.names[j], found.effects[j], found.relative[j]
        low, high = (
            [value for value, held in zip(screen.values, screen.settings, strict=True) if held[j] == sign]
            for sign in (-1, 1)
        )
        rows.append(
            [
                name,
                screen.factors[name][0],
                screen.factors[name][1],
                mean(low),
                mean(high),
                None if effect is None else effect.value,
                None if share is None else 100 * share.value,
            ]
        )
    return {
        "caption": "Factors by the size of their effect",
        "head": ["factor", "low", "high", "mean at low", "mean at high", "effect", "effect / %"],
        "rows": rows,
    }


def _mixed_table(screen: _Screen) -> dict[str, Any]:
    names = screen.names
    rows: list[list[str]] = []
    for name, mixed in zip(names, mixed_with(screen.settings), strict=True):
        whole = [_interaction(names, item) for item in mixed if abs(item.share) > 1 - 1e-9]
        partly = [abs(item.share) for item in mixed if abs(item.share) <= 1 - 1e-9]
        most = f"{len(partly)} interactions, at most {fixed(max(partly), 2)} of each" if partly else ""
        rows.append([name, ", ".join(whole) or "none", most or "none"])
    head = ["factor", "wholly mixed with", "partly mixed with"]
    # A column that says nothing is left out, but never both.
    partly_told = any(row[2] != "none" for row in rows)
    shown = [
        0,
        *([1] if not partly_told or any(row[1] != "none" for row in rows) else []),
        *([2] if partly_told else []),
    ]
    return {
        "caption": "Interactions of two factors that each main effect is mixed with",
        "head": [head[k] for k in shown],
        "rows": [[row[k] for k in shown] for row in rows],
    }


def _interaction(names: Sequence[str], item: Mixed) -> str:
    return f"{MINUS if item.share < 0 else ''}{names[item.first]} x {names[item.second]}"


def _trial_table(screen: _Screen) -> dict[str, Any]:
    column, rows = screen.data.table["trial"], []
    for setting in dict.fromkeys(screen.settings):
        at = [i for i, held in enumerate(screen.settings) if held == setting]
        values = [screen.values[i] for i in at]
        name = ", ".join(dict.fromkeys(str(column.iloc[screen.rows[i]]) for i in at))
        high = [factor for factor, sign in zip(screen.names, setting, strict=True) if sign > 0]
        spread = float(exact(max(values)) - exact(min(values))) if len(values) > 1 else None
        rows.append([name, ", ".join(high) or "none", len(values), mean(values), spread])
    rows.sort(key=lambda row: natural_order(str(row[0])))
    return {
        "caption": "Trials: which factors stood at their high setting, and what was read",
        "head": ["trial", "high", "readings", "mean", "range"],
        "rows": rows,
    }


def _lenth_table(found: statistics.EffectsResult, study: Study) -> list[dict[str, Any]]:
    if found.lenth is None:
        return []
    at = f"{100 * study.confidence:g} %"
    return [
        {
            "caption": "Lenth's analysis: the scatter that the effects themselves show",
            "head": ["term", "value"],
            "rows": [
                ["contrasts", found.lenth.m],
                ["s0", found.lenth.s0],
                ["pseudo standard error", found.lenth.pse],
                [f"margin of error of one effect, {at}", found.lenth.me],
                [f"margin of error of all effects together, {at}", found.lenth.sme],
            ],
        }
    ]


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What each factor does to the result, largest first, and what that means for a unit of its setting."""
    if evaluation.missing:
        return [evaluation.missing]
    shown = evaluation.details.get("factors", ())
    sure = f"{100 * next((q.confidence for q in evaluation.quantities if q.confidence), 0):g} % confidence"
    told = [_numbers(entry, unit) for entry in shown]
    unseen = [item for item in told if item.ends is not None and item.ends[0] <= 0 <= item.ends[1]]
    sentences = [_changes(item, sure) for item in told if item not in unseen]
    if unseen:
        most = [
            f"{item.name}, {item.low} to {item.high} (by less than {item.most}{item.of}{item.what})"
            for item in sorted(unseen, key=lambda item: -item.reach)
        ]
        sentences.append(
            f"At {sure} each of these by itself is not told from no effect: {sentence_list(most)}. Where the plan "
            "allows a shift of that size, any setting between the two tried serves."
        )
    if shown:
        sentences.append(
            "Which settings matter is decided by the shift that the plan allows, not by whether an effect is seen; a "
            "setting outside the two tried here is not covered."
        )
    return sentences


@dataclass(frozen=True)
class _Told:
    """One factor as the sentences name it: change and interval in per cent of the result, or in its unit."""

    name: str
    low: str
    high: str
    value: float
    ends: tuple[float, float] | None
    allowed: float | None
    of: str
    what: str

    @property
    def reach(self) -> float:
        return max(abs(end) for end in self.ends or (self.value, self.value))

    @property
    def most(self) -> str:
        return fixed(self.reach, places_for(self.reach))


def _numbers(entry: Mapping[str, Any], unit: str) -> _Told:
    """Per cent of the overall mean where there is a relative effect, the unit of the results else."""
    relative = entry["relative"] is not None
    scale, of = (100.0, " %") if relative else (1.0, "" if unit == "1" else f" {unit}")
    value, ends = (entry[name] for name in (("relative", "relative_interval") if relative else ("effect", "interval")))
    both = None if ends is None else (scale * ends[0], scale * ends[1])
    allowed = None if entry["allowed"] is None else scale * entry["allowed"]
    what = " of its mean" if relative else ""
    return _Told(entry["name"], entry["low"], entry["high"], scale * value, both, allowed, of, what)


def _changes(item: _Told, sure: str) -> str:
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
    ends = [float(found[1].replace(",", ".").replace("\u2212", "-")) for found in (first, last)]
    return (ends[1] - ends[0], first[2]) if ends[1] != ends[0] else None


def _per_unit(item: _Told) -> str:
    """The shift for one unit of the setting, and how far it may go for the shift that the plan allows."""
    step = _step(item.low, item.high)
    if step is None or item.ends is None:
        return ""
    width, unit = step
    one = f"1 {unit}" if unit else "one unit"
    said = f" If it changes evenly, {one} moves it by about {significant(abs(item.value / width), 2)}{item.of}"
    if item.allowed is None:
        return f"{said}."
    of = f" {unit}" if unit else " units"
    allowed = f"the {level_text(float(f'{item.allowed:.6g}'))}{item.of} that the plan allows"
    # The larger the effect, the sooner the allowed shift is reached: the ends of the interval change places.
    low, middle, high = sorted(abs(item.allowed * width / end) for end in (item.value, *item.ends))
    if middle > abs(width):
        return f"{said}; over the {significant(abs(width), 2)}{of} between the settings that is less than {allowed}."
    last = significant(high, 2) if high <= abs(width) else f"more than the {level_text(abs(width))}{of} tried"
    first = significant(low, 2)
    return f"{said}, and {allowed} correspond to about {significant(middle, 2)}{of} (from {first} to {last})."


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
