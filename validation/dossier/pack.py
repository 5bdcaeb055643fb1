"""One file for the archive: a dossier, how to check it and compute it again, and the program that made it."""

from __future__ import annotations

import hashlib
import re
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from importlib import metadata
from io import BytesIO
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import Final
from zipfile import ZIP_DEFLATED, BadZipFile, ZipFile, ZipInfo

from validation.dossier.made_again import MakeAgain, made_here
from validation.dossier.manifest import (
    MANIFEST,
    SIGNED,
    Manifest,
    integrity_problems,
    read_manifest,
    relative_files,
    sha256,
)
from validation.dossier.pack_text import recompute_text
from validation.dossier.parent import PLACE
from validation.dossier.predecessor import PLACE as PREDECESSOR
from validation.dossier.signatures import signed_copy
from validation.dossier.verify import VerifyReport, verify_dossier
from validation.faults import Refusal
from validation.files import write_files
from validation.program import DISTRIBUTION, LICENCE, source_files

SUMS, TEXT, DOSSIER, PROGRAM = "SHA256SUMS", "RECOMPUTE.txt", "dossier", "program"
#: What is unpacked at most: a pack larger than this is none of ours.
MOST_BYTES: Final = 2_000_000_000
#: Unpacked size over packed size beyond which a file is taken for one that is made to fill a disk.
MOST_RATIO: Final = 200
#: The clock is not read: the oldest time that the format knows.
_TIME = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class Pack:
    """A pack as written: where, how many files, how large, and its SHA-256."""

    path: Path
    files: int
    size: int
    sha256: str


def pack_dossier(folder: Path, out: Path | None = None) -> Pack:
    """Pack a dossier; the same dossier and program give the same bytes.

    Parameters
    ----------
    folder : the dossier
    out : the file to write; None for a name made of study and issue, in the current folder

    Raises
    ------
    Refusal
        The hashes or the signed copy of the dossier do not hold, or the file is there already.
    """
    problems = [*integrity_problems(folder), *signed_copy(folder).problems]
    if problems:
        raise Refusal(f"{folder} is not packed, since it does not hold: {problems[0]}")
    manifest = read_manifest(folder)
    path = out or Path(_name(manifest))
    if path.exists():
        raise Refusal(f"{path} is there already; name another file with --out.")
    members = _members(folder, manifest)
    raw = _zipped(members)
    write_files(path.parent, {path.name: raw})
    return Pack(path, len(members), len(raw), hashlib.sha256(raw).hexdigest())


def _name(manifest: Manifest) -> str:
    study = "".join(sign if sign.isalnum() or sign in "-_." else "-" for sign in str(manifest.content.get("study")))
    return f"{study.strip('.-') or 'study'}-{manifest.content.get('issue')}.zip"


def _members(folder: Path, manifest: Manifest) -> dict[str, bytes]:
    members = {f"{DOSSIER}/{name}": (folder / name).read_bytes() for name in relative_files(folder)}
    from validation import __version__

    if manifest.program_version == __version__:
        members |= {f"{PROGRAM}/{name}": raw for name, raw in source_files().items()}
        members[f"{PROGRAM}/requirements.txt"] = _pinned(manifest).encode()
    members[TEXT] = recompute_text(manifest, sha256(folder / MANIFEST), _facts(members)).encode()
    sums = "".join(f"{hashlib.sha256(raw).hexdigest()}  {name}\n" for name, raw in sorted(members.items()))
    return {**members, SUMS: sums.encode()}


def _pinned(manifest: Manifest) -> str:
    """The libraries that the manifest names, then the program's others as they are where the pack is made."""
    pinned = {name: version for name, version in manifest.versions.items() if name not in ("validation", "python")}
    try:
        named = [re.match(r"[\w.-]+", line) for line in metadata.requires(DISTRIBUTION) or [] if "extra ==" not in line]
        others = {name[0].lower() for name in named if name} - {*pinned}
    except metadata.PackageNotFoundError:
        others = set()
    pinned |= {name: metadata.version(name) for name in sorted(others)}
    return "".join(f"{name}=={version}\n" for name, version in pinned.items())


