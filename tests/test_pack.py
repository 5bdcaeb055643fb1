"""What an archive keeps: the PDF with its attachments, and the pack of a whole dossier."""

from __future__ import annotations

import hashlib
import shutil
import warnings
from importlib import metadata
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

import pypdf
import pytest

from validation.cli import main
from validation.dossier.manifest import read_manifest, relative_files
from validation.dossier.pack import pack_dossier, verify_pack
from validation.dossier.signatures import UNSIGNED
from validation.faults import Refusal

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


# The PDF ----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def attached(small_dossier: Path) -> dict[str, tuple[bytes, str, str]]:
    """By name, content, type and relationship of each associated file of the PDF."""
    root = pypdf.PdfReader(small_dossier / "dossier.pdf").trailer["/Root"]
    files = [reference.get_object() for reference in root["/AF"]]
    streams = [(file, file["/EF"]["/F"].get_object()) for file in files]
    return {file["/UF"]: (raw.get_data(), raw["/Subtype"][1:], file["/AFRelationship"]) for file, raw in streams}


#: Attached besides the inputs.
OTHERS = {"results.json", "workbook.xlsx", "selftest/selftest.html"}


def test_the_pdf_holds_inputs_record_and_workbook_byte_for_byte(small_dossier: Path, attached: dict) -> None:
    listed = read_manifest(small_dossier).files
    assert set(attached) == {n for n in listed if n.startswith("inputs/")} | OTHERS
    assert all(raw == (small_dossier / name).read_bytes() for name, (raw, _, _) in attached.items())


def test_each_attachment_says_its_type_and_what_it_is_to_the_pages(attached: dict) -> None:
    # ISO 19005-3: an embedded file has a media type and a relationship (from memory)
    said = {name: facts[1:] for name, facts in attached.items()}
    assert said["results.json"] == ("application/json", "/Data")
    assert said["workbook.xlsx"] == (XLSX, "/Data")
    assert said["inputs/worksheets/precision.csv"] == ("text/csv", "/Source")
    assert said["inputs/plan.yaml"] == ("application/yaml", "/Source")


def test_the_pdf_says_that_it_is_pdf_a_3b(small_dossier: Path) -> None:
    reader = pypdf.PdfReader(small_dossier / "dossier.pdf")
    metadata = reader.trailer["/Root"]["/Metadata"].get_object().get_data().decode("utf-8")
    assert "<pdfaid:part>3</pdfaid:part>" in metadata
    assert "<pdfaid:conformance>B</pdfaid:conformance>" in metadata
    assert "/EmbeddedFiles" in reader.trailer["/Root"]["/Names"]


# The pack ---------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def packed(small_dossier: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Read only."""
    return pack_dossier(small_dossier, tmp_path_factory.mktemp("pack") / "pack.zip").path


def members(path: Path) -> dict[str, bytes]:
    with ZipFile(path) as whole:
        return {name: whole.read(name) for name in whole.namelist()}


def test_a_pack_holds_the_whole_dossier_and_how_to_check_it(packed: Path, small_dossier: Path) -> None:
    held = members(packed)
    assert {name.partition("/")[2] for name in held if name.startswith("dossier/")} == set(
        relative_files(small_dossier)
    )
    assert all(held[f"dossier/{name}"] == (small_dossier / name).read_bytes() for name in relative_files(small_dossier))
    lines = held["SHA256SUMS"].decode().splitlines()
    assert [line[66:] for line in lines] == sorted(set(held) - {"SHA256SUMS"})
    assert all(line[:64] == hashlib.sha256(held[line[66:]]).hexdigest() for line in lines)
    text = held["RECOMPUTE.txt"].decode()
    assert max(map(len, text.splitlines())) < 100
    assert all(part in text for part in ("sha256sum -c SHA256SUMS", f"numpy {metadata.version('numpy')}", "RFC 4180"))
    assert "program/validation/cli.py" in held
    assert not [name for name in held if name.startswith("/") or ".." in name or "__pycache__" in name]


