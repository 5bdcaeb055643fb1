"""The worked part of a notebook: the number that is worked towards, and cells that say why they computed nothing."""

from __future__ import annotations

import ast
import re
import traceback
import warnings
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from math import isclose
from typing import Any

import pandas as pd

from validation.faults import Refusal
from validation.stats.estimate import Estimate
from validation.stats.intervals import Interval
from validation.study.quantity import Quantity
from validation.words import level_text

#: Two numbers that differ by less than this share are the same but for rounding.
ROUNDING = 1e-9
#: What a kernel itself puts among the names of a notebook; names that begin with an underscore are its own as well.
OF_THE_KERNEL = ("In", "Out", "exit", "quit")
#: The file name that the code of a worked cell goes by.
CELL = "worked cell"
PLAIN = (str, int, float, bool, list, dict, tuple, set, type(None))


class NotComputed(Exception):
    """The study lacks what a worked step needs; the message is a sentence that says what."""


class Sentences:
    """Sentences as a notebook shows them: uncut, one a line."""

    def __init__(self, sentences: Iterable[str]):
        self.sentences = tuple(sentences)

    def _repr_markdown_(self) -> str:
        # A sentence may hold what Markdown would take for a mark, such as s_r.
        escaped = (re.sub(r"([\\`*_{}\[\]<>#$|])", r"\\\1", sentence) for sentence in self.sentences)
        return "\n".join(f"- {sentence}" for sentence in escaped) or "None."

    def __repr__(self) -> str:
        return "\n".join(self.sentences) or "None."


@dataclass(frozen=True, repr=False)
class Goal:
    """The quantity of the chapter that a notebook works towards, and why it is this one."""

    quantity: Quantity
    why: str

    @property
    def at(self) -> float | str | None:
        """The level, sample, lot, setting or limit that is worked through."""
        return self.quantity.at

    @property
    def value(self) -> float:
        """The chapter's number."""
        return self.quantity.value

    def beside(self, worked: Estimate | float | None) -> pd.DataFrame:
        """The number worked out on this page next to the chapter's; with an estimate, its interval too.

        Raises
        ------
        NotComputed
            There is no number to compare it with.
        """
        if worked is None:
            raise NotComputed("this study gives no such number.")
        if isinstance(worked, Estimate):
            pairs = zip(
                _with_ends(worked.value, worked.interval(self.quantity.level)),
                _with_ends(self.value, self.quantity.interval),
                strict=True,
            )
        else:
            pairs = zip((float(worked),), (self.value,), strict=True)
        names = (self.quantity.key, "lower end of its interval", "upper end of its interval")
        rows = {
            name: [here, chapter, _same(here, chapter)]
            for name, (here, chapter) in zip(names, pairs, strict=False)
            if here is not None or chapter is not None
        }
        return pd.DataFrame.from_dict(rows, orient="index", columns=["worked out here", "in the chapter", "the same"])

    def _repr_markdown_(self) -> str:
        return self._sentence("`", "**")

    def __repr__(self) -> str:
        return self._sentence("", "")

    def _sentence(self, code: str, bold: str) -> str:
        unit = "" if self.quantity.unit == "1" or isinstance(self.at, str) else f" {self.quantity.unit}"
        place = "" if self.at is None else f" at {bold}{level_text(self.at)}{unit}{bold}"
        return f"Worked through here: {code}{self.quantity.key}{code}{place}, {self.why}."


def _with_ends(value: float, interval: Interval | None) -> tuple[float | None, ...]:
    return (value, *(interval or (None, None)))


def _same(here: float | None, chapter: float | None) -> str:
    if here is None or chapter is None:
        return "yes" if here is chapter else "no"
    return "yes" if here == chapter or isclose(here, chapter, rel_tol=ROUNDING) else "no"


