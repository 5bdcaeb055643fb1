"""Listings of raw data: nothing is dropped from the record, and pages stay of a size that a browser opens."""

from __future__ import annotations

import csv
import io
import random
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pypdf
import pytest
from study_folder import amend, reseal, write_study
from without_kernels import without_kernels

from validation.dossier.blocks import Attachment, Table
from validation.dossier.chapters import further_tables
from validation.dossier.listings import ENDS, MOST_ROWS, long_tables, same_rows
from validation.dossier.verify import verify_dossier
from validation.figures.style import MOST_SHAPES, new_figure, svg_text
from validation.running.run import run_study
from validation.study.quantity import Display, Evaluation
from validation.study.quantity import Table as FurtherTable

ROWS = 5 * 10 * 12
LISTING = "listings/precision.csv"


@pytest.fixture(scope="module")
def long_study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Read only: 600 readings, one excluded, its draft."""
    folder = tmp_path_factory.mktemp("long") / "study"
    draw = random.Random(2026)
    rows = [
        f"P-{level}-{run}-{k},{level},{run},{level + draw.gauss(0, 0.05):.3f}"
        for run in range(10)
        for level in (0.5, 1, 2, 4, 7.5)
        for k in range(12)
    ]
    write_study(folder, {"precision": "reading,level,run,result\n" + "\n".join(rows) + "\n"})
    amend(folder, "P-4-5-3")
    with pytest.MonkeyPatch.context() as patch:
        without_kernels(patch)
        run_study(folder, draft=True, only="repeatability")
    return folder


def test_every_row_is_in_the_file_next_to_the_pages(long_study: Path) -> None:
    with (long_study / "draft" / LISTING).open(encoding="utf-8", newline="") as file:
        listed = list(csv.reader(file))
    with (long_study / "worksheets" / "precision.csv").open(encoding="utf-8", newline="") as file:
        written = list(csv.reader(file))
    assert len(listed) == ROWS + 1
    assert [row[1:5] for row in listed[1:]] == written[1:]
    assert [row[0] for row in listed[1:]] == [str(line) for line in range(2, ROWS + 2)]
    assert [row[5] for row in listed[1:] if row[5]] == ["excluded: see log"]


def test_pages_list_the_ends_and_what_is_not_used_as_written(long_study: Path) -> None:
    html = (long_study / "draft" / "dossier.html").read_text(encoding="utf-8")
    raw = html[html.index('id="raw-data"') :]
    assert ROWS > MOST_ROWS
    assert f'<a href="{LISTING}">' in raw
    assert f"{ROWS} rows. The pages list at most {MOST_ROWS} rows" in raw
    assert len(re.findall(r"<td[^>]*>P-", raw)) == 2 * ENDS + 1
    assert "P-4-5-3" in raw
    assert "excluded: see log" in raw


def test_the_pdf_holds_the_same_file(long_study: Path) -> None:
    attached = pypdf.PdfReader(long_study / "draft" / "dossier.pdf").attachments
    assert attached[LISTING] == [(long_study / "draft" / LISTING).read_bytes()]


def test_a_listing_with_another_row_does_not_verify(long_study: Path, tmp_path: Path) -> None:
    draft = Path(shutil.copytree(long_study / "draft", tmp_path / "draft"))
    assert verify_dossier(draft).ok
    content = (draft / LISTING).read_bytes()
    (draft / LISTING).write_bytes(content.replace(b"see log", b"see logs"))
    reseal(draft)
    assert verify_dossier(draft).problems == (f"{LISTING}: not the rows that the inputs give.",)
    shutil.rmtree((draft / LISTING).parent)
    reseal(draft)
    assert verify_dossier(draft).problems == (f"{LISTING}: missing; this study's dossier holds it.",)


@pytest.mark.parametrize(("count", "pictures"), [(MOST_SHAPES - 2, 0), (MOST_SHAPES - 1, 1)])
def test_a_crowd_of_points_is_one_picture_inside_the_drawing(count: int, pictures: int) -> None:
    figure, (axes,) = new_figure()
    axes.plot(range(count), range(count), "o", mfc="none")
    axes.plot([0, 1], [0, 1], "D")
    axes.plot(range(2 * count), range(2 * count), "-")
    drawn = svg_text(figure)
    assert drawn.count("<image") == pictures
    assert (drawn.count("<use") > count) == (pictures == 0)
    assert len(io.BytesIO(drawn.encode()).getvalue()) < (90_000 if pictures else 600_000)


def chapter(rows: int) -> Evaluation:
    table = FurtherTable("runs", "Runs", ("level", "run", "mean"), tuple((1.0, f"R{i}", i / 7) for i in range(rows)))
    return Evaluation("trueness", show=lambda: Display(tables=(replace(table, name="other"), table)))


def test_a_long_table_of_a_chapter_is_a_file_with_every_digit() -> None:
    assert not long_tables({"trueness": chapter(MOST_ROWS)})
    files = long_tables({"trueness": chapter(MOST_ROWS + 1)})
    assert list(files) == ["listings/trueness-1-other.csv", "listings/trueness-2-runs.csv"]
    rows = list(csv.reader(io.StringIO(files["listings/trueness-2-runs.csv"].decode("utf-8"))))
    assert rows[0] == ["level", "run", "mean"]
    assert [float(row[2]) for row in rows[1:]] == [i / 7 for i in range(MOST_ROWS + 1)]
    tables = further_tables(chapter(MOST_ROWS + 1), in_chapter=False)
    assert [block.kind for block in tables] == ["table", "attachment"] * 2
    excerpt, named = tables[2:]
    assert isinstance(excerpt, Table)
    assert isinstance(named, Attachment)
    assert [row[1] for row in excerpt.rows] == [f"R{i}" for i in (*range(ENDS), *range(MOST_ROWS + 1 - ENDS, 401))]
    assert named.content == files[named.name]
    # Held to the digits that results.json is held to, on any version of the libraries.
    (_, content) = files.popitem()
    assert same_rows(content, content.replace(b"0.14285714285714285", b"0.1428571428571428"))
    assert not same_rows(content, content.replace(b"0.14285714285714285", b"0.1428571"))
    whole = further_tables(chapter(MOST_ROWS), in_chapter=False)
    assert [len(block.rows) for block in whole if isinstance(block, Table)] == [MOST_ROWS, MOST_ROWS]
