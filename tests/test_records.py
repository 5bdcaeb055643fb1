"""What a study keeps in records/ travels inside its dossier byte for byte, whatever its name, and is never read."""

from __future__ import annotations

import re
import shutil
from html import unescape
from pathlib import Path
from urllib.parse import unquote

import pytest
from study_folder import reseal, write_study
from without_kernels import without_kernels

from validation.dossier.attached_records import records_table
from validation.dossier.blocks import Paragraph, Table
from validation.dossier.manifest import read_manifest
from validation.dossier.verify import verify_dossier
from validation.faults import StudyDataError
from validation.running.run import run_study
from validation.study.load import RecordFile, load_study, record_files, unused_files

NAMES = {
    "records/certificate SAW-1.pdf": b"%PDF-1.7\x00\xff",
    "records/scans/a&b <i>'\"#?%2e%2e.png": b"\x89PNG",
    "records/export/Übersicht №1.csv": b"a;b\n1;2\n",
    "records/empty": b"",
}
EQUIPMENT = "equipment:\n  - {name: SAW-1, certificate: certificate SAW-1.pdf}\n"


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Read only: a small study with records, its draft of one chapter."""
    folder = tmp_path_factory.mktemp("recorded") / "study"
    write_study(folder)
    with (folder / "plan.yaml").open("a", encoding="utf-8") as plan:
        plan.write(EQUIPMENT)
    for name, content in {**NAMES, "records/.hidden": b"x", "records/~$open.docx": b"x"}.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    with pytest.MonkeyPatch.context() as patch:
        without_kernels(patch)
        run_study(folder, draft=True, only="repeatability")
    return folder


def test_every_record_is_in_the_inputs_byte_for_byte_and_hashed(recorded: Path) -> None:
    draft = recorded / "draft"
    files = [path for path in (draft / "inputs" / "records").rglob("*") if path.is_file()]
    assert {path.relative_to(draft / "inputs").as_posix(): path.read_bytes() for path in files} == NAMES
    assert {f"inputs/{name}" for name in NAMES} <= set(read_manifest(draft).files)
    assert verify_dossier(draft).ok


def test_the_page_links_each_record_whatever_it_is_called(recorded: Path) -> None:
    html = (recorded / "draft" / "dossier.html").read_text(encoding="utf-8")
    links = {unescape(link) for link in re.findall(r'href="(inputs/records/[^"]*)"', html)}
    assert {unquote(link) for link in links} == {f"inputs/{name}" for name in NAMES}
    assert all(re.fullmatch(r"[A-Za-z0-9_.~%/-]+", link) for link in links)
    assert "<i>" not in html[html.index("Attached records") :].replace("<i>s</i>", "").partition("</table>")[0]
    assert "equipment, SAW-1: certificate" in html


def test_the_copy_is_read_as_a_study_is(recorded: Path) -> None:
    inputs = recorded / "draft" / "inputs"
    study = load_study(inputs, draft=True)
    assert unused_files(inputs, study.plan) == ()
    assert [item.file for item in record_files(inputs)] == sorted(NAMES)
    assert record_files(inputs) == record_files(recorded)


@pytest.mark.parametrize("what", ["added", "missing", "changed"])
def test_a_record_that_is_not_as_it_was_is_named(recorded: Path, tmp_path: Path, what: str) -> None:
    draft = Path(shutil.copytree(recorded / "draft", tmp_path / "draft"))
    name = "records/later.pdf" if what == "added" else "records/empty"
    if what == "missing":
        (draft / "inputs" / name).unlink()
    else:
        (draft / "inputs" / name).write_bytes(b"later")
    report = verify_dossier(draft, figures=False)
    assert f"inputs/{name}: {what}" in " ".join(report.problems)


def test_records_under_fresh_hashes_are_no_part_that_is_missing(recorded: Path, tmp_path: Path) -> None:
    # As a dossier of an earlier version, which holds none of them: nothing is computed from them.
    draft = Path(shutil.copytree(recorded / "draft", tmp_path / "draft"))
    shutil.rmtree(draft / "inputs" / "records")
    reseal(draft)
    assert not [problem for problem in verify_dossier(draft).problems if "not a part" in problem]


@pytest.mark.parametrize("name", ["a\nb.pdf", "..\\up.pdf", "bell\x07.pdf"])
def test_a_name_that_no_list_can_hold_is_a_fault(tmp_path: Path, name: str) -> None:
    folder = write_study(tmp_path / "study")
    (folder / "records").mkdir()
    (folder / "records" / name).write_bytes(b"")
    with pytest.raises(StudyDataError, match="Rename the file") as error:
        load_study(folder)
    assert len(error.value.faults) == 1


def test_a_file_is_named_by_its_path_or_by_a_name_that_no_other_has(recorded: Path) -> None:
    study = load_study(recorded, draft=True)
    certificate = RecordFile("records/certificate SAW-1.pdf", "0" * 64, 1_234_567)
    twin = RecordFile("records/old/certificate SAW-1.pdf", "1" * 64, 12)
    table = records_table(study, [certificate])
    assert isinstance(table, Table)
    assert table.rows[0][1:3] == ("1.23 MB", "equipment, SAW-1: certificate")
    both = records_table(study, [certificate, twin])
    assert isinstance(both, Table)
    assert [row[2] for row in both.rows] == ["equipment, SAW-1: certificate", "not named"]
    assert records_table(study, []) == Paragraph("Attached records: none.")