def middle(quantities: Sequence[Quantity], key: str) -> Goal:
    """The middle one of a chapter's quantities of one key; of an even number the upper of the two in the middle.

    Raises
    ------
    NotComputed
        There is none.
    """
    if not quantities:
        raise NotComputed(f"this chapter gives no {key} for this study.")
    count = len(quantities)
    why = "the only one" if count == 1 else f"the middle one of the {count} in this chapter"
    return Goal(quantities[count // 2], why)


class WorkedCells:
    """The cells of one chapter that begin with `%%worked`: each runs, or says what this study lacks for it.

    They explain numbers that the chapter computes elsewhere, and may never keep a study from its dossier. A step that
    builds on one that was not computed stays empty; where the first was not, all do.
    """

    def __init__(self, names: dict[str, Any]):
        self.names = names
        self.computed = 0
        self.reasons: list[str] = []

    def run(self, line: str, cell: str) -> object:
        """Run one cell; what its last line gives is shown."""
        del line  # what follows the mark
        if self.reasons and not self.computed:
            return None
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # a warning would print the path of a file
                output = _run(cell, self.names)
        except Exception as error:
            return self._not_computed(error)
        self.computed += 1
        return output

    def _not_computed(self, error: Exception) -> Sentences | None:
        reason = _reason(error)
        if reason in self.reasons or (isinstance(error, NameError) and self.reasons):
            return None
        self.reasons.append(reason)
        return Sentences([f"Not computed: {reason}"])


def _run(cell: str, names: dict[str, Any]) -> object:
    """Run the statements of a cell; its last one, where it is an expression, is what the cell shows."""
    *steps, last = ast.parse(cell).body
    if not isinstance(last, ast.Expr):
        exec(compile(cell, CELL, "exec"), names)
        return None
    exec(compile(ast.Module(steps, []), CELL, "exec"), names)
    return eval(compile(ast.Expression(last.value), CELL, "eval"), names)


def _reason(error: Exception) -> str:
    """Why a step computed nothing, in words for a reader who does not know tracebacks."""
    *_, (frame, _) = traceback.walk_tb(error.__traceback__)
    if isinstance(error, TypeError | AttributeError) and frame.f_code.co_filename == CELL:
        return "a number that this step needs does not exist in this study."
    if isinstance(error, KeyError):
        return f"the worksheet has no {error.args[0]}."
    return f"{str(error).rstrip('.')}."


def offer_worked_cells() -> None:
    """Make `%%worked` known to the kernel; outside a kernel there are no cells."""
    from IPython.core.getipython import get_ipython

    shell = get_ipython()
    if shell is not None:
        cells = WorkedCells(shell.user_ns)
        shell.magics_manager.register_function(cells.run, magic_kind="cell", magic_name="worked")


def refuse_unknown_parameters(names: Mapping[str, object], parameters: tuple[str, ...], *, opened: bool) -> None:
    """Refuse a plain value that was set before the chapter was opened and is no parameter: papermill would only warn.

    Parameters
    ----------
    names : the names of a notebook with their values; those of a module that declares no parameters are left alone
    parameters : what the notebook declares
    opened : whether a chapter was opened before; then only a name that is nearly a parameter is refused, for the
        others may have been worked out since

    Raises
    ------
    Refusal
        With the unknown names and the known ones, the nearest spelt ones first.
    """
    if not all(name in names for name in parameters):
        return
    plain = [name for name, value in names.items() if isinstance(value, PLAIN) and not name.startswith("_")]
    strange = sorted(set(plain) - set(parameters) - set(OF_THE_KERNEL))
    near = {name: get_close_matches(name, parameters, n=1, cutoff=0.8) for name in strange}
    unknown = [name for name in strange if near[name] or not opened]
    if not unknown:
        return
    meant = "".join(f" Instead of {name}, write {near[name][0]}." for name in unknown if near[name])
    raise Refusal(
        f"This notebook does not know the parameter {', '.join(unknown)}; it knows {', '.join(parameters)}.{meant}"
        " In a running kernel, delete the name (del) or restart the kernel."
    )
