"""The text of a dossier is held: a forged word, figure, output, attachment or seal is named, under fresh hashes too."""

from __future__ import annotations

import io
import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pypdf
import pytest
from conftest import Once
from study_folder import reseal
from without_kernels import without_kernels

from validation.cli import main
from validation.dossier.blocks import Document, Paragraph
from validation.dossier.document import build_document
from validation.dossier.from_folder import record_from, recorded_making
from validation.dossier.html import render_html
from validation.dossier.made_again import made_here
from validation.dossier.manifest import read_manifest, relative_files, sha256, versions
from validation.dossier.notebook_cells import cell_differences, source_differences
from validation.dossier.page_text import html_content
from validation.dossier.pdf import render_pdf, source_of
from validation.dossier.typesetting import typeset
from validation.dossier.verify import verify_dossier
from validation.dossier.word_differences import word_differences, words_in_any_order
from validation.faults import Refusal
from validation.running.again import executed_again, rebuilt_dossier
from validation.running.run import run_study


@pytest.fixture
def copy(small_dossier: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(small_dossier, tmp_path / "001"))


@pytest.fixture
def issues(small_dossier: Path, once: Once, tmp_path: Path) -> Path:
    """A study with two issues, one of its readings noted again in between."""

    def issue(folder: Path) -> None:
        shutil.copytree(small_dossier.parents[1], folder / "study")
        with pytest.MonkeyPatch.context() as patch:
            without_kernels(patch)
            run_study(folder / "study")

    return Path(shutil.copytree(once("two issues", issue) / "study", tmp_path / "study")) / "dossiers"


def problems(folder: Path) -> tuple[str, ...]:
    """What verification says after the forger made fresh hashes."""
    reseal(folder)
    return verify_dossier(folder).problems


def document_of(folder: Path) -> Document:
    """The document that a dossier's pages are made of."""
    making = recorded_making(read_manifest(folder), draft=False)
    return build_document(record_from(folder, made_here(folder, making, None).rebuilt, making))


# ------------------------------------------------------------------------------------------------------------- words


def test_a_clean_dossier_verifies_and_says_what_was_compared(copy: Path) -> None:
    report = verify_dossier(copy)
    assert report.problems == ()
    assert "dossier.html and dossier.pdf: made again, byte by byte." in report.compared
    assert "A signature shows that" in report.limits


def test_one_forged_digit_in_the_html_is_named_with_its_sentence(copy: Path) -> None:
    page = copy / "dossier.html"
    text = page.read_text(encoding="utf-8")
    number = re.search(r"0\.0\d\d\d?(?=\s%)", text[text.index("<body") :])
    assert number is not None
    forged = text[: text.index("<body")] + text[text.index("<body") :].replace(number.group(), "0.300", 1)
    page.write_text(forged, encoding="utf-8")
    (problem,) = problems(copy)
    there, _, here = problem.partition("; the record gives ")
    assert problem.startswith("dossier.html: “")
    assert "0.300" in there
    assert number.group() in here


def test_many_forged_words_are_counted(copy: Path) -> None:
    page = copy / "dossier.html"
    page.write_text(page.read_text(encoding="utf-8").replace(" the ", " a "), encoding="utf-8")
    told = problems(copy)
    assert len(told) == 11
    assert re.fullmatch(r"dossier\.html: and \d+ more\.", told[-1])


MARKUP = {
    "link": ('href="#', 'href="https://example.org/#'),
    "id": (' id="', ' id="x'),
    "style sheet": ("<style>", "<style>td{display:none}"),
    "script": ("</body>", "<script>document.title=1</script></body>"),
    "drawing": ("<path ", '<path fill-opacity="0" '),
}


@pytest.mark.parametrize("part", MARKUP)
def test_markup_counts_as_well(copy: Path, part: str) -> None:
    page = copy / "dossier.html"
    text = page.read_text(encoding="utf-8")
    old, new = MARKUP[part]
    assert old in text
    page.write_text(text.replace(old, new, 1), encoding="utf-8")
    (problem,) = problems(copy)
    assert problem.startswith("dossier.html: it differs in markup, not in words: ")
    assert ("drawing" in problem) == (part == "drawing")


