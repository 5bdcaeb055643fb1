"""Chapters of a draft kept for the next one: one whose inputs are the same is taken over instead of executed again."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from validation import resources
from validation.characteristics.registry import characteristics
from validation.dossier.manifest import sha256, versions
from validation.program import program_hash
from validation.study.model import Study

#: In the folder of the dossiers; nothing but a copy, which may be deleted at any time.
FOLDER = ".executed"
_KEY = "key"


@dataclass(frozen=True, slots=True)
class KeptChapters:
    """Chapters as they were executed last, each with a key made of all that went in.

    Parameters
    ----------
    folder : where they are kept
    keys : what each chapter's key is now
    """

    folder: Path
    keys: Mapping[str, str]

    def take(self, name: str, place: Path) -> bool:
        """Copy what the chapter left into the building folder, where its inputs are still the same."""
        kept = self.folder / name
        try:
            if (kept / _KEY).read_text(encoding="ascii") != self.keys[name]:
                return False
            for path in _relative(kept, name):
                shutil.copyfile(kept / path, _made(place / path))
        except (OSError, UnicodeDecodeError):
            return False
        return True

    def keep(self, name: str, place: Path) -> None:
        """Copy what the chapter left out of the building folder; a copy that was stopped half-way has no key."""
        kept = self.folder / name
        shutil.rmtree(kept, ignore_errors=True)
        for path in _relative(place, name):
            shutil.copyfile(place / path, _made(kept / path))
        (kept / _KEY).write_text(self.keys[name], encoding="ascii")


def _relative(folder: Path, name: str) -> list[Path]:
    """What a chapter leaves: its executed notebook, its evaluation, its figures."""
    drawings = sorted((folder / "saved").glob(f"{name}-*.svg"))
    return [
        Path("notebooks", f"{name}.ipynb"),
        Path("saved", f"{name}.json"),
        *(path.relative_to(folder) for path in drawings),
    ]


def _made(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def kept_chapters(study: Study, inputs: Path) -> KeptChapters:
    """What the draft before left of a study's chapters, with the keys that they have now.

    Parameters
    ----------
    study : as read
    inputs : the copy of its files that the notebooks read
    """
    state = _State(study, inputs)
    return KeptChapters(study.folder / "dossiers" / FOLDER, {name: state.key(name) for name in characteristics()})


class _State:
    """All that may go into a chapter, by hash."""

    def __init__(self, study: Study, inputs: Path) -> None:
        files = ["plan.yaml", *sorted(record.file for record in study.lot_records.values())]
        self._common: dict[str, Any] = {
            "program": program_hash(),
            "versions": dict(versions()),
            "files": {name: sha256(inputs / name) for name in files},
        }
        amended = {name: study.amendments_of(data) for name, data in study.experiments.items()}
        # Those of the plan, of equipment, of lot records: every chapter may rest on them.
        of_readings = [entry for entries in amended.values() for entry in entries]
        self._common["amendments"] = [dict(entry) for entry in study.amendments if entry not in of_readings]
        self._worksheets = {
            name: {"file": sha256(inputs / data.worksheet), "amendments": [dict(entry) for entry in amended[name]]}
            for name, data in study.experiments.items()
        }

    def key(self, name: str) -> str:
        """SHA-256 of what goes into one chapter."""
        reads = experiments_read(name)
        parts = {
            **self._common,
            "notebook": sha256(resources.folder("notebooks") / f"{name}.ipynb"),
            "worksheets": {own: state for own, state in self._worksheets.items() if own in reads or not reads},
        }
        return hashlib.sha256(json.dumps(parts, sort_keys=True).encode("utf-8")).hexdigest()


def experiments_read(name: str) -> frozenset[str]:
    """The experiments that a chapter reads, itself or through those it depends on; empty where it may read all."""
    item = characteristics()[name]
    if not item.experiment:
        return frozenset()
    others = [experiments_read(other) for other in item.depends_on]
    if not all(others):
        return frozenset()
    return frozenset({item.experiment, *item.also_reads}.union(*others))
