"""The audit of a dossier that is there: its record rebuilt from its inputs, and every question asked of it again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from validation.dossier.attached import selftest_facts
from validation.dossier.manifest import integrity_problems, read_manifest, versions
from validation.dossier.parent import parent_problems
from validation.dossier.rebuild import Rebuilt, rebuild
from validation.dossier.results import read_results
from validation.faults import Refusal, StudyDataError
from validation.study.model import Study
from validation.study.plan import PLAN, read_plan
from validation.words import sentence_list


@dataclass(frozen=True, slots=True)
class DossierAudit:
    """What `audit` prints.

    Attributes
    ----------
    folder : the dossier
    warnings : what a reader must know before: hashes that do not hold, another version
    questions, clauses : as `results.json` `audit` has them
    further : findings besides: silent changes, contradictions, open questions on raw data
    """

    folder: Path
    warnings: tuple[str, ...]
    questions: Sequence[Mapping[str, Any]]
    clauses: Sequence[Mapping[str, Any]]
    further: tuple[str, ...]

    @property
    def findings(self) -> list[str]:
        """Everything that `--strict` ends with 1 for."""
        rows = [f"{row['id']}: {row['status']}" for row in (*self.questions, *self.clauses) if not _answered(row)]
        return [*self.warnings, *rows, *self.further]

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {
            "dossier": str(self.folder),
            "warnings": list(self.warnings),
            "counts": {"questions": _counts(self.questions), "clauses": _counts(self.clauses)},
            "questions": list(self.questions),
            "clauses": list(self.clauses),
            "further": list(self.further),
            "findings": self.findings,
        }


def audit_dossier(folder: Path) -> DossierAudit:
    """Ask a dossier every question.

    Parameters
    ----------
    folder : the dossier; one of another version is asked as far as this version reads its inputs

    Raises
    ------
    Refusal
        The folder is not a dossier, its inputs cannot be read by this version, or it is a draft of some chapters.
    """
    results, manifest = read_results(folder), read_manifest(folder)
    broken = integrity_problems(folder)
    warnings = [f"The dossier does not verify: {broken[0]}"] if broken else []
    rebuilt = _rebuilt(folder, results, manifest.versions, str(manifest.content.get("program_sha256")))
    audit = rebuilt.results.get("audit")
    if audit is None:
        raise Refusal(f"{folder} is a draft of some chapters; only a whole study can be audited.")
    other = manifest.program_version
    if other != versions()["validation"]:
        warnings.append(f"The dossier is of version {other}: its record was recomputed by this version, and asked.")
    further = tuple(_further(rebuilt.study, rebuilt.results))
    return DossierAudit(folder, tuple(warnings), audit["questions"], audit["clauses"], further)


def _rebuilt(folder: Path, results: Mapping[str, Any], made_with: Mapping[str, str], program: str) -> Rebuilt:
    inputs = folder / "inputs"
    plan, _ = read_plan(inputs / PLAN)
    problems = parent_problems(inputs, None if plan is None else plan.study.parent, made_here=False)
    if problems:
        raise Refusal(problems[0])
    draft = bool(results.get("draft", False))
    try:
        return rebuild(inputs, draft=draft, pages=False, selftest=selftest_facts(folder, made_with, program))
    except StudyDataError as error:
        raise Refusal(f"The inputs of {folder} cannot be read by this version: {error.faults[0]}") from None


def _further(study: Study, results: Mapping[str, Any]) -> Iterator[str]:
    """What nobody asks for by a number and every assessor finds."""
    yield from (f"Changed without an amendment: {change}" for change in study.changes)
    yield from (f"No longer complete: {loss.text}" for loss in (*study.lost_history, *study.lost_amendments))
    for name, words in (("contradictions", "Contradiction"), ("questions", "Open question on the raw data")):
        yield from (f"{words}: {item.get('text', item)}" for item in results.get(name, ()) if _is_open(item))


def _is_open(item: Mapping[str, Any]) -> bool:
    """Whether nothing closed it."""
    return not item.get("answer") and item.get("status", "open") == "open"


def _answered(row: Mapping[str, Any]) -> bool:
    return bool(row["status"] == "answered")


def _counts(rows: Sequence[Mapping[str, Any]]) -> dict[str, int]:
    return {status: sum(row["status"] == status for row in rows) for status in ("answered", "in part", "gap")}


def as_text(audit: DossierAudit) -> str:
    """The questions with their answers and places, then the clauses that are not answered, and the counts."""
    lines = [line for row in audit.questions for line in _lines(row)]
    unanswered = [row for row in audit.clauses if not _answered(row)]
    lines += [
        "",
        "ISO/IEC 17025:2017, clauses that are not answered in full" if unanswered else "Every clause answered.",
    ]
    for row in unanswered:
        memory = " (clause from memory)" if row["from_memory"] else ""
        lines.append(f"{row['id']}{memory}  {row['status'].upper()}  {row['subject']}")
        lines += [f"      missing    {item['text']} ({item['key']})" for item in row["missing"]]
    lines += ["", *audit.further, *([""] if audit.further else [])]
    lines += [f"Questions: {_told(audit.questions)}.", f"Clauses: {_told(audit.clauses)}.", f"  {audit.folder}"]
    return "\n".join(lines)


def _lines(row: Mapping[str, Any]) -> Iterator[str]:
    yield f"{row['id']:<4}{row['status'].upper():<9} {row['subject']}"
    yield f"      {row['text']}"
    places = [f"{place['text']} (#{place['anchor']})" for place in row["places"]]
    if places:
        yield f"      where      {sentence_list(places)}"
    keys = list(dict.fromkeys(item["key"] for item in row["missing"]))
    if keys:
        yield f"      answer by  {', '.join(keys)}"


def _told(rows: Sequence[Mapping[str, Any]]) -> str:
    """ "24 of 30 answered, 3 in part, 3 gaps"."""
    number = _counts(rows)
    gaps = "1 gap" if number["gap"] == 1 else f"{number['gap']} gaps"
    return f"{number['answered']} of {len(rows)} answered, {number['in part']} in part, {gaps}"