def test_one_forged_word_in_the_pdf_is_named(copy: Path) -> None:
    document = document_of(copy)
    assert render_pdf(document) == (copy / "dossier.pdf").read_bytes()
    at, block = next((n, b) for n, b in enumerate(document.blocks) if isinstance(b, Paragraph) and "mean" in b.text)
    blocks = list(document.blocks)
    blocks[at] = replace(block, text=block.text.replace("mean", "median", 1))
    (copy / "dossier.pdf").write_bytes(render_pdf(replace(document, blocks=tuple(blocks))))
    (problem,) = problems(copy)
    there, _, here = problem.partition("; the record gives ")
    assert problem.startswith("dossier.pdf: “")
    assert "median" in there
    assert "median" not in here


@pytest.mark.thorough
def test_a_pdf_that_differs_in_markup_alone_is_named(copy: Path) -> None:
    (copy / "dossier.pdf").write_bytes((copy / "dossier.pdf").read_bytes() + b"\n")
    (problem,) = problems(copy)
    assert problem.startswith("dossier.pdf: it differs in markup, not in words")


def test_an_attachment_counts_as_well_and_what_is_no_pdf(copy: Path) -> None:
    page = copy / "dossier.pdf"
    whole = page.read_bytes()
    writer = pypdf.PdfWriter(clone_from=io.BytesIO(whole))
    writer.add_attachment("more.csv", b"a,b\r\n1,2\r\n")
    writer.write(page)
    assert problems(copy) == ("dossier.pdf: the attachment more.csv is not a part of it.",)
    page.write_bytes(whole[:2000])
    (problem,) = problems(copy)
    assert "cannot be read as a PDF" in problem


