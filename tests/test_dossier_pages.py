"""The pages of the demonstration's dossier, measured: white, order, figures and tables in the PDF; overflow in HTML."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pypdf
import pytest

CHROMIUM = shutil.which("chromium")
#: Parts of a page: the largest white band above a figure, and the white at the end of a page of chapters.
BAND, END = 0.05, 0.34
#: Pages before the raw data.
MOST_PAGES = 46


@pytest.fixture(scope="module")
def pages(dossier: Path) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(dossier / "dossier.pdf").pages]


def first_page_with(pages: list[str], title: str) -> int:
    """The page on which a chapter begins; the contents name it too, with dots."""
    return next(n for n, text in enumerate(pages) if re.search(rf"^{title}$", text, re.MULTILINE))


def test_two_pages_hold_verdicts_scope_restrictions_and_actions(pages: list[str]):
    first = pages[0]
    for words in ("Proposed conclusion", "Restrictions", "Scope as proposed", "Open actions", "Prepared", "Approved"):
        assert words in first
    assert len(re.findall(r"\bmet\b|\bnot shown\b", pages[1])) > 30
    assert "R1 " in pages[1]
    assert "R24 " in pages[1]


def test_the_pages_before_the_raw_data_are_few(pages: list[str]):
    first = first_page_with(pages, r"Annex [A-Z]\. Raw data")  # counted from 0: so many pages are before it
    assert first <= MOST_PAGES


def test_annexes_follow_the_chapters_in_the_order_of_their_letters(pages: list[str]):
    found = re.findall(r"^Annex ([A-Z])\. ", "\n".join(pages[3:]), re.MULTILINE)
    assert found == sorted(set(found))
    assert first_page_with(pages, "Decision rule") <= first_page_with(pages, r"Annex A\. Formulas and sources")


def test_each_verdict_is_drawn_twice_at_most(dossier: Path):
    html = (dossier / "dossier.html").read_text(encoding="utf-8")
    labels = re.findall(r'<td class="label[^>]*>(?:<a[^>]*>)?(.*?)(?:</a>)?</td>', html)
    whole = [re.search(r'class="card">(.*?)</span><span', label) for label in labels]
    names = [card[1] if card else label for card, label in zip(whole, labels, strict=True)]
    assert max(names.count(name) for name in names) == 2


def test_no_chapter_is_one_sentence(pages: list[str], dossier: Path):
    html = (dossier / "dossier.html").read_text(encoding="utf-8")
    chapters = re.split(r"<h2 id=", html)[1:]
    blocks = [len(re.findall(r"<(?:p|ul|table|figure|dl)[ >]", chapter)) for chapter in chapters]
    assert min(blocks) > 1


# ---- white, as pixels --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def inked(dossier: Path, tmp_path_factory: pytest.TempPathFactory) -> list[np.ndarray]:
    """For each page, which rows of pixels between header and footer hold ink; 40 dots an inch."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm is not installed")
    place = tmp_path_factory.mktemp("pages")
    subprocess.run(["pdftoppm", "-r", "40", "-gray", str(dossier / "dossier.pdf"), str(place / "p")], check=True)
    drawn = []
    for path in sorted(place.glob("*.pgm")):
        _, size, _, body = path.read_bytes().split(b"\n", 3)
        width, height = map(int, size.split())
        grey = np.frombuffer(body, dtype=np.uint8).reshape(height, width)
        drawn.append((grey < 200).any(axis=1)[int(0.065 * height) : int(0.945 * height)])
    return drawn


def bands(rows: np.ndarray) -> Iterator[tuple[float, bool]]:
    """The white bands of a page as parts of its height, and whether ink follows below."""
    height = len(rows) / 0.88
    edges = np.flatnonzero(np.diff(np.concatenate([[1], rows.astype(int), [1]])))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        yield (end - start) / height, end < len(rows)


@pytest.mark.thorough
def test_no_page_has_a_blank_band_above_something(inked: list[np.ndarray]):
    # A figure stands where it is named, so any white above it would be a band inside its page.
    widest = {n: max([size for size, inside in bands(rows) if inside], default=0.0) for n, rows in enumerate(inked, 1)}
    assert {n: size for n, size in widest.items() if n > 2 and size > BAND} == {}


@pytest.mark.thorough
def test_no_page_of_the_chapters_ends_in_much_white(inked: list[np.ndarray], pages: list[str]):
    last = first_page_with(pages, r"Annex [A-Z]\. Raw data")
    ends = {n: next((size for size, inside in bands(rows) if not inside), 0.0) for n, rows in enumerate(inked, 1)}
    assert {n: size for n, size in ends.items() if 2 < n < last and size > END} == {}


# ---- overflow in a browser ---------------------------------------------------------------------------------------

OVERFLOWING = """() => {
  const held = element => {
    for (let box = element.parentElement; box; box = box.parentElement)
      if (['auto', 'scroll', 'hidden'].includes(getComputedStyle(box).overflowX)) return true;
    return false;
  };
  const beyond = [...document.body.querySelectorAll('*')].filter(
    e => !e.closest('svg') && e.getBoundingClientRect().right > window.innerWidth + 1
      && e.getBoundingClientRect().width > 0 && !held(e) && !e.closest('.watermark-ground'));
  return [document.scrollingElement.scrollWidth, window.innerWidth, beyond.map(e => e.outerHTML.slice(0, 120))];
}"""


@pytest.mark.thorough
@pytest.mark.parametrize("width", [320, 800, 1280])
def test_nothing_overflows_in_a_browser(demo: Path, width: int):
    playwright = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("chromium is not installed")
    flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=flags)
        page = browser.new_page(viewport={"width": width, "height": 900})
        for study in ("new-grade", "new-lot"):
            page.goto((demo / study / "dossiers" / "001" / "dossier.html").as_uri())
            page.evaluate("() => document.querySelectorAll('details').forEach(d => { d.open = true })")
            across, window, beyond = page.evaluate(OVERFLOWING)
            assert (beyond, across <= window) == ([], True)
        browser.close()
