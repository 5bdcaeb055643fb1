"""Sign the PDF of a dossier: PAdES, one incremental update a signature, in a copy beside the manifest."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any, Final

from validation.dossier.manifest import MANIFEST, SEAL, SIGNED, integrity_problems, sha256
from validation.dossier.rendered import PDF
from validation.dossier.results import read_results
from validation.dossier.signatures import INSTALL, ROLES, TEST, SignedCopy, can_sign, signed_copy
from validation.faults import Refusal
from validation.files import content, write_files

NOT_STATED: Final = "reason not stated"
TEST_FILE: Final = "test-certificate.p12"


def sign_dossier(
    folder: Path, *, role: str, name: str, key: Path, now: datetime, passphrase: bytes | None = None, reason: str = ""
) -> SignedCopy:
    """Add a signature to the signed copy, which is made where there is none.

    Parameters
    ----------
    folder : the dossier
    role : one of `ROLES`
    name : who signs
    key : PKCS 12 file with key and certificate
    now : the clock, for the validity of the certificate
    passphrase : of that file
    reason : in words, may be empty

    Returns
    -------
    The signed copy as it is now.

    Raises
    ------
    Refusal
        The optional part is not installed, the dossier or its signed copy does not hold, it is a draft, or the key
        cannot be used.
    """
    require_signing()
    if role not in ROLES or not name.strip():
        raise Refusal(f"A signature needs a role ({', '.join(ROLES)}) and a name.")
    before = _holds(folder)
    signer = _signer(key, passphrase, now)
    seal = f"{role}: {reason.strip() or NOT_STATED}; {SEAL} {sha256(folder / MANIFEST)}"
    number = len(before.signatures) + 1
    base = content(folder / SIGNED)
    signed = _with_signature(base or (folder / PDF).read_bytes(), f"{role}-{number}", name.strip(), seal, signer)
    write_files(folder, {SIGNED: signed}, expected={SIGNED: base})
    return signed_copy(folder)


def require_signing() -> None:
    """Refuse, in one sentence, where the optional part is not installed."""
    if not can_sign():
        raise Refusal(INSTALL)


def _holds(folder: Path) -> SignedCopy:
    """The signed copy so far, of a dossier whose hashes hold."""
    problems = integrity_problems(folder)
    if problems:
        raise Refusal(f"{folder} is not signed, since its hashes do not hold: {problems[0]}")
    if read_results(folder).get("draft"):
        raise Refusal(f"{folder} is a draft: only a dossier with a number is signed.")
    copy = signed_copy(folder)
    if copy.problems:
        raise Refusal(f"Nothing is added to a signed copy that does not hold. {copy.problems[0]}")
    return copy


def _signer(key: Path, passphrase: bytes | None, now: datetime) -> Any:
    from pyhanko.sign.signers import SimpleSigner

    raw = key.read_bytes()
    try:
        with _quiet():
            signer = SimpleSigner.load_pkcs12_data(raw, other_certs=[], passphrase=passphrase)
    except ValueError:
        signer = None
    if signer is None or signer.signing_cert is None:
        raise Refusal(f"{key}: no key and certificate could be read. Is it a PKCS 12 file, and the passphrase right?")
    certificate = signer.signing_cert
    if not certificate.not_valid_before <= now <= certificate.not_valid_after:
        valid = f"{certificate.not_valid_before.date()} to {certificate.not_valid_after.date()}"
        raise Refusal(f"{key}: the certificate is valid from {valid}, not today.")
    return signer


def _with_signature(base: bytes, field: str, name: str, reason: str, signer: Any) -> bytes:
    from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
    from pyhanko.sign.fields import SigSeedSubFilter
    from pyhanko.sign.signers import PdfSignatureMetadata, sign_pdf

    facts = PdfSignatureMetadata(
        field_name=field, name=name, reason=reason, subfilter=SigSeedSubFilter.PADES, md_algorithm="sha256"
    )
    with _quiet():
        signed: BytesIO = sign_pdf(IncrementalPdfFileWriter(BytesIO(base)), facts, signer=signer)
    return signed.getvalue()


@contextmanager
def _quiet() -> Iterator[None]:
    """A wrong passphrase is said in one sentence, not with a traceback in a log."""
    log = logging.getLogger("pyhanko")
    level = log.level
    log.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        log.setLevel(level)


def write_test_certificate(folder: Path, now: datetime) -> Path:
    """Write a key with a certificate that proves nothing, without a passphrase, to try `sign`.

    Parameters
    ----------
    folder : where it is written; a file that is there is kept
    now : the clock; the certificate is valid for 30 days

    Raises
    ------
    Refusal
        The optional part is not installed, or the file is there.
    """
    require_signing()
    if (folder / TEST_FILE).exists():
        raise Refusal(f"{folder / TEST_FILE} is there already; nothing was written.")
    write_files(folder, {TEST_FILE: _test_key(now)})
    return folder / TEST_FILE


def _test_key(now: datetime) -> bytes:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import pkcs12

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, TEST)])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(minutes=5))
        .not_valid_after(now + timedelta(days=30))
        .sign(key, hashes.SHA256())
    )
    return pkcs12.serialize_key_and_certificates(TEST.encode(), key, certificate, None, serialization.NoEncryption())
