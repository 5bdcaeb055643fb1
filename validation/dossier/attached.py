"""The self-test report among a study's records: what it says of the program that makes this dossier."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

#: Where `validation selftest --study` puts it.
PLACE = "records/selftest/selftest.json"


@dataclass(frozen=True, slots=True)
class AttachedSelfTest:
    """A self-test report as the dossier cites it.

    Attributes
    ----------
    sha256 : of its content, as it states it
    intact : whether the content still has that hash
    checks, failed : how many
    other_versions : what differs from the versions of this dossier, in words, one library each
    same_program : whether the program files are those of this dossier
    """

    sha256: str
    intact: bool
    checks: int
    failed: int
    other_versions: tuple[str, ...]
    same_program: bool


def attached_selftest(study: Path, versions: Mapping[str, str], program: str) -> AttachedSelfTest | str | None:
    """The report in the records of a study; None without one, a sentence where it cannot be read.

    Parameters
    ----------
    study : the study folder
    versions, program : of this dossier
    """
    path = study / PLACE
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
            other_versions=tuple(
                f"{name} {there.get(name, 'not stated')} there, {versions.get(name, 'not stated')} here"
                for name in sorted({*there, *versions})
                if there.get(name) != versions.get(name)
            ),
            same_program=software["program_sha256"] == program,
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return f"{PLACE} is attached, but cannot be read as a self-test report."


def _content_hash(content: Mapping[str, object]) -> str:
    """As the report says: JSON with sorted keys, without white space, in UTF-8."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", errors="surrogatepass")).hexdigest()
