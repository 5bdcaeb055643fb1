"""The record that the pages are made of, from the folder of a dossier alone: `run` and `verify` make the same one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from validation.dossier.attached import OWN, OWN_PAGE, attached_selftest
from validation.dossier.manifest import MANIFEST, Manifest, hashes, inputs_hash, relative_files, versions
from validation.dossier.predecessor import predecessor_of
from validation.dossier.rebuild import Rebuilt
from validation.dossier.record import DossierRecord
from validation.dossier.results import RESULTS, results_bytes
from validation.dossier.workbook.book import WORKBOOK, workbook_bytes
from validation.faults import Refusal
from validation.judging.outcomes import Judgement
from validation.program import program_hash
from validation.study.folder import RECORDS
from validation.study.history.roles import read_roles
from validation.study.load import record_files, unused_files
from validation.study.model import Study

#: Bytes of a file of records/ up to which the PDF holds it too.
LARGEST_RECORD = 5_000_000
WATERMARK = "DRAFT, not a dossier"


@dataclass(frozen=True, slots=True)
class Making:
    """What the pages say of the making of a dossier and its inputs do not hold; manifest.json keeps it.

    Attributes
    ----------
    issue, draft : the number of the dossier, and whether it is a draft
    versions, program : of what made it; `program` is the SHA-256 over the program's files
    unused_files : of the study folder
    """

    issue: str
    draft: bool
    versions: Mapping[str, str]
    program: str
    unused_files: tuple[str, ...]

    def facts(self) -> dict[str, Any]:
        """As manifest.json has it; the versions are there already."""
        return {"program_sha256": self.program, "study_folder": {"unused_files": list(self.unused_files)}}


def making_here(study: Study, issue: str, *, draft: bool) -> Making:
    """The making of a dossier by this program, now; `study` as read from its own folder."""
    return Making(issue, draft, versions(), program_hash(), unused_files(study.folder, study.plan))


def recorded_making(manifest: Manifest, *, draft: bool) -> Making:
    """The making of a dossier as its manifest has it.

    Raises
    ------
    Refusal
        The manifest states it in another shape.
    """
    content = manifest.content
    beside = content.get("study_folder")
    unused = beside["unused_files"] if isinstance(beside, dict) and set(beside) == {"unused_files"} else None
    if not isinstance(unused, list):
        raise Refusal(f"{MANIFEST}: study_folder: not what a run states of the study folder.")
    texts = [content.get("issue"), content.get("program_sha256"), *unused]
    if not all(isinstance(text, str) for text in texts):
        raise Refusal(f"{MANIFEST}: issue, program_sha256 or study_folder: not what a run states there.")
    return Making(str(texts[0]), draft, manifest.versions, str(texts[1]), tuple(unused))


def record_from(folder: Path, rebuilt: Rebuilt, making: Making) -> DossierRecord:
    """The record of a dossier: the same whether it is being written or verified.

    Parameters
    ----------
    folder : the dossier, or the place where it is built; its inputs, and what is kept of the issue before, are there
    rebuilt : what the inputs give
    making : what they do not give
    """
    inputs, chapters = folder / "inputs", rebuilt.chapters
    stamp, state = _state_of_data(rebuilt.study, rebuilt.judgement)
    before = predecessor_of(folder, rebuilt.judgement, making.versions, making.issue)
    return DossierRecord(
        study=rebuilt.study,
        judgement=rebuilt.judgement,
        evaluations=chapters.evaluations,
        words=chapters.words,
        figures=chapters.figures,
        alts=chapters.alts,
        variants=rebuilt.variants,
        issue=making.issue,
        inputs=hashes(inputs),
        inputs_hash=inputs_hash(inputs),
        versions=making.versions,
        timestamp=stamp,
        state_of_data=state,
        records=record_files(inputs),
        unused_files=making.unused_files,
        before=before,
        parent=rebuilt.parent,
        watermark=WATERMARK if making.draft else "",
        program=making.program,
        attached=_attached(folder, rebuilt),
        own_selftest=attached_selftest(folder, making.versions, making.program, place=OWN),
        selftest_page=(folder / OWN_PAGE).read_bytes() if (folder / OWN_PAGE).is_file() else b"",
        audit=rebuilt.audit,
        selftest=attached_selftest(inputs, making.versions, making.program),
    )


def _attached(folder: Path, rebuilt: Rebuilt) -> dict[str, bytes]:
    """What the PDF holds: inputs, record and workbook, so that it alone is enough to compute everything again.

    A scan or export may be of any size: a large one stays beside the PDF.
    """
    results = rebuilt.results
    made = {
        RESULTS: results_bytes(results),
        WORKBOOK: workbook_bytes(rebuilt.study, rebuilt.chapters.evaluations, results),
    }
    every = [
        (f"inputs/{name}", (folder / "inputs" / name).stat().st_size) for name in relative_files(folder / "inputs")
    ]
    names = [name for name, size in every if size <= LARGEST_RECORD or not name.startswith(f"inputs/{RECORDS}/")]
    return {**made, **{name: (folder / name).read_bytes() for name in names}}


def _state_of_data(study: Study, judgement: Judgement) -> tuple[int, str]:
    """The latest time in the inputs: the same for the same inputs, unlike the time of the run."""
    times = [entry.time for entry in judgement.order.entries]
    times += [
        reading.time for data in study.experiments.values() for reading in data.readings if reading.time is not None
    ]
    times += [datetime.fromisoformat(entry["time"]) for entry in study.amendments if entry.get("time")]
    times += [role.when for role in read_roles(study.folder).entries]
    if not times:
        return 0, "no dated entry; the time of the run is in manifest.json"
    latest = max(time if time.tzinfo else time.replace(tzinfo=UTC) for time in times)
    return int(
        latest.timestamp()
    ), f"latest dated entry {latest.isoformat(timespec='minutes')}; the time of the run is in manifest.json"
