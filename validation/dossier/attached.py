"""A self-test report, of a dossier or among a study's records: what it says of the program that made the dossier."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from validation.audit.evidence import SelfTestFacts

#: Where `validation selftest --study` puts it, in the study; and where a dossier has its own, with its page.
PLACE = "records/selftest/selftest.json"
FOLDER = "selftest"
OWN, OWN_PAGE = f"{FOLDER}/selftest.json", f"{FOLDER}/selftest.html"


@dataclass(frozen=True, slots=True)
class AttachedSelfTest:
    """A self-test report as the dossier cites it.

    Attributes
    ----------
    sha256 : of its content, as it states it
    intact : whether the content still has that hash
    checks, failed : how many, as it states them
    adds_up : whether its list of checks gives the same two numbers
    other_versions : what differs from the versions of this dossier, in words, one library each
    same_program : whether the program files are those of this dossier
    """

    sha256: str
    intact: bool
    checks: int
    failed: int
    adds_up: bool
    other_versions: tuple[str, ...]
    same_program: bool

    @property
    def warnings(self) -> list[str]:
        """What page 1 must say of it."""
        if not self.failed:
            return []
        fails = f"{self.failed} of {self.checks} checks"
        return [f"The self-test of this program fails: {fails}. In full: Software, and how to recompute."]

    @property
    def facts(self) -> SelfTestFacts:
        """What an audit reads of it."""
        differs = (*([] if self.same_program else ["other program files"]), *self.other_versions)
        return SelfTestFacts(self.sha256, self.intact, self.checks, self.failed, differs)


def attached_selftest(
    folder: Path, versions: Mapping[str, str], program: str, *, place: str = PLACE
) -> AttachedSelfTest | str | None:
    """The report in the records of a study; None without one, a sentence where it cannot be read.

    Parameters
    ----------
    folder : the study folder, or a dossier
    versions, program : of this dossier
    place : where the report is, from that folder
    """
    path = folder / place
    if not path.is_file():
        return None
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        content, stated = record["content"], str(record["sha256"])
        software = content["software"]
        if not re.fullmatch("[0-9a-f]{64}", stated):
            raise ValueError("not a SHA-256")
        there: dict[str, str] = {str(name): str(value) for name, value in software["versions"].items()}
        return AttachedSelfTest(
            sha256=stated,
            intact=_content_hash(content) == stated,
            checks=int(content["count"]),
            failed=int(content["failed"]),
            adds_up=_listed(content) == (content["count"], content["failed"]),
            other_versions=tuple(
                f"{name} {there.get(name, 'not stated')} there, {versions.get(name, 'not stated')} here"
                for name in sorted({*there, *versions})
                if there.get(name) != versions.get(name)
            ),
            same_program=software["program_sha256"] == program,
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return f"{place} is attached, but cannot be read as a self-test report."


def selftest_facts(dossier: Path, versions: Mapping[str, str], program: str) -> SelfTestFacts | None:
    """What an audit reads of the report of a dossier; None without one that can be read."""
    report = attached_selftest(dossier, versions, program, place=OWN)
    return report.facts if isinstance(report, AttachedSelfTest) else None


def _listed(content: Mapping[str, Any]) -> tuple[int, int]:
    """How many checks are in the lists of a report, and how many of them do not hold."""
    every = [*content["checks"], *(content.get("coverage") or ())]
    return len(every), sum(check["ok"] is not True for check in every)


def _content_hash(content: Mapping[str, object]) -> str:
    """As the report says: JSON with sorted keys, without white space, in UTF-8."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", errors="surrogatepass")).hexdigest()
