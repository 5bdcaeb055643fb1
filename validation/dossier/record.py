"""What a dossier is made of, handed in whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from validation.audit.report import AuditReport
from validation.dossier.attached import AttachedSelfTest
from validation.dossier.comparison_report import ComparisonReport
from validation.judging.outcomes import Judgement
from validation.judging.sensitivity import Variant
from validation.study.model import Study
from validation.study.quantity import Evaluation

NOT_STATED = "not stated"

#: Printed once, at the head of the dossier; local codes and licensed practice come first.


@dataclass(frozen=True)
class DossierRecord:
    """Everything a dossier is made of; handed in, nothing is looked up here."""

    study: Study
    judgement: Judgement
    evaluations: Mapping[str, Evaluation]
    words: Mapping[str, Sequence[str]]
    figures: Mapping[str, str]
    alts: Mapping[str, str]
    variants: Sequence[Variant]
    issue: str
    inputs: Mapping[str, str]
    inputs_hash: str
    versions: Mapping[str, str]
    timestamp: int
    state_of_data: str
    records: Mapping[str, str] = field(default_factory=dict)
    unused_files: Sequence[str] = ()
    predecessor: ComparisonReport | None = None
    parent: ComparisonReport | None = None
    watermark: str = ""
    program: str = ""
    selftest: AttachedSelfTest | str | None = None
    own_selftest: AttachedSelfTest | str | None = None
    selftest_page: bytes = b""
    audit: AuditReport | None = None