@pytest.mark.thorough
def test_other_libraries_let_the_layout_differ_and_no_word(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now = {**versions(), "typst": "0.99.0"}
    monkeypatch.setattr("validation.dossier.verify.versions", lambda: now)
    document = document_of(copy)
    (copy / "dossier.html").write_text(render_html(document), encoding="utf-8")
    (copy / "dossier.pdf").write_bytes(laid_out_otherwise(document))
    assert problems(copy) == ()
    forged = replace(document, blocks=(*document.blocks[:-1], Paragraph("All is well.")))
    (copy / "dossier.pdf").write_bytes(laid_out_otherwise(forged))
    assert any("All is well." in problem for problem in problems(copy))


def laid_out_otherwise(document: Document) -> bytes:
    """The PDF of a document with narrower lines and other pages."""
    source: dict[str, Any] = dict(source_of(document))
    template = Path(source["template"])
    text = re.sub(r"(?<=#let text-width = )\d+mm", "134mm", template.read_text(encoding="utf-8"))
    text = re.sub(r"top: \d+mm, bottom: \d+mm", "top: 24mm, bottom: 21mm", text)
    assert text != template.read_text(encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Path, "read_bytes", lambda path: text.encode("utf-8"))
        return typeset(**source)


# ----------------------------------------------------------------------------------------- figures, listings, notebooks


@pytest.mark.thorough
def test_each_file_is_named_when_the_notebooks_are_executed_again(copy: Path) -> None:
    def forge(name: str, change: Callable[[str], str]) -> None:
        text = (copy / name).read_text(encoding="utf-8")
        assert change(text) != text
        (copy / name).write_text(change(text), encoding="utf-8")

    forge("figures/trueness-bias_by_level.svg", lambda text: text.replace("0.2", "0.1"))
    forge("notebooks/trueness.ipynb", lambda text: forged_output(text, "trueness.bias", "trueness.bios"))
    forge("notebooks/repeatability.ipynb", lambda text: text.replace("chapter.notes()", "chapter.flags()"))
    forge("notebooks/lots.ipynb", lambda text: text.replace("nbformat_minor", "nbformat_more"))
    reseal(copy)
    named = {text.partition(":")[0] for text in verify_dossier(copy, make=executed_again).problems}
    assert named == {
        "figures/trueness-bias_by_level.svg", "notebooks/trueness.ipynb", "notebooks/repeatability.ipynb",
        "notebooks/lots.ipynb",
    }  # fmt: skip


def forged_output(text: str, old: str, new: str) -> str:
    """A notebook with other words in one of its outputs."""
    notebook = json.loads(text)
    for cell in notebook["cells"]:
        held = json.dumps(cell.get("outputs", []))
        if old in held:
            cell["outputs"] = json.loads(held.replace(old, new))
            return json.dumps(notebook)
    raise AssertionError(f"no output holds {old}")


def executed(**change: Any) -> bytes:
    """A notebook of one cell, executed."""
    drawn = {"image/svg+xml": ["<svg>", "</svg>"], "text/plain": "figure: a line"}
    outputs = [
        {"output_type": "execute_result", "execution_count": 3, "data": {"text/plain": ["bias  0.2", " %"]}},
        {"output_type": "display_data", "data": drawn},
    ]
    cell = {"cell_type": "code", "id": "a", "execution_count": 3, "source": "chapter", "outputs": outputs}
    return json.dumps({"cells": [{**cell, **change}], "nbformat": 4}).encode()


def test_a_cell_is_compared_without_identifiers_and_counts() -> None:
    again = executed(id="b", execution_count=9, source=["chap", "ter"])
    assert list(cell_differences(executed(), again)) == []


def test_another_source_output_or_figure_names_its_cell() -> None:
    (source,) = cell_differences(executed(source="1 / 0"), executed())
    assert source == "cell 1: its source is another: “1 / 0”; the record gives “chapter”."
    outputs = json.loads(executed())["cells"][0]["outputs"]
    outputs[0]["data"]["text/plain"] = "bias  0.3 %"
    outputs[1]["data"]["image/svg+xml"] = "<svg/>"
    output, figure = cell_differences(executed(outputs=outputs), executed())
    assert output == "cell 1: its output is another: “bias 0.3 %”; the record gives “bias 0.2 %”."
    assert figure.startswith("cell 1: its figure is not the one")
    assert list(cell_differences(b"{", executed())) == ["it has 0 cells; the record gives 1."]


def test_sources_are_compared_where_nothing_is_executed(copy: Path) -> None:
    path = copy / "notebooks" / "trueness.ipynb"
    plain = executed()
    injected = {"cell_type": "code", "metadata": {"tags": ["injected-parameters"]}, "source": "draft = False"}
    both = json.loads(plain) | {"cells": [injected, *json.loads(plain)["cells"]]}
    assert list(source_differences(json.dumps(both).encode(), plain)) == []
    path.write_text(path.read_text(encoding="utf-8").replace("chapter.readings()", "chapter.notes()"), encoding="utf-8")
    (problem,) = problems(copy)
    assert re.match(r"notebooks/trueness\.ipynb: cell \d+: its source is another: “chapter\.notes\(\)”", problem)


# ------------------------------------------------------------------------------------------------------------- seals


def test_the_seal_of_the_issue_before_is_printed_and_held(issues: Path) -> None:
    first, second = issues / "001", issues / "002"
    seal = sha256(first / "manifest.json")
    assert read_manifest(second).content["predecessor"] == seal
    assert f"VS-1 issue 001, seal {seal}" in html_content((second / "dossier.html").read_bytes()).text
    for one, other in ((first, "002"), (second, "001")):
        report = verify_dossier(one)
        assert report.problems == ()
        assert f"The seal of {other}, which lies beside it." in report.compared

    manifest = json.loads((first / "manifest.json").read_text(encoding="utf-8"))
    (first / "manifest.json").write_text(json.dumps(manifest | {"ended": "2099-01-01T00:00+00:00"}), encoding="utf-8")
    reseal(first)
    forged = sha256(first / "manifest.json")
    (after,) = verify_dossier(second).problems
    assert after == f"manifest.json: predecessor: {seal}; the seal of issue 001 beside it is {forged}."
    (before,) = verify_dossier(first).problems
    assert before == f"manifest.json: its SHA-256 is {forged}; issue 002 beside it names {seal}."


def test_what_is_kept_of_the_issue_before_is_held(issues: Path, tmp_path: Path) -> None:
    alone = Path(shutil.copytree(issues / "002", tmp_path / "elsewhere"))
    assert verify_dossier(alone).problems == ()
    kept = alone / "predecessor" / "results.json"
    kept.write_text(kept.read_text(encoding="utf-8").replace("not met", "met"), encoding="utf-8")
    kept.write_text(kept.read_text(encoding="utf-8") + " ", encoding="utf-8")
    assert problems(alone) == ("predecessor/results.json: not what the predecessor's manifest lists.",)
    shutil.rmtree(alone / "predecessor")
    assert problems(alone) == ("predecessor/manifest.json: missing; manifest.json names a predecessor.",)
    manifest = json.loads((alone / "manifest.json").read_text(encoding="utf-8"))
    (alone / "manifest.json").write_text(json.dumps(manifest | {"predecessor": None}), encoding="utf-8")
    (alone / "dossier.pdf").unlink()  # the other page is enough
    assert any(text.startswith("dossier.html: ") for text in problems(alone))


def test_what_lay_beside_the_inputs_is_held(copy: Path) -> None:
    manifest = json.loads((copy / "manifest.json").read_text(encoding="utf-8"))
    for beside in (None, {"unused_files": "a.txt"}, {"unused_files": [1]}):
        (copy / "manifest.json").write_text(json.dumps(manifest | {"study_folder": beside}), encoding="utf-8")
        assert any("study_folder" in problem for problem in problems(copy))
    other = manifest | {"study_folder": {"unused_files": ["notes-of-no-one.txt"]}}
    (copy / "manifest.json").write_text(json.dumps(other), encoding="utf-8")
    (copy / "dossier.pdf").unlink()  # the other page is enough
    assert any("notes-of-no-one.txt" in problem for problem in problems(copy))


def test_a_run_dated_before_its_inputs_is_noted(copy: Path) -> None:
    manifest = json.loads((copy / "manifest.json").read_text(encoding="utf-8"))
    assert not any("run " in note for note in verify_dossier(copy).notes)
    times = {"started": "2026-01-02T00:00:00+00:00", "ended": "2026-01-01T00:00:00+00:00"}
    (copy / "manifest.json").write_text(json.dumps(manifest | times), encoding="utf-8")
    reseal(copy)
    (early,) = (note for note in verify_dossier(copy).notes if "the run " in note)
    assert re.search(r"started 2026-01-02 00:00\+00:00, before amendment \d, 2026-07-06 09:00\+00:00: one of", early)


def test_an_earlier_version_in_the_manifest_does_not_let_pages_be_forged(copy: Path) -> None:
    manifest = json.loads((copy / "manifest.json").read_text(encoding="utf-8"))
    manifest["versions"]["validation"] = "0.6.0"
    (copy / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    assert any("no version up to that one gave" in text for text in problems(copy))


# ----------------------------------------------------------------------------------------------------------- rebuilding


@pytest.mark.thorough
def test_a_dossier_written_again_is_the_same_to_the_byte(
    copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = rebuilt_dossier(copy)
    assert report.ok
    assert report.folder == tmp_path / "001-rebuilt"
    assert report.identical == len(relative_files(copy)) - 2  # manifest.json and manifest.sha256
    assert verify_dossier(report.folder).problems == ()
    assert main(["verify", str(copy), "--rebuild"]) == 2
    assert "001-rebuilt exists" in capsys.readouterr().err


def test_what_cannot_be_written_again_is_refused(copy: Path, tmp_path: Path) -> None:
    with pytest.raises(Refusal, match="exists"):
        rebuilt_dossier(copy, tmp_path)
    manifest = json.loads((copy / "manifest.json").read_text(encoding="utf-8"))
    manifest["versions"]["numpy"] = "1.0.0"
    (copy / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    with pytest.raises(Refusal, match=r"numpy 1\.0\.0"):
        rebuilt_dossier(copy, tmp_path / "new")
    assert not (tmp_path / "new").exists()
    assert main(["verify", str(copy), str(tmp_path / "new")]) == 2


# ------------------------------------------------------------------------------------------------------ two texts


def test_texts_are_compared_without_their_white_space() -> None:
    assert word_differences("one  two\nthree", "one two three") == []
    assert word_differences("", "") == []
    (item,) = word_differences("A first one. The bias is 0.300 %. An end.", "A first one. The bias is 0.200 %. An end.")
    assert (item.found, item.expected) == ("The bias is 0.300 %", "The bias is 0.200 %")
    (item,) = word_differences("It is not met. The end is here for all.", "It is met. The end is here for all.")
    assert (item.piece, item.other) == ("not", "")


def test_two_places_far_apart_are_two_differences() -> None:
    text = " ".join(f"row {number} holds {number * 7919 % 1000}." for number in range(2000))
    other = text.replace("row 17 holds", "row 17 lacks").replace("row 1801 holds", "row 1801 lacks")
    sentences = [item.found for item in word_differences(other, text)]
    assert sentences == [f"row {number} lacks {number * 7919 % 1000}" for number in (17, 1801)]


def test_a_piece_in_another_place_is_layout_and_another_word_is_not() -> None:
    head, body, tail = "A caption of a figure that floats on the page. ", "The bias is 0.200 %. " * 9, "y" * 300
    assert words_in_any_order(head + body + tail, body + head + tail) == []
    assert words_in_any_order(body + head + body, head + body) == []
    (item,) = words_in_any_order(head + body + "The bias is 0.300 %.", body + head)
    assert "0.300" in item.found
    (item,) = words_in_any_order(body + tail, head + body + tail)
    assert (item.found, item.expected) == ("", "A caption of a figure that floats on the page")
