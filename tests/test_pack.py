"""What an archive keeps: the PDF with its attachments, and the pack of a whole dossier."""

from __future__ import annotations

from pathlib import Path

import pypdf
import pytest

from validation.dossier.manifest import read_manifest

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


# The PDF ----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def attached(small_dossier: Path) -> dict[str, tuple[bytes, str, str]]:
    """By name, content, type and relationship of each associated file of the PDF."""
    root = pypdf.PdfReader(small_dossier / "dossier.pdf").trailer["/Root"]
    files = [reference.get_object() for reference in root["/AF"]]
    streams = [(file, file["/EF"]["/F"].get_object()) for file in files]
    return {file["/UF"]: (raw.get_data(), raw["/Subtype"][1:], file["/AFRelationship"]) for file, raw in streams}


def test_the_pdf_holds_inputs_record_and_workbook_byte_for_byte(small_dossier: Path, attached: dict) -> None:
    listed = read_manifest(small_dossier).files
    assert set(attached) == {n for n in listed if n.startswith("inputs/")} | {"results.json", "workbook.xlsx"}
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
