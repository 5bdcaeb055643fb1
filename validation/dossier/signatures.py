"""The signed copy of a dossier's PDF: which signatures it holds, whether they are intact, and what they seal."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from io import BytesIO
from itertools import combinations
from pathlib import Path
from typing import Any, Final

from validation.dossier.manifest import MANIFEST, SEAL, SIGNED, sha256
from validation.dossier.rendered import PDF
from validation.words import sentence_list

ROLES: Final = ("prepared", "reviewed", "approved")
INSTALL: Final = (
    "Signatures need the optional part of this program: python -m pip install 'headspace-validation-dossier[sign]'"
)
#: In the name of a test certificate.
TEST: Final = "TEST, proves nothing"
UNSIGNED: Final = "No signed copy."
TRUST: Final = "Whether a certificate is to be trusted is not decided by this program."
_CATALOG, _PAGE = {"/AcroForm", "/Extensions", "/Metadata", "/Version"}, {"/Annots"}
_FORM = {"/Fields", "/SigFlags"}


@dataclass(frozen=True, slots=True)
class Signature:
    """One signature as it stands in the file. `certificate` and `issuer` are names; `fingerprint` is a SHA-256."""

    role: str
    name: str
    time: datetime | None
    reason: str
    certificate: str
    issuer: str
    fingerprint: str
    valid_until: datetime

    @property
    def sentences(self) -> Iterator[str]:
        """Who signed as what, and with which certificate."""
        when = "time not stated" if self.time is None else self.time.isoformat(timespec="seconds")
        issued = "self-signed" if self.issuer == self.certificate else f"issued by {self.issuer}"
        yield (
            f"{self.role} by {self.name}, {when}; certificate of {self.certificate}, {issued}, "
            f"valid until {self.valid_until.date()}."
        )
        if self.certificate.casefold() != self.name.casefold():
            yield f"The signature names {self.name}, its certificate names {self.certificate}."
        if TEST in self.certificate:
            yield "It is a test certificate: it proves nothing."


@dataclass(frozen=True, slots=True)
class SignedCopy:
    """What a dossier's signed copy is: `problems` are faults; `sentences` are for whoever reads the report."""

    signatures: tuple[Signature, ...] = ()
    problems: tuple[str, ...] = ()
    sentences: tuple[str, ...] = (UNSIGNED,)

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        rows = [{name: _plain(value) for name, value in asdict(one).items()} for one in self.signatures]
        return {"signatures": rows, "problems": list(self.problems), "sentences": list(self.sentences)}


def _plain(value: object) -> object:
    return value.isoformat() if isinstance(value, datetime) else value


def can_sign() -> bool:
    """Whether the optional part is installed."""
    return importlib.util.find_spec("pyhanko") is not None


def signed_copy(folder: Path) -> SignedCopy:
    """Check the signed copy of a dossier.

    Parameters
    ----------
    folder : the dossier; without a signed copy this is said

    Returns
    -------
    SignedCopy; a fault is a copy of another PDF, a signature that is not intact, bytes after the last signature, a
    page that was changed beside it, or another manifest than the one that was sealed
    """
    if not (folder / SIGNED).is_file():
        return SignedCopy()
    raw, first = (folder / SIGNED).read_bytes(), (folder / PDF).read_bytes()
    if not raw.startswith(first):
        return SignedCopy(problems=(f"{SIGNED}: it does not begin with {PDF}; another file was signed.",), sentences=())
    if not can_sign():
        return SignedCopy(sentences=(f"There is a signed copy, whose signatures were not checked. {INSTALL}",))
    try:
        return _checked(raw, sha256(folder / MANIFEST))
    except Exception as error:  # a damaged PDF fails anywhere in its reader
        reason = f"{type(error).__name__}: {error}".strip().rstrip(":")
        return SignedCopy(problems=(f"{SIGNED}: it cannot be read as a signed PDF ({reason}).",), sentences=())


def _checked(raw: bytes, seal: str) -> SignedCopy:
    from pyhanko.pdf_utils.reader import PdfFileReader

    reader = PdfFileReader(BytesIO(raw))
    embedded = reader.embedded_signatures
    if not embedded:
        return SignedCopy(problems=(f"{SIGNED}: it holds no signature.",), sentences=())
    signatures = tuple(_signature(one) for one in embedded)
    problems = [text for one in embedded for text in _faults(one, last=one is embedded[-1])]
    if _changed_beside(reader):
        problems.append(f"{SIGNED}: something beside the signatures was added to {PDF}.")
    for one in signatures:
        stated = re.search(rf"{re.escape(SEAL)} ([0-9a-f]{{64}})\Z", one.reason)
        if stated is None or stated[1] != seal:
            problems.append(f"{SIGNED}: the signature of {one.name} ({one.role}) seals another {MANIFEST}.")
    sentences = [*(text for one in signatures for text in one.sentences), *_alike(signatures), TRUST]
    return SignedCopy(signatures, tuple(problems), tuple(sentences))


