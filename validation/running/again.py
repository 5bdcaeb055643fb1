"""A dossier made again from its own inputs, its notebooks executed: to be compared, or written beside it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from validation.characteristics.registry import characteristics
from validation.dossier.attached import FOLDER as SELFTEST
from validation.dossier.from_folder import Making, record_from
from validation.dossier.made_again import MadeAgain, every_file
from validation.dossier.manifest import MANIFEST, SEAL, SIGNED, read_manifest, relative_files, versions, write_manifest
from validation.dossier.predecessor import PLACE as PREDECESSOR
from validation.dossier.verify import VerifyReport, verify_dossier
from validation.faults import Refusal
from validation.running.making import at_once, computed, facts_of
from validation.running.notebooks import NotebookFailure
from validation.running.typesetter import set_apart


def executed_again(folder: Path, making: Making, chapters: Sequence[str] | None) -> MadeAgain:
    """Every file of a dossier made again as a run makes it, in a temporary folder.

    Raises
    ------
    Refusal
        A notebook stopped.
    """
    with TemporaryDirectory(prefix="validation-", ignore_cleanup_errors=True) as temporary:
        return _made_in(Path(temporary) / "dossier", folder, making, chapters)


def _made_in(place: Path, folder: Path, making: Making, chapters: Sequence[str] | None) -> MadeAgain:
    """The same in a new folder, where the notebooks leave what they made."""
    for name in relative_files(folder):
        if name.startswith(("inputs/", f"{PREDECESSOR}/", f"{SELFTEST}/")):
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(folder / name, place / name)
    names = list(characteristics()) if chapters is None else list(chapters)
    try:
        rebuilt = computed(place, making, names=names, jobs=at_once(None), progress=lambda text: None)
    except NotebookFailure as failure:
        raise Refusal(f"Executed again, {failure.notebook} stopped in cell {failure.cell}: {failure.error}.") from None
    return every_file(place, rebuilt, making, set_apart)


@dataclass(frozen=True, slots=True)
class RebuildReport:
    """A dossier written again: where, what verification says, how many files are the same to the byte, which differ."""

    folder: Path
    verified: VerifyReport
    identical: int
    different: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether nothing differs but what belongs to one run: its times, and the seal over them."""
        return self.verified.ok and not self.different

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        written = {"folder": str(self.folder), "identical": self.identical, "different": list(self.different)}
        return {**self.verified.to_dict(), "ok": self.ok, "rebuilt": written}


def rebuilt_dossier(folder: Path, into: Path | None = None) -> RebuildReport:
    """Write a dossier again from its inputs into a new folder, and compare the two file by file.

    Parameters
    ----------
    folder : the dossier
    into : the new folder; None for one beside the dossier, NAME-rebuilt

    Raises
    ------
    Refusal
        The new folder exists, the dossier is of other versions, or nothing could be computed from its inputs.
    """
    target = into or folder.resolve().with_name(f"{folder.resolve().name}-rebuilt")
    if os.path.lexists(target):
        raise Refusal(f"{target} exists; name another folder, or move it elsewhere.")
    then, now = read_manifest(folder).versions, versions()
    others = [f"{name} {then.get(name, 'not stated')}" for name in now if then.get(name) != now[name]]
    if others:
        raise Refusal(f"The dossier was made with {', '.join(others)}; it is written again with these versions alone.")
    with _being_written(target) as place:
        started = datetime.now(UTC)

        def make(dossier: Path, making: Making, chapters: Sequence[str] | None) -> MadeAgain:
            made = _made_in(place, dossier, making, chapters)
            _complete(place, made, making, started)
            return made

        verified = verify_dossier(folder, make=make)
        if not (place / MANIFEST).is_file():
            raise Refusal(f"Nothing could be written again: {verified.problems[0]}")
    identical, different = _file_by_file(folder, target)
    return RebuildReport(target, verified, identical, different)


@contextmanager
def _being_written(target: Path) -> Iterator[Path]:
    """A folder that gets its name when it is complete, and is gone where it is not."""
    place = target.with_name(f".{target.name}.in-progress")
    place.mkdir(parents=True)
    try:
        yield place
        os.replace(place, target)
    finally:
        shutil.rmtree(place, ignore_errors=True)


def _complete(place: Path, made: MadeAgain, making: Making, started: datetime) -> None:
    """Every file, and a manifest with the times of now."""
    for name, content in made.files.items():
        (place / name).parent.mkdir(exist_ok=True)
        (place / name).write_bytes(content)
    record = record_from(place, made.rebuilt, making)
    write_manifest(place, facts_of(record, making, started.isoformat(), datetime.now(UTC).isoformat()))


def _file_by_file(folder: Path, anew: Path) -> tuple[int, tuple[str, ...]]:
    """How many files are the same to the byte, and what differs beyond the times and the seal."""
    there, here = set(relative_files(folder)) - {SIGNED}, set(relative_files(anew))  # signing follows the making
    same = [name for name in there & here if (folder / name).read_bytes() == (anew / name).read_bytes()]
    different = [f"{name}: not written again." for name in sorted(there - here)]
    different += [f"{name}: not in the dossier." for name in sorted(here - there)]
    aside = {*same, MANIFEST, SEAL}
    different += [f"{name}: not the same bytes." for name in sorted(there & here - aside)]
    one, other = read_manifest(folder).content, read_manifest(anew).content
    keys = [key for key in {**one, **other} if one.get(key) != other.get(key) and key not in ("started", "ended")]
    different += [f"{MANIFEST}: {key} differs." for key in keys]
    return len(same), tuple(different)
