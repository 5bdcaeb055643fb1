"""Signatures: the first revision is the hashed PDF, each is intact, the last covers the file, the manifest is sealed.

`openssl` is not asked: pyHanko signs and checks, cryptography makes the keys; the bytes are compared here.
"""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pypdf
import pytest
from study_folder import reseal

from validation.cli import main
from validation.dossier import signing
from validation.dossier.manifest import SIGNED, integrity_problems, sha256
from validation.dossier.signatures import INSTALL, TEST, UNSIGNED, can_sign, signed_copy
from validation.dossier.verify import verify_dossier
from validation.faults import Refusal

NOW = datetime.now(UTC)
needs_pyhanko = pytest.mark.skipif(not can_sign(), reason="the extra `sign` is not installed")


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return signing.write_test_certificate(tmp_path_factory.mktemp("key"), NOW)


@pytest.fixture
def copy(small_dossier: Path, tmp_path: Path) -> Path:
    return shutil.copytree(small_dossier, tmp_path / "001")


@pytest.fixture(scope="module")
def signed(small_dossier: Path, key: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Read only: a dossier that two people signed."""
    folder = shutil.copytree(small_dossier, tmp_path_factory.mktemp("signed") / "001")
    signing.sign_dossier(folder, role="prepared", name="A. One", key=key, now=NOW)
    signing.sign_dossier(folder, role="approved", name="Q. Two", key=key, now=NOW, reason="read in full")
    return folder


def test_an_unsigned_dossier_is_said_to_be_unsigned(small_dossier: Path) -> None:
    assert signed_copy(small_dossier).sentences == (UNSIGNED,)
    assert not signed_copy(small_dossier).problems


def test_without_the_optional_part_one_sentence_says_how_to_install_it(
    copy: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("validation.dossier.signing.can_sign", lambda: False)
    assert main(["sign", str(copy), "--as", "prepared", "--by", "A", "--key", "k.p12"]) == 2
    assert capsys.readouterr().err.strip() == INSTALL
    monkeypatch.setattr("validation.dossier.signatures.can_sign", lambda: False)
    (copy / SIGNED).write_bytes((copy / "dossier.pdf").read_bytes())
    assert "were not checked" in signed_copy(copy).sentences[0]


@needs_pyhanko
def test_the_signed_copy_begins_with_the_hashed_pdf_and_holds_every_signature(signed: Path) -> None:
    raw, first = (signed / SIGNED).read_bytes(), (signed / "dossier.pdf").read_bytes()
    assert raw.startswith(first)
    copy = signed_copy(signed)
    assert not copy.problems
    assert [(one.role, one.name) for one in copy.signatures] == [("prepared", "A. One"), ("approved", "Q. Two")]
    assert all(sha256(signed / "manifest.json") in one.reason for one in copy.signatures)
    assert "read in full" in copy.signatures[1].reason
    fields = pypdf.PdfReader(signed / SIGNED).trailer["/Root"]["/AcroForm"]["/Fields"]
    assert [f.get_object()["/V"]["/SubFilter"] for f in fields] == ["/ETSI.CAdES.detached"] * 2  # PAdES, EN 319 142-1
    assert json.dumps(copy.to_dict())


@needs_pyhanko
def test_the_manifest_does_not_hold_the_signed_copy(signed: Path) -> None:
    assert not integrity_problems(signed)


@needs_pyhanko
def test_what_the_certificate_is_and_who_signed_twice_is_said(signed: Path, key: Path, copy: Path) -> None:
    text = " ".join(signed_copy(signed).sentences)
    assert f"certificate of {TEST}, self-signed" in text
    assert "The signature names A. One, its certificate names TEST, proves nothing." in text
    assert "A. One and Q. Two signed with the same certificate." in text
    assert "not decided by this program" in text
    for role in ("prepared", "approved"):
        both = signing.sign_dossier(copy, role=role, name="A. One", key=key, now=NOW)
    assert "The same person, A. One, signed as prepared and approved." in both.sentences


def _with_object_replaced(raw: bytes) -> bytes:
    """An incremental update that gives the first page other contents, as any PDF editor writes it."""
    import io

    writer = pypdf.PdfWriter(io.BytesIO(raw), incremental=True)
    writer.pages[0][pypdf.generic.NameObject("/Rotate")] = pypdf.generic.NumberObject(90)
    stream = io.BytesIO()
    writer.write(stream)
    return stream.getvalue()


@needs_pyhanko
@pytest.mark.parametrize(
    ("attack", "words"),
    [
        (lambda raw, first: raw + b"\n% later", "does not cover the entire file"),
        (lambda raw, first: raw[: first + 200] + b"#" + raw[first + 201 :], SIGNED),
        (lambda raw, first: raw.replace(b"/Title", b"/Tutle", 1), "does not begin with dossier.pdf"),
        (lambda raw, first: raw[:first], "it holds no signature"),
        (lambda raw, first: raw[: first + 1000], SIGNED),
        (lambda raw, first: _with_object_replaced(raw), "something beside the signatures was added"),
        (lambda raw, first: b"", "does not begin with dossier.pdf"),
    ],
    ids=["appended", "a byte", "the first revision", "no signature", "cut", "a page turned", "empty"],
)
def test_a_signed_copy_that_was_changed_is_a_fault(signed: Path, tmp_path: Path, attack, words: str) -> None:
    folder = shutil.copytree(signed, tmp_path / "001")
    raw, first = (folder / SIGNED).read_bytes(), (folder / "dossier.pdf").stat().st_size
    (folder / SIGNED).write_bytes(attack(raw, first))
    assert any(words in problem for problem in signed_copy(folder).problems)


@needs_pyhanko
def test_a_page_changed_before_the_first_signature_is_a_fault(copy: Path, key: Path, monkeypatch) -> None:
    honest = signing.PDF
    (copy / "turned.pdf").write_bytes(_with_object_replaced((copy / honest).read_bytes()))
    monkeypatch.setattr(signing, "PDF", "turned.pdf")
    monkeypatch.setattr(signing, "integrity_problems", lambda folder: [])
    report = signing.sign_dossier(copy, role="prepared", name="A. One", key=key, now=NOW)
    assert any("something beside the signatures" in problem for problem in report.problems)


@needs_pyhanko
def test_signatures_seal_the_manifest(signed: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(signed, tmp_path / "001")
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    manifest["started"] = "2020-01-01T00:00:00+00:00"
    (folder / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    reseal(folder)
    assert sum("seals another manifest.json" in problem for problem in signed_copy(folder).problems) == 2


@needs_pyhanko
def test_verify_lists_signatures_and_fails_on_a_fault(signed: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(signed, tmp_path / "001")
    report = verify_dossier(folder, recompute=False)
    assert report.ok
    assert [row["role"] for row in report.to_dict()["signed"]["signatures"]] == ["prepared", "approved"]
    with (folder / SIGNED).open("ab") as stream:
        stream.write(b"more")
    assert not verify_dossier(folder, recompute=False).ok


@needs_pyhanko
def test_what_does_not_hold_is_not_signed(copy: Path, key: Path, tmp_path: Path) -> None:
    facts = {"role": "prepared", "name": "A. One", "now": NOW}
    with pytest.raises(Refusal, match="valid from"):
        signing.sign_dossier(copy, key=key, **{**facts, "now": NOW + timedelta(days=40)})
    with pytest.raises(Refusal, match="PKCS 12"):
        signing.sign_dossier(copy, key=copy / "results.json", **facts)
    with pytest.raises(Refusal, match="needs a role"):
        signing.sign_dossier(copy, key=key, **{**facts, "role": "read"})
    with (copy / "results.json").open("a", encoding="utf-8") as stream:
        stream.write(" ")
    with pytest.raises(Refusal, match="its hashes do not hold"):
        signing.sign_dossier(copy, key=key, **facts)
    assert not (copy / SIGNED).exists()


@needs_pyhanko
def test_the_command_signs_and_writes_a_test_certificate_once(copy: Path, tmp_path: Path, capsys) -> None:
    assert main(["sign", "--test-certificate", str(tmp_path)]) == 0
    assert main(["sign", "--test-certificate", str(tmp_path)]) == 2
    key = str(tmp_path / signing.TEST_FILE)
    assert main(["sign", str(copy), "--as", "reviewed", "--by", "B", "--key", key, "--reason", "checked"]) == 0
    assert "reviewed by B" in capsys.readouterr().out
    assert main(["sign", str(copy), "--as", "reviewed"]) == 2
    assert main(["sign", str(copy), "--as", "reviewed", "--by", "B", "--key", str(tmp_path / "none.p12")]) == 2
    assert "Traceback" not in capsys.readouterr().err
