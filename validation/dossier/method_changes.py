"""Methods that changed between versions of this program: a record only added to, which keeps dossiers readable."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fnmatch import fnmatchcase

#: The key of a change in the rules of the proposed conclusion.
CONCLUSION = "conclusion"


@dataclass(frozen=True, slots=True)
class MethodChange:
    """One method that gives another number or outcome since a version.

    `keys` are keys of quantities or patterns of them (`uncertainty.*`), every one whose numbers move, or `conclusion`;
    `parts` the fields of `results.json` that move.
    """

    version: str
    keys: tuple[str, ...]
    parts: tuple[str, ...]
    sentence: str

    def concerns(self, key: str) -> bool:
        """Whether the method is that of this key."""
        return any(fnmatchcase(key, pattern) for pattern in self.keys)

    def text(self) -> str:
        """ "0.2.0: what changed." """
        return f"{self.version}: {self.sentence}"


#: Oldest first. Numbers are the same in 0.1.0, 0.2.0, 0.3.0 and 0.4.0; a version without an entry changed no method.
METHOD_CHANGES: tuple[MethodChange, ...] = (
    MethodChange(
        "0.2.0",
        (CONCLUSION,),
        ("outcome",),
        'A step since the parent that is not met, and a standard without a lot record or a reason, forbid "fit"; a '
        "chapter without a quantity of its own readings counts as not evaluated.",
    ),
)


def changes_between(then: str, now: str) -> tuple[MethodChange, ...]:
    """The methods that changed after version `then`, up to `now`; none where `then` is later or no version."""
    earlier, later = _numbers(then), _numbers(now)
    return tuple(change for change in METHOD_CHANGES if earlier and earlier < _numbers(change.version) <= later)


def is_later(version: str, now: str) -> bool:
    """Whether a version is later than `now`, whose methods this program cannot know."""
    return _numbers(version) > _numbers(now)


def _numbers(version: str) -> tuple[int, ...]:
    """ "0.3.0" as (0, 3, 0); empty for what is not written so."""
    return tuple(map(int, version.split("."))) if re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,6}){2}", version) else ()
