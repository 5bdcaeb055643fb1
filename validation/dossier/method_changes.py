"""Methods that changed between versions of this program: a record only added to, which keeps dossiers readable."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any

#: The key of a change in the rules of the proposed conclusion.
CONCLUSION = "conclusion"
#: The part that moves where a verdict of the dossier has no row any more.
NO_ROW = "no row"


@dataclass(frozen=True, slots=True)
class MethodChange:
    """One method that gives another number or outcome since a version.

    `keys` are keys of quantities or patterns of them (`uncertainty.*`), every one whose numbers move, or `conclusion`;
    `parts` the fields of `results.json` that move. `stricter`: the conclusion can only have become worse.
    `of_censored`: only in a dossier whose quantities of these keys lacked censored readings.
    """

    version: str
    keys: tuple[str, ...]
    parts: tuple[str, ...]
    sentence: str
    stricter: bool = False
    of_censored: bool = False

    def concerns(self, key: str) -> bool:
        """Whether the method is that of this key."""
        return any(fnmatchcase(key, pattern) for pattern in self.keys)

    def reaches(self, results: Mapping[str, Any]) -> bool:
        """Whether the method can have moved anything of a dossier with this content of results.json."""
        return not self.of_censored or any(
            item.get("censored") and self.concerns(item["key"]) for item in results["quantities"]
        )

    def text(self) -> str:
        """ "0.2.0: what changed." """
        return f"{self.version}: {self.sentence}"


#: Oldest first. A version without an entry changed no method.
METHOD_CHANGES: tuple[MethodChange, ...] = (
    MethodChange(
        "0.2.0",
        (CONCLUSION,),
        ("outcome",),
        'A step since the parent that is not met, and a standard without a lot record or a reason, forbid "fit"; a '
        "chapter without a quantity of its own readings counts as not evaluated.",
        stricter=True,
    ),
    MethodChange(
        "0.5.0",
        ("comparison.*",),
        ("value", "standard_uncertainty", "interval", "judged_interval", "degrees_of_freedom", "n", "readings"),
        "A sample with a censored result of either method is left out of the comparison whole; before, its other "
        "results stood for it, and no requirement on the comparison could be met.",
        of_censored=True,
    ),
    MethodChange(
        "0.6.0",
        ("accuracy.tolerance*", "comparison.*agreement*"),
        ("confidence", "bound"),
        "The rule `inside` judges the share of single results within the limit by its confidence bounds; before, it "
        "asked whether both expectation limits, or limits of agreement, lay inside.",
    ),
    MethodChange(
        "0.6.0",
        ("calibration.*",),
        (NO_ROW,),
        "A requirement has no row at a level where the calibration makes the difference zero.",
    ),
    MethodChange(
        "0.6.0",
        (CONCLUSION,),
        ("outcome", "range"),
        "The proposed range is the adjacent met levels that hold the customer's limits, before the longest stretch of "
        'met levels; what no restriction of the use can cover makes the conclusion "not fit".',
    ),
    MethodChange(
        "0.6.0",
        ("calibration.departure",),
        ("value", "standard_uncertainty", "interval", "judged_interval", "degrees_of_freedom", "n", "readings"),
        "A departure is the mean of the runs' own departures from their own lines, the numbers behind its interval "
        "then as now; before, the value was read back from all readings. It moves where runs hold unequal numbers of "
        "readings or not the same levels.",
    ),
    MethodChange(
        "0.6.0",
        (
            "lots.response_ratio",
            "matrix.blank_difference",
            "matrix.used_oil_difference",
            "carry_over.second_blank",
            "recovery.recovery",
            "calibration.single_point_bias",
        ),
        ("interval", "judged_interval"),
        "Where one of two independent means has two or three readings and the other another number, the interval takes "
        "the quantile of Cochran and Cox in the place of Welch's, which held the truth less often than stated.",
    ),
    MethodChange(
        "0.6.0",
        ("uncertainty.combined", "uncertainty.expanded", "uncertainty.measured_part", "uncertainty.agreement"),
        ("value", "interval", "judged_interval", "degrees_of_freedom"),
        "The interval of the combined uncertainty is about the mean square error of a result: the mean square of the "
        "run means, on which both s_I and the bias rest, counts once, and nothing is added to the square of the bias, "
        "which on average holds the variance of the bias; the effective degrees of freedom count that mean square "
        "once. The standard counts once: in the bias where that was measured against values that do not rest on it, "
        "or whose uncertainty is stated, else beside it. Where several lots of the standard with records stand behind "
        "the runs, or another one is in use, it counts by what their errors share and what the scatter of the runs and "
        "the bias do not hold of them. A component that is taken from a measured standard deviation brings the "
        "interval of that.",
    ),
    MethodChange(
        "0.6.0",
        ("uncertainty.coverage_factor", "uncertainty.constant", "uncertainty.proportional", "decision.*"),
        ("value", "interval", "judged_interval", "degrees_of_freedom"),
        "They follow the combined uncertainty and its effective degrees of freedom.",
    ),
    MethodChange(
        "0.6.0",
        ("detection.*",),
        ("interval", "judged_interval"),
        "The interval of a limit from a calibration line holds the error of the slope; where the slope is not told "
        "apart from zero no limit is given.",
    ),
    MethodChange(
        "0.6.0",
        ("comparison.difference_at", "comparison.york_slope", "comparison.york_intercept"),
        ("value", "standard_uncertainty", "interval", "judged_interval", "degrees_of_freedom"),
        "Where both methods have replicates, the predicted difference comes from a line weighted by s(x) of either "
        "method and the samples' own part, and so do York's slope and intercept; before, the difference came from "
        "Deming's line, whose interval held the truth in 89 to 94 % where scatter grows with the level.",
    ),
    MethodChange(
        "0.6.0",
        ("comparison.passing_bablok_intercept",),
        ("standard_uncertainty", "interval", "judged_interval", "degrees_of_freedom"),
        "The interval of the Passing-Bablok intercept comes from samples drawn anew; before, from the lines with the "
        "limits of the slope, which held the truth in 85 to 87 % where errors are equal.",
    ),
    MethodChange(
        "0.6.0",
        ("comparison.deming_slope", "comparison.deming_intercept", "comparison.difference_at"),
        ("standard_uncertainty", "interval", "judged_interval", "degrees_of_freedom"),
        "A line whose slope changes its sign without one or other of the samples has no interval.",
        stricter=True,
    ),
    MethodChange(
        "0.7.0",
        (CONCLUSION,),
        ("outcome",),
        "What the plan or a lot record states and the readings speak against restricts the conclusion, and so forbids "
        '"fit".',
        stricter=True,
    ),
)

#: Quantities, by the version that gave them first or gave them last; a quantity without an entry is in every version.
#: Only added to, as the record of methods.
QUANTITIES_ADDED: Mapping[str, tuple[str, ...]] = {
    "0.4.0": ("carry_over.reach",),
    "0.6.0": (
        "accuracy.content_low",
        "accuracy.content_high",
        "detection.critical_value",  # at "..., errors counted"
        "detection.detection_limit",
        "comparison.level_agreement_low",
        "comparison.level_agreement_high",
    ),
}
QUANTITIES_DROPPED: Mapping[str, tuple[str, ...]] = {
    "0.6.0": ("detection.*",),  # of a line whose slope is not told apart from zero
}
#: What a dossier holds, by the version that gave it first: parts of results.json, keys of manifest.json, files.
PARTS_ADDED: Mapping[str, tuple[str, ...]] = {
    "0.6.0": ("verdict_error",),
    "0.7.0": (
        *("actions", "audit", "contradictions", "exports", "questions", "roles"),
        *("program_sha256", "study_folder", "workbook.xlsx", "selftest/selftest.json"),
    ),
}


@dataclass(frozen=True, slots=True)
class Between:
    """What is on record between the version of a dossier and this one.

    `changes` are methods; `added` and `dropped` keys of quantities, or patterns of them. A `later` version may have
    added and dropped what is not known here.
    """

    changes: tuple[MethodChange, ...] = ()
    added: tuple[str, ...] = ()
    dropped: tuple[str, ...] = ()
    later: bool = False

    def added_quantity(self, key: str) -> bool:
        """Whether a quantity may be missing in the dossier."""
        return self.later or any(fnmatchcase(key, pattern) for pattern in self.added)

    def dropped_quantity(self, key: str) -> bool:
        """Whether a quantity of the dossier may be missing here."""
        return self.later or any(fnmatchcase(key, pattern) for pattern in self.dropped)


def between(then: str, now: str, results: Mapping[str, Any]) -> Between:
    """The record between version `then` and `now`; empty where `then` is no version.

    Parameters
    ----------
    then, now : versions
    results : content of results.json of the dossier of `then`
    """
    if not is_version(then):
        return Between()
    return Between(
        tuple(change for change in changes_between(then, now) if change.reaches(results)),
        _keys_since(QUANTITIES_ADDED, _numbers(then), _numbers(now)),
        _keys_since(QUANTITIES_DROPPED, _numbers(then), _numbers(now)),
        is_later(then, now),
    )


def parts_of_later_versions(version: str, parts: Collection[str]) -> list[str]:
    """Those parts of a dossier that no version up to the stated one gave: it is of another version than it says."""
    stated = _numbers(version)
    later = (names for first, names in PARTS_ADDED.items() if stated and stated < _numbers(first))
    return [name for names in later for name in names if name in parts]


def _keys_since(keys: Mapping[str, tuple[str, ...]], then: tuple[int, ...], now: tuple[int, ...]) -> tuple[str, ...]:
    return tuple(key for version, names in keys.items() if then < _numbers(version) <= now for key in names)


def changes_between(then: str, now: str) -> tuple[MethodChange, ...]:
    """The methods that changed after version `then`, up to `now`; none where `then` is later or no version."""
    earlier, later = _numbers(then), _numbers(now)
    return tuple(change for change in METHOD_CHANGES if earlier and earlier < _numbers(change.version) <= later)


def is_version(version: str) -> bool:
    """Whether a version is written as this program writes its own: three numbers."""
    return bool(_numbers(version))


def is_later(version: str, now: str) -> bool:
    """Whether a version is later than `now`, whose methods this program cannot know."""
    return _numbers(version) > _numbers(now)


def _numbers(version: str) -> tuple[int, ...]:
    """ "0.3.0" as (0, 3, 0); empty for what is not written so."""
    return tuple(map(int, version.split("."))) if re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,6}){2}", version) else ()