def test_the_same_dossier_gives_the_same_pack(packed: Path, small_dossier: Path, tmp_path: Path) -> None:
    assert pack_dossier(small_dossier, tmp_path / "again.zip").path.read_bytes() == packed.read_bytes()
    with pytest.raises(Refusal, match="is there already"):
        pack_dossier(small_dossier, packed)


def test_a_dossier_whose_hashes_do_not_hold_is_not_packed(small_dossier: Path, tmp_path: Path) -> None:
    copy = shutil.copytree(small_dossier, tmp_path / "001")
    (copy / "dossier.html").write_text("other", encoding="utf-8")
    with pytest.raises(Refusal, match=r"is not packed, since it does not hold: dossier\.html: changed"):
        pack_dossier(copy, tmp_path / "pack.zip")
    assert not (tmp_path / "pack.zip").exists()


def test_a_pack_verifies_and_one_that_was_changed_does_not(packed: Path, tmp_path: Path) -> None:
    report = verify_pack(packed)
    assert report.ok
    assert report.signed.sentences == (UNSIGNED,)
    held = members(packed) | {"RECOMPUTE.txt": b"other", "more.txt": b""}
    held.pop("program/validation/cli.py")
    with ZipFile(tmp_path / "other.zip", "w") as other:
        for name, raw in held.items():
            other.writestr(name, raw)
    changed = verify_pack(tmp_path / "other.zip")
    assert not changed.ok
    assert changed.problems == (
        "other.zip: RECOMPUTE.txt: changed; its SHA-256 is not the one in SHA256SUMS.",
        "other.zip: more.txt: added; SHA256SUMS does not list it.",
        "other.zip: program/validation/cli.py: missing; SHA256SUMS lists it.",
    )


@pytest.mark.thorough
def test_the_command_verifies_a_pack_with_its_notebooks_executed_again(packed: Path, capsys) -> None:
    assert main(["verify", str(packed)]) == 0
    assert UNSIGNED in capsys.readouterr().out


def _link() -> ZipInfo:
    entry = ZipInfo("dossier/link")
    entry.create_system, entry.external_attr = 3, 0o120777 << 16
    return entry


HOSTILE = {
    "a name outside": ([("../outside", b"x")], "no name inside a folder"),
    "an absolute name": ([("/etc/outside", b"x")], "no name inside a folder"),
    "a drive": ([("C:/outside", b"x")], "no name inside a folder"),
    "a backslash": ([("..\\outside", b"x")], "no name inside a folder"),
    "one name twice": ([("dossier/plan", b"x"), ("dossier/Plan", b"y")], "twice"),
    "a link": ([(_link(), b"/etc/passwd")], "is a link"),
    "a bomb": ([("dossier/large", b"\0" * 30_000_000)], "would fill"),
    "no pack": ([("readme", b"x")], "is no pack"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_file_that_is_not_safely_unpacked_is_refused(name: str, tmp_path: Path, capsys) -> None:
    entries, words = HOSTILE[name]
    with warnings.catch_warnings(), ZipFile(tmp_path / "pack.zip", "w", ZIP_DEFLATED) as pack:
        warnings.simplefilter("ignore")
        for entry, raw in entries:
            pack.writestr(entry, raw)
    assert main(["verify", str(tmp_path / "pack.zip")]) == 2
    said = capsys.readouterr().err.strip()
    assert words in said
    assert "\n" not in said
    assert not (tmp_path.parent / "outside").exists()


def test_what_is_no_zip_file_is_refused(tmp_path: Path, capsys) -> None:
    (tmp_path / "pack.zip").write_bytes(b"PK")
    assert main(["verify", str(tmp_path / "pack.zip")]) == 2
    assert "cannot be read as a ZIP file" in capsys.readouterr().err
    assert main(["verify", str(tmp_path / "none.zip")]) == 2
