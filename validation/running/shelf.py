"""Where a run writes: one at a time, in its own building folder; what others put there stays."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

from filelock import FileLock, Timeout

from validation.dossier.manifest import MANIFEST, SEAL, read_manifest, relative_files
from validation.faults import Refusal
from validation.study.folder import issues_of

DRAFT = "draft"
#: In a folder that is being built: this program made it, and may remove it.
MARK = ".in-progress"
_BUILDING = ".building"


@contextmanager
def building(folder: Path, *, draft: bool) -> Iterator[tuple[str, Path]]:
    """The name of the next issue, and an empty folder to build it in; renamed at the end, removed where that fails.

    Raises
    ------
    Refusal
        Another run is working on this study, or a folder in the way holds what this program did not write.
    """
    shelf = folder / "dossiers"
    shelf.mkdir(exist_ok=True)
    with _alone(shelf):
        _clear(shelf)
        target = folder / DRAFT if draft else _next_issue(folder)
        issue = target.name
        if draft:
            _refuse_foreign(target)
        place = shelf / f"{_BUILDING}-{issue}"
        if place.exists():
            raise Refusal(f"{place} is in the way and was not made by this program; move it elsewhere.")
        place.mkdir()
        try:
            (place / MARK).touch()
            yield issue, place
            old = shelf / f"{_BUILDING}-old"
            if draft and target.exists():
                _refuse_foreign(target)
                _set_aside(target, old)
            os.replace(place, target)
            shutil.rmtree(old, ignore_errors=True)
        finally:
            shutil.rmtree(place, ignore_errors=True)


def _set_aside(target: Path, old: Path) -> None:
    """The earlier draft out of the way; where another program has a file of it open, it stays as it was."""
    (target / MARK).touch()
    try:
        os.replace(target, old)
    except OSError:
        (target / MARK).unlink()
        raise


def _next_issue(folder: Path) -> Path:
    """The number after the newest dossier, or the next one that nothing has."""
    numbers = count(max((int(path.name) for path in issues_of(folder)), default=0) + 1)
    places = (folder / "dossiers" / f"{number:03d}" for number in numbers)
    return next(path for path in places if not os.path.lexists(path))


@contextmanager
def _alone(shelf: Path) -> Iterator[None]:
    """One run at a time on one study."""
    lock = FileLock(shelf / ".lock", timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise Refusal(f"Another run is working on {shelf.parent}; wait until it is done, then run again.") from None
    try:
        yield
    finally:
        lock.release()


def _clear(shelf: Path) -> None:
    """Leftovers of interrupted runs; they never had a dossier's name."""
    for left in shelf.glob(f"{_BUILDING}-*"):
        named = re.fullmatch(rf"\{_BUILDING}-({DRAFT}|old|[0-9]+)", left.name)
        if named and left.is_dir() and not left.is_symlink() and ((left / MARK).is_file() or not foreign_files(left)):
            shutil.rmtree(left, ignore_errors=True)


def foreign_files(folder: Path) -> list[str]:
    """The files of a folder that are not those of a finished dossier or draft as its manifest lists them."""
    present = relative_files(folder)
    try:
        listed = {*read_manifest(folder).files, MANIFEST, SEAL}
    except Refusal:
        return present
    return [name for name in present if name not in listed]


def _refuse_foreign(target: Path) -> None:
    """A draft takes the place of an earlier one alone."""
    if not os.path.lexists(target):
        return
    if target.is_symlink() or not target.is_dir():
        raise Refusal(f"{target} is not a folder that this program made; move it elsewhere, then run again.")
    foreign = foreign_files(target)
    if foreign:
        more = f" and {len(foreign) - 3} more" if len(foreign) > 3 else ""
        raise Refusal(
            f"{target} holds {', '.join(foreign[:3])}{more}, which this program did not write there, and a new draft "
            "would replace it. Move it elsewhere, then run again."
        )
