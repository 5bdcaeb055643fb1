"""What a dossier is made of, handed in whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from validation.audit.report import AuditReport
from validation.dossier.anchors import Places
from validation.dossier.attached import AttachedSelfTest
from validation.dossier.comparison_report import ComparisonReport
from validation.dossier.predecessor import Predecessor
from validation.dossier.trace import Tracer
from validation.judging.outcomes import Judgement
from validation.judging.sensitivity import Variant
from validation.study.load import RecordFile
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
    records: Sequence[RecordFile] = ()
    unused_files: Sequence[str] = ()
    before: Predecessor | None = None
    parent: ComparisonReport | None = None
    watermark: str = ""
    program: str = ""
    selftest: AttachedSelfTest | str | None = None
    own_selftest: AttachedSelfTest | str | None = None
    selftest_page: bytes = b""
    audit: AuditReport | None = None
    attached: Mapping[str, bytes] = field(default_factory=dict)

    @property
    def predecessor(self) -> ComparisonReport | None:
        """What changed since the issue before; None without one that can be compared."""
        return None if self.before is None else self.before.report

    @cached_property
    def places(self) -> Places:
        """Where the quantities and verdicts are, for the links that lead there."""
        return Places.of(self.judgement)

    @cached_property
    def traces(self) -> tuple[dict[str, Any], ...]:
        """What each verdict rests on, in the order of the verdicts."""
        tracer = Tracer(self.study, self.study.folder, self.judgement.results())
        return tuple(tracer.requirement(row) for row in tracer.requirements)
