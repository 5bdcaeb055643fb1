"""The study folder as files: nothing is read or written through a link that leads out of it."""

from __future__ import annotations

import hashlib
import os
import re
import stat
import unicodedata
from collections.abc import Iterator
from pathlib import Path

from validation.faults import Fault, StudyDataError
from validation.study.text_files import LARGEST

LOCK = "plan.lock"
AMENDMENTS = "amendments.csv"
HISTORY = "history"
#: In history/ of the inputs of a dossier alone: what the study folder showed and its copy by itself could not.
OF_COPIES = ("earlier.csv", "elsewhere.csv", "losses.csv")
#: Documents and exports of a study: copied and hashed, never read as data.
RECORDS = "records"
#: What the program reads or writes by name, whatever the plan says.
_FILES = ("plan.yaml", LOCK, AMENDMENTS)
_FOLDERS = (HISTORY, RECORDS, "standards", "worksheets", "dossiers", "draft", "control")


def folder_faults(folder: Path) -> list[Fault]:
    """A fault for each link that leads out of the study, and for each pipe or device in the place of a file.

    Checked are the files and folders that the program knows by name, and everything below them but for finished
    dossiers, whose links `verify` names. Nothing is opened.
    """
    home = folder.resolve()
    return [fault for path in _known(folder) if (fault := _fault(path, folder, home)) is not None]


def refuse_faulty(folder: Path) -> None:
    """The same, raised.

    Raises
    ------
    StudyDataError
        With every such fault.
    """
    faults = folder_faults(folder)
    if faults:
        raise StudyDataError(faults)


def _known(folder: Path) -> Iterator[Path]:
    for name in (*_FILES, *_FOLDERS):
        path = folder / name
        if not os.path.lexists(path):
            continue
        yield path
        if name in ("dossiers", "draft"):
            yield from (item for item in sorted(path.glob("*")) if item.is_symlink())
            continue
        for parent, below, files in os.walk(path, followlinks=False):
            yield from (Path(parent, item) for item in sorted((*below, *files)))


def _fault(path: Path, folder: Path, home: Path) -> Fault | None:
    name = path.relative_to(folder).as_posix()
    try:
        resolved = path.resolve(strict=True)
        kind = resolved.stat()
    except (OSError, RuntimeError) as error:
        what = getattr(error, "strerror", None) or "it leads in a circle"
        return Fault(name, f"The path cannot be followed: {what}.", "Remove the link, or put the file itself there.")
    if not resolved.is_relative_to(home):
        reason, mend = "The path leads out of the study folder through a link.", "Copy what it names into the study."
        return Fault(name, reason, mend, value=str(resolved), expected="a place inside the study folder")
    if not (stat.S_ISREG(kind.st_mode) or stat.S_ISDIR(kind.st_mode)):
        reason, mend = "This is not an ordinary file but a pipe, a device or a socket.", "Put the file itself there."
        return Fault(name, reason, mend)
    if name.startswith(f"{RECORDS}/") and any(c == "\\" or unicodedata.category(c) in ("Cc", "Cs") for c in name):
        reason = "The name holds a line end, another control character, a backslash or a byte that is no character."
        return Fault(name.encode("ascii", "backslashreplace").decode(), reason, "Rename the file.")
    if name in _FILES and stat.S_ISDIR(kind.st_mode):
        return Fault(name, "This is a folder.", "Put the file itself there.", value="a folder", expected="a file")
    if name.partition("/")[0] in (*_FILES, HISTORY) and kind.st_size > LARGEST:
        reason, mend = f"The file has {kind.st_size} bytes.", "Keep documents and instrument exports in records/."
        return Fault(name, reason, mend, expected=f"at most {LARGEST} bytes")
    return None


def issues_of(folder: Path) -> list[Path]:
    """The dossiers of a study, oldest first; a folder of such a name that holds nothing of a dossier is none."""
    issues = [
        path
        for path in (folder / "dossiers").glob("*")
        if re.fullmatch("[0-9]+", path.name) and any((path / name).exists() for name in ("manifest.json", "inputs"))
    ]
    return sorted(issues, key=lambda path: int(path.name))


def dossiers_with(folder: Path, manifest_sha256: str) -> list[Path]:
    """Every dossier whose manifest has this SHA-256: in the study, in its records/, in the studies next to it."""
    beside = folder.resolve().parent
    patterns = (
        (folder, "dossiers/*/manifest.json"),
        (folder, "records/**/manifest.json"),
        (beside, "*/dossiers/*/manifest.json"),
    )
    paths = (path for root, pattern in patterns for path in sorted(root.glob(pattern)) if path.is_file())
    wanted = manifest_sha256.strip().lower()
    return [path.parent for path in paths if hashlib.sha256(path.read_bytes()).hexdigest() == wanted]


def history_files(folder: Path) -> list[str]:
    """What the program itself keeps in history/, by name; anything else there is not its own."""
    names = ("readings.csv", "amendments.csv", "files.csv", "roles.csv", *OF_COPIES)
    files = [
        path
        for path in sorted((folder / HISTORY).glob("*"))
        if path.is_file() and (path.name in names or re.fullmatch(r"plan-[0-9a-f]{12}\.yaml", path.name))
    ]
    return [path.relative_to(folder).as_posix() for path in files]