def _facts(members: Mapping[str, bytes]) -> dict[str, bool | float]:
    """What the text says of the parts that not every pack has."""
    program = sum(len(raw) for name, raw in members.items() if name.startswith(f"{PROGRAM}/"))
    return {
        "signed": f"{DOSSIER}/{SIGNED}" in members,
        "parent": any(name.startswith(f"{DOSSIER}/inputs/{PLACE}/") for name in members),
        "predecessor": any(name.startswith(f"{DOSSIER}/{PREDECESSOR}/") for name in members),
        "licence": f"{PROGRAM}/{LICENCE}" in members,
        "program": program / 1e6,
    }


def _zipped(members: Mapping[str, bytes]) -> bytes:
    """Text first, then by name."""
    stream = BytesIO()
    with ZipFile(stream, "w", ZIP_DEFLATED, compresslevel=9) as packed:
        for name in sorted(members, key=lambda name: (name not in (TEXT, SUMS), name)):
            entry = ZipInfo(name, _TIME)
            entry.compress_type, entry.create_system, entry.external_attr = ZIP_DEFLATED, 3, 0o100644 << 16
            packed.writestr(entry, members[name])
    return stream.getvalue()


def verify_pack(path: Path, *, make: MakeAgain = made_here) -> VerifyReport:
    """Unpack into a temporary folder, check the sums of the pack, and verify the dossier in it.

    Parameters
    ----------
    path : the ZIP file
    make : makes the dossier again, as `verify_dossier` has it

    Raises
    ------
    Refusal
        It is no pack, or one that is not safely unpacked.
    """
    with TemporaryDirectory() as place:
        problems = [f"{path.name}: {text}" for text in _unpacked(path, Path(place))]
        report = verify_dossier(Path(place) / DOSSIER, make=make)
    return replace(report, ok=report.ok and not problems, problems=(*problems, *report.problems))


def _unpacked(path: Path, place: Path) -> Iterator[str]:
    """Write every member below `place`; yield what its sums do not agree with."""
    try:
        with ZipFile(path) as packed:
            entries = _safe(path, packed)
            if not {SUMS, f"{DOSSIER}/{MANIFEST}"} <= {entry.filename for entry in entries}:
                raise Refusal(f"{path} is no pack of a dossier: it lacks {SUMS} or {DOSSIER}/{MANIFEST}.")
            contents = {entry.filename: packed.read(entry) for entry in entries}
    except FileNotFoundError:
        raise Refusal(f"There is no file {path}.") from None
    except (BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError) as error:
        raise Refusal(f"{path} cannot be read as a ZIP file: {error}.") from None
    for name, raw in contents.items():
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_bytes(raw)
    lines = contents.pop(SUMS).decode("utf-8", "replace").splitlines()
    listed = {name: hashed for hashed, _, name in (line.partition("  ") for line in lines)}
    for name in sorted({*listed, *contents}):
        if name not in contents:
            yield f"{name}: missing; {SUMS} lists it."
        elif name not in listed:
            yield f"{name}: added; {SUMS} does not list it."
        elif hashlib.sha256(contents[name]).hexdigest() != listed[name]:
            yield f"{name}: changed; its SHA-256 is not the one in {SUMS}."


def _safe(path: Path, packed: ZipFile) -> list[ZipInfo]:
    """The files of a pack, refused whole where one could be written elsewhere, twice, or without end."""
    entries = [entry for entry in packed.infolist() if not entry.is_dir()]
    for entry in packed.infolist():
        parts = PurePosixPath(entry.filename).parts
        if entry.filename.startswith("/") or ".." in parts or "\\" in entry.orig_filename or ":" in entry.filename:
            raise Refusal(f"{path} is not unpacked: {entry.filename!r} is no name inside a folder.")
        if stat.S_ISLNK(entry.external_attr >> 16):
            raise Refusal(f"{path} is not unpacked: {entry.filename!r} is a link.")
    names = [str(PurePosixPath(entry.filename)).casefold() for entry in entries]
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise Refusal(f"{path} is not unpacked: it holds {twice!r} twice.")
    size = sum(entry.file_size for entry in entries)
    if size > MOST_BYTES or size > MOST_RATIO * max(path.stat().st_size, 1):
        raise Refusal(f"{path} is not unpacked: it would fill {size / 1e6:.0f} MB from {path.stat().st_size} bytes.")
    return entries
