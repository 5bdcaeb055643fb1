"""Which calculations are whose, how they were tested on this version, and whether anyone can repeat them."""

from __future__ import annotations

from validation.audit.evidence import RECOMPUTE, SOFTWARE, AuditRecord, Finding, Missing, either, unless
from validation.audit.standing import some
from validation.words import counted


def calculations(record: AuditRecord) -> Finding:
    """The self-test of the program that made the dossier."""
    own, report = record.judgement.quantities, record.selftest
    counts = f"This program computed {counted(len(own), 'quantity')}, each with its formula and source."
    key = "validation selftest"
    if report is None:
        return either([counts] if own else [], [Missing("No report of a self-test is attached.", key)], SOFTWARE)
    passed = "all passed" if report.failed == 0 else f"{report.failed} failed"
    facts = [counts, f"Self-test attached: {counted(report.checks, 'check')} against published values, {passed}."]
    missing = [
        unless(report.intact, "The report does not have the SHA-256 that it states.", key),
        unless(report.failed == 0, "The self-test fails, so its cause is to be found first.", key),
        unless(not report.differs, f"The report was made with {some(report.differs)}.", key),
    ]
    return either(facts, missing, SOFTWARE)


def recomputing(record: AuditRecord) -> Finding:
    """Whether the dossier holds what a recomputation takes."""
    quantities, folder = record.judgement.quantities, record.study.folder
    files = sum(path.is_file() for path in folder.rglob("*")) if folder.is_dir() else 0
    traced = sum(bool(quantity.readings) for quantity in quantities)
    facts = [f"Inside are {counted(files, 'input file')}, byte for byte."] if files else []
    facts += [f"{traced} of {counted(len(quantities), 'quantity')} name their readings; the others follow from them."]
    missing = [
        unless(files, "The inputs are not there.", "inputs/"),
        unless(traced, "No quantity names a reading.", "worksheets"),
        unless(not record.study.draft, "This is a draft: it takes no number.", "validation run"),
    ]
    return either(facts if files and traced else [], missing, RECOMPUTE)