def _signature(embedded: Any) -> Signature:
    """What a signature says of itself."""
    certificate, written = embedded.signer_cert, embedded.sig_object
    return Signature(
        role=str(embedded.field_name).rpartition("-")[0] or str(embedded.field_name),
        name=str(written.get("/Name", "not stated")),
        time=embedded.self_reported_timestamp,
        reason=str(written.get("/Reason", "")),
        certificate=_common_name(certificate.subject),
        issuer=_common_name(certificate.issuer),
        fingerprint=certificate.sha256.hex(),
        valid_until=certificate.not_valid_after,
    )


def _common_name(name: Any) -> str:
    return str(name.native.get("common_name") or name.human_friendly)


def _faults(embedded: Any, *, last: bool) -> Iterator[str]:
    """Whether the signed bytes and the signature hold, and whether they are all that was there."""
    from pyhanko.sign.validation.generic_cms import validate_sig_integrity
    from pyhanko.sign.validation.status import SignatureCoverageLevel

    embedded.compute_integrity_info(skip_diff=True)
    certificate, digest = embedded.signer_cert, embedded.compute_digest()
    intact, valid = validate_sig_integrity(embedded.signer_info, certificate, "data", digest)
    place = f"{SIGNED}: signature {embedded.field_name}"
    if not (intact and valid):
        yield f"{place}: not intact; the file was changed after it."
    if last and embedded.coverage != SignatureCoverageLevel.ENTIRE_FILE:
        yield f"{place}: it does not cover the entire file; something was added behind the last signature."
    elif embedded.coverage < SignatureCoverageLevel.ENTIRE_REVISION:
        yield f"{place}: it does not cover all that was there when it was made."


def _changed_beside(reader: Any) -> bool:
    """Whether any revision changes or removes an object by more than an invisible signature needs.

    What a revision adds can be seen only from an object that it changes: the form, or a page.
    """
    history, root = reader.xrefs, reader.trailer.raw_get("/Root").reference
    if reader.get_historical_resolver(0).trailer_view.raw_get("/Root").reference != root:
        return True
    known: set[Any] = set(history.explicit_refs_in_revision(0))
    for revision in range(1, history.total_revisions):
        own = set(history.explicit_refs_in_revision(revision))
        if set(history.refs_freed_in_revision(revision)) & known:
            return True
        beside = _loose(reader, revision)
        for ref in (known & own) - beside:
            now, before = (reader.get_object(ref, revision=at) for at in (revision, revision - 1))
            if _keys_that_differ(now, before) - _CATALOG if ref == root else _differs(now, before):
                return True
        known |= own
    return not _form_holds(reader.root["/AcroForm"])


def _loose(reader: Any, revision: int) -> set[Any]:
    """What every program that adds a revision writes anew: metadata, and the form, which is looked at by itself."""
    root, trailer = reader.get_historical_root(revision), reader.trailer
    parts = [(root, "/Metadata"), (root, "/AcroForm"), (trailer, "/Info")]
    return {where.raw_get(key).reference for where, key in parts if key in where and _refers(where.raw_get(key))}


def _refers(value: Any) -> bool:
    return hasattr(value, "reference")


def _form_holds(form: Any) -> bool:
    """Whether a form holds nothing but invisible signatures."""
    return set(form) <= _FORM and all(_invisible(part.get_object()) for part in form["/Fields"])


def _invisible(part: Any) -> bool:
    return part.get("/FT") == "/Sig" and not any(part.get("/Rect", ()))


def _differs(now: Any, before: Any) -> bool:
    """Whether an object is another than before; a page may hold invisible signatures in addition."""
    if not (isinstance(now, dict) and isinstance(before, dict)) or _bytes(before.get("/Type")) != b"/Page":
        return _bytes(now) != _bytes(before)
    if _keys_that_differ(now, before) - _PAGE:
        return True
    known = [_bytes(part) for part in _parts(before)]
    return [_bytes(part) for part in _parts(now)][: len(known)] != known or not all(
        _invisible(part.get_object()) for part in _parts(now)[len(known) :]
    )


def _parts(page: Any) -> list[Any]:
    annotations: Any = page.get("/Annots") if "/Annots" in page else None
    return [] if annotations is None else [annotations.raw_get(at) for at in range(len(annotations))]


def _keys_that_differ(one: Any, other: Any) -> set[str]:
    return {
        key
        for key in {*one, *other}
        if key not in one or key not in other or _bytes(one.raw_get(key)) != _bytes(other.raw_get(key))
    }


def _bytes(value: Any) -> bytes:
    if value is None:
        return b""
    stream = BytesIO()
    value.write_to_stream(stream)
    return stream.getvalue()


def _alike(signatures: Sequence[Signature]) -> Iterator[str]:
    """Said where one person, or one certificate, stands in two roles."""
    names = {one.name.casefold(): one.name for one in signatures}
    for key, name in names.items():
        roles = list(dict.fromkeys(one.role for one in signatures if one.name.casefold() == key))
        if len(roles) > 1:
            yield f"The same person, {name}, signed as {sentence_list(roles)}."
    for one, other in combinations(signatures, 2):
        if one.fingerprint == other.fingerprint and one.name.casefold() != other.name.casefold():
            yield f"{one.name} and {other.name} signed with the same certificate."
