"""The two renderings of a dossier: the same content, nothing active, nothing from outside, the same bytes again."""

from __future__ import annotations

import base64
import functools
import io
import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser

import numpy as np
import pypdf
import pytest
from fontTools.ttLib import TTFont
from small_study import FixedEnds, small_study

from validation.characteristics.registry import characteristics
from validation.dossier.blocks import (
    Block,
    Cover,
    Document,
    Fields,
    Figure,
    Formula,
    Heading,
    Items,
    Link,
    Links,
    Paragraph,
    Signatures,
    Strip,
    Strips,
    Table,
)
from validation.dossier.chapters import (
    notes_of,
    notes_on_single,
    quantity_tables,
    typeset,
    typeset_formula,
    without_repeats,
)
from validation.dossier.drawing import inline_svg
from validation.dossier.glyphs import font_folder, printable, printable_document
from validation.dossier.html import render_html
from validation.dossier.layout import arranged, decimal_tails, fits_page
from validation.dossier.pdf import render_pdf
from validation.dossier.raw_data import Listing, what_happened
from validation.dossier.strips import TINTS, common_axis, strip_svg
from validation.dossier.symbols import formula, prose
from validation.dossier.widths import column_needs, shared, text_width
from validation.figures.style import BLUE, GREY, VERMILION, dossier_style, new_figure, svg_text
from validation.stats.estimate import Estimate
from validation.study.model import Reading
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed

HOSTILE = (
    '<script>alert(1)</script> & <b>b</b> #eval("1") $x$ {{ 7*7 }} {% raw %} '
    "*bold* _em_ `code` \\u{41} @ref <label> // c"
)


@functools.cache
def bias_drawing() -> str:
    with dossier_style():
        figure, (axes,) = new_figure()
        levels = np.array([0.5, 1, 2, 4, 7.5, 10])
        bias = np.array([0.03, 0.02, 0.02, 0.01, -0.19, -0.73])
        spread = np.linspace(-0.06, 0.06, 8)[:, None] * (1 + levels / 4)
        for row in bias + spread:
            axes.plot(levels, row, "o", color=GREY, markersize=3, alpha=0.7)
        axes.errorbar(levels, bias, yerr=0.015 + 0.0135 * levels, fmt="o", color=BLUE, capsize=3)
        limit = np.maximum(0.15, 0.05 * levels)
        axes.plot(levels, limit, color=VERMILION, linewidth=0.8)
        axes.plot(levels, -limit, color=VERMILION, linewidth=0.8)
        axes.annotate("limit", (4, 0.2), xytext=(0, 4), textcoords="offset points", color=VERMILION)
        axes.set(
            xlim=(0, 10.5), xlabel="level, % (m/m)", ylabel="bias, % (m/m)", title="Bias leaves the limit above 7.5 %"
        )
    return svg_text(figure)


@functools.cache
def precision_drawing() -> str:
    with dossier_style():
        figure, (left, right) = new_figure(1, 2, height=3.0)
        levels = np.array([0.5, 1, 2, 4, 7.5, 10])
        left.plot(levels, 0.03 + 0.018 * levels, "s", color=BLUE)
        left.set(
            xlim=(0, 10.5),
            ylim=(0, None),
            xlabel="level, % (m/m)",
            ylabel="$s_r$, % (m/m)",
            title="Scatter grows with level",
        )
        right.plot(levels, 0.036 + 0.025 * levels, "D", color=BLUE)
        right.set(
            xlim=(0, 10.5),
            ylim=(0, None),
            xlabel="level, % (m/m)",
            ylabel="$s_I$, % (m/m)",
            title="… and more between runs ≤ 8",
        )
    return svg_text(figure)


def requirement_strips() -> Strips:
    bias = [
        (0.5, 0.03, 0.02, 0.15),
        (1, 0.02, 0.03, 0.15),
        (2, 0.02, 0.04, 0.15),
        (4, 0.01, 0.07, 0.2),
        (7.5, -0.19, 0.115, 0.375),
        (10, -0.73, 0.15, 0.5),
    ]
    rows = []
    for level, value, half, limit in bias:
        low, high = (value - half) / limit, (value + half) / limit
        outcome = "met" if abs(value) + half <= limit else "not met"
        rows.append(
            Strip(
                label=f"R1 Bias at {level:g} %",
                outcome=outcome,
                observed_text=fixed(value, 2),
                interval_text=f"{fixed(value - half, 2)} to {fixed(value + half, 2)}",
                limit_text=f"{limit:.2f} (5 % of {level:g})" if level > 3 else f"{limit:.2f}",
                estimate=value / limit,
                low=low,
                high=high,
                reason="" if outcome == "met" else "The interval is below the lower limit.",
                anchor="trueness",
            )
        )
    rows += [  # one of every outcome and kind
        Strip(
            "R2 Intermediate precision s_I at 4 %",
            "met",
            "0.134",
            "0.105 to 0.201",
            "0.18",
            (0, 1),
            0.74,
            0.58,
            1.12,
            anchor="precision",
            thin="The point value meets the limit; its upper bound does not.",
        ),
        Strip(
            "R3 Slope against the previous lot",
            "not shown",
            "0.9850",
            "0.958 to 1.012",
            "1 ± 0.025",
            (-1, 1),
            -0.6,
            -1.7,
            0.48,
            reason="Not shown with 6 readings a lot; about 21 would settle it (75 bench minutes).",
        ),
        Strip(
            "R4 Mean difference at 4 %",
            "not judged",
            "−0.15",
            "−0.24 to −0.06",
            "0.30",
            (-1, 1),
            -0.5,
            -0.8,
            -0.2,
            reason="The plan was not frozen.",
        ),
        Strip("R5 Quantification limit", "not met", "2.1", "1.9 to 2.4", "0.50", (0, 1), 4.2, 3.8, 4.8),
        Strip("R6 Smallest run count", "met", "8", "", "6", (1, None), 1.33),
        Strip(
            "R7 Matrix slope",
            "not judged",
            "",
            "",
            "0.05",
            anchor="nowhere",
            reason="No readings: the worksheet awaits them.",
        ),
    ]
    return Strips(tuple(rows))


@functools.cache
def sample() -> Document:
    raw = tuple(
        (
            f"P-{i:03d}",
            str(1 + i // 18),
            f"A{1 + i % 3}",
            fixed((0.5, 1, 2, 4, 7.5, 10)[i % 6], 1),
            fixed(4 + 0.37 * np.sin(i), 2),
            "" if i % 29 else "vial reseated",
        )
        for i in range(144)
    )
    estimates = tuple(
        (
            f"{level:g}",
            fixed(m, 2 if level < 4 else 3),
            fixed(s, 3),
            f"{fixed(0.76 * s, 3)} to {fixed(1.52 * s, 3)}",
            "16",
            "24",
        )
        for level, m, s in (
            (0.5, 0.53, 0.039),
            (1, 1.02, 0.048),
            (2, 2.02, 0.066),
            (4, 4.012, 0.102),
            (7.5, 7.311, 0.165),
            (10, 9.274, 0.21),
        )
    )
    blocks: list[Block] = [
        Heading("Verdict", 1, "verdict"),
        Paragraph(
            "Between 0.5 and 7.5 % the bias stays inside ±max(0.15, 5 %) with 95 % confidence; "
            "at 10 % it does not (−0.73, from −0.88 to −0.58).",
            style="lead",
        ),
        requirement_strips(),
        Heading("Plan and design", 1, "plan"),
        Paragraph(
            "The plan was frozen on 2026-07-02, three days before the first reading.", margin="plan.lock, entry 1"
        ),
        Fields((("Procedure", "SOP-14, issue 3"), ("Intended use", ""), ("Customer limits", "2.0 % and 4.0 %"))),
        Paragraph(
            "Blends and neat fuel are flammable; hot oil burns. Local codes and licensed practice come first.",
            style="caution",
        ),
        Items(("Eight runs of three readings at six levels.", "Independent preparations, random order in each run.")),
        Heading("Precision", 1, "precision"),
        Paragraph(
            "How far do results scatter within a run, and how far from run to run? The within-run variances are "
            "pooled; the variance between runs is estimated by REML. Where it comes out negative it is set to zero, "
            "and a note says so.",
            margin="ISO 5725-3:2023",
        ),
        Formula(
            ("s_I = √(s_run^2 + s_r^2)", "r = 1.96 × √2 × s_r", "s_r^2 = Σ (x_{ij} − x̄_i)^2 / Σ (n_i − 1)"),
            margin="ISO 5725-2:2019; intermediate_precision.s_run, intermediate_precision.s_I",
        ),
        Table(
            "Repeatability by level, in % (m/m).",
            ("level", "mean", "s_r", "interval", "degrees of freedom", "n"),
            estimates,
            "ddddrr",
            margin="worksheets/precision.csv, rows 2 to 145",
        ),
        Figure(
            "precision.svg",
            precision_drawing(),
            "Two panels: s_r and s_I by level, both growing.",
            "Standard deviations by level.",
        ),
        Heading("Reading in words", 2, "precision-words"),
        Paragraph("At 4 % two results of the same run differ by less than 0.28 in 95 cases of 100."),
        Paragraph("A variance of 1.2 × 10^−5 was set to zero.", style="note", margin="repeatability.s_r"),
        Heading("Trueness", 1, "trueness"),
        Paragraph("Does the mean of many results differ from the prepared value by more than the limit?"),
        Figure(
            "trueness.svg",
            bias_drawing(),
            "Bias by level with its 90 % interval and the limit; at 10 % it is outside.",
            "Bias by level.",
        ),
        Table(
            "With and without the flagged reading.",
            ("reading", "what was done", "bias with", "bias without", "outcome with", "outcome without"),
            (
                ("P-071", "flagged by Grubbs' test (3.1 against 2.9), kept", "0.01", "−0.008", "met", "met"),
                ("P-090", "corrected from 20.7 to 2.07, see amendment 1", "−0.73", "0.1", "not met", "not met"),
            ),
            "llddll",
            widths=(1, 3, 1, 1, 1.2, 1.2),
        ),
        Table("Trace of each run mean.", ("run", "mean"), (("1", "4.01"), ("2", "3.9")), "rd", details=True),
        Heading("A short chapter", 1, "short"),
        Paragraph("Nothing was excluded."),
        Table("Exclusions.", ("reading", "reason"), (), "ll"),
        Heading("Raw data", 1, "raw"),
        Paragraph("Every reading as it stands in the worksheet.", style="small"),
        Table(
            "Readings of worksheets/precision.csv.",
            ("reading", "run", "analyst", "level", "result [%]", "note"),
            raw,
            "lrlddl",
            long=True,
        ),
        Heading("What people typed", 1, "typed"),
        Paragraph(HOSTILE),
        Paragraph("Ünïcödé Größe Łódź, αβγ σ Ω µ, ≤ ≥ ± − × √ ‰, 12\u2009345.6, file s_r_old.csv, reading s_rx"),
        Paragraph("W" * 300, margin="a_very_long_key_without_any_place_to_break_it.and_on"),
        Table("Hostile cells.", ("a" * 60, "b"), ((HOSTILE, "Z" * 400), ("日本語 🙂", "x\u202ey\x00\x07z")), "ll"),
        Signatures((("Prepared", "A1"), ("Reviewed", ""))),
    ]
    return Document(
        cover=Cover(
            title="Fuel dilution of grade OG-N with blend FB-7",
            study_id="VS-2026-07",
            laboratory="Quillmere Condition Laboratory",
            conclusion="fit with restrictions",
            conclusion_text="Fit for 0.5 to 7.5 %; at 10 % the bias of −0.73 leaves the limit, "
            "and three requirements are not judged.",
            fields=(
                (
                    "Measurand",
                    "mass fraction of fuel blend FB-7 in oil grade OG-N, headspace method, gravimetric reference",
                ),
                ("Procedure", "SOP-14, issue 3"),
                ("Range asked for", "0.5 to 10 %"),
                ("Plan frozen", "2026-07-02 09:14 +02:00 by the quality manager"),
            ),
            warnings=(
                "One reading was corrected after the run (amendment 1).",
                "Independence of the preparations is not shown.",
            ),
            signatures=(("Prepared", ""), ("Reviewed", ""), ("Approved", "")),
        ),
        blocks=tuple(blocks),
        issue="001",
        short_hash="9f2c41d07be3",
        timestamp=1_790_000_000,
    )


@functools.cache
def sample_html() -> str:
    return render_html(sample())


@functools.cache
def sample_pdf() -> bytes:
    return render_pdf(sample())


def flat(text: str) -> str:
    """Text as a reader sees it: break opportunities and line ends are no content."""
    return re.sub(r"\s+", " ", text.replace("\u200b", "").replace("\u2009", " "))


@functools.cache
def pdf_pages() -> tuple[str, ...]:
    return tuple(flat(page.extract_text()) for page in pypdf.PdfReader(io.BytesIO(sample_pdf())).pages)


def one_block(*blocks: Block, **changes: str) -> Document:
    return replace(sample(), blocks=(Heading("Verdict", 1, "verdict"), *blocks), **changes)


def css_free(html: str) -> str:
    return flat(unescape(re.sub(r"<[^>]*>", "", re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL))))


@functools.cache
def html_text() -> str:
    return css_free(sample_html())


class Tags(HTMLParser):
    """Every element of a page with its attributes, as a browser would see them."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


@functools.cache
def tags() -> list[tuple[str, dict[str, str | None]]]:
    return Tags(sample_html()).found


def test_html_holds_no_script_and_no_address():
    for tag, attributes in tags():
        assert tag not in {"script", "iframe", "object", "embed", "link", "base", "form", "foreignobject"}
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("href", "src", "xlink:href", "srcset", "action"):
            assert (attributes.get(name) or "#").startswith(("#", "data:image/png;base64,"))
    without_font = re.sub(r"base64,[A-Za-z0-9+/=]+", "", sample_html())
    assert not re.search(r"https?:|//\w|@import", without_font)
    assert set(re.findall(r"url\((.{2})", without_font)) == {'"d', "#f"}


def test_html_states_a_policy_that_lets_nothing_in():
    # Content Security Policy Level 3, 6.1.3 (default-src is the fallback of every fetch directive).
    policy = [a["content"] for tag, a in tags() if a.get("http-equiv") == "Content-Security-Policy"]
    assert len(policy) == 1
    directives = dict(part.strip().split(" ", 1) for part in str(policy[0]).split(";"))
    assert directives["default-src"] == "'none'"
    assert "script-src" not in directives
    assert directives["font-src"] == directives["img-src"] == "data:"


def test_names_inside_figures_and_headings_are_unique():
    names = [attributes["id"] for _, attributes in tags() if "id" in attributes]
    assert len(names) == len(set(names)) > 10
    used = set(re.findall(r"url\(#([^)]+)\)", sample_html()))
    used |= {str(a["href"])[1:] for _, a in tags() if str(a.get("href")).startswith("#")}
    assert used <= set(names)


def test_figures_are_pictures_with_words():
    pictures = [a for tag, a in tags() if tag == "svg" and a.get("role") == "img"]
    words = [a["aria-label"] for a in pictures]
    assert "Bias by level with its 90 % interval and the limit; at 10 % it is outside." in words
    assert any("R3 Slope" in str(word) and "not shown" in str(word) for word in words)


def test_both_renderings_say_the_same():
    printed = flat(" ".join(pdf_pages()))
    for block in sample().blocks:
        said: list[str] = []
        if isinstance(block, Heading):
            said = [block.text]
        elif isinstance(block, Strips):
            for strip in block.strips:
                said += [
                    strip.outcome,
                    strip.observed_text,
                    strip.interval_text,
                    strip.limit_text,
                    strip.reason,
                    strip.thin,
                ]
        elif isinstance(block, Table) and block.head[0] != "a" * 60:
            said = [cell for row in block.rows for cell in row]
        elif isinstance(block, Items):
            said = list(block.items)
        elif isinstance(block, Fields):
            said = [word for pair in block.pairs for word in pair]
        elif isinstance(block, Figure):
            said = [block.caption]
        for words in said:
            assert words in html_text()
            assert words.replace(" ", "") in printed.replace(" ", "")
    cover = sample().cover
    for words in (
        cover.title,
        cover.study_id,
        cover.laboratory,
        cover.conclusion,
        *cover.warnings,
        "unsigned",
        "not stated",
    ):
        assert words in html_text()
        assert words.replace(" ", "") in printed.replace(" ", "")


def test_verdict_is_page_two_and_pages_are_counted():
    pages = pdf_pages()
    assert "fit with restrictions" in pages[0]
    assert "Verdict" in pages[1]
    assert "not shown" in pages[1]
    assert "Contents" in pages[1]
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in page
        if number > 1:
            for part in ("Quillmere Condition Laboratory", "VS-2026-07", "issue 001", "9f2c41d07be3"):
                assert part in page


def test_many_warnings_leave_the_verdict_on_page_two():
    warnings = tuple(
        f"Worksheet row {i} changed after the first run without an amendment: 4.01 became 4.11." for i in range(40)
    )
    document = replace(sample(), cover=replace(sample().cover, warnings=warnings))
    pages = [flat(page.extract_text()) for page in pypdf.PdfReader(io.BytesIO(render_pdf(document))).pages]
    assert warnings[-1] in pages[0]
    assert "Verdict" in pages[1]


def lowest_text(page: pypdf.PageObject) -> float:
    """How far down a page its text reaches, the footer aside: 0 at the top edge, 1 at the bottom."""
    heights: list[float] = []

    def visit(text: str, matrix: list[float], text_matrix: list[float], *_: object) -> None:
        if text.strip():
            heights.append(text_matrix[4] * matrix[1] + text_matrix[5] * matrix[3] + matrix[5])

    page.extract_text(visitor_text=visit)
    body = [height for height in heights if height > 60]  # the footer stands 43 points above the edge
    return 1 - min(body) / float(page.mediabox.height)


def test_chapters_leave_no_page_mostly_white():
    pages = pypdf.PdfReader(io.BytesIO(sample_pdf())).pages
    reached = [lowest_text(page) for page in pages]
    # The cover is full; the verdict page ends with the contents; the last page ends where the dossier does.
    assert min(reached[2:-1]) > 0.6
    # A short chapter follows on the page of the chapter before it.
    assert "Plan and design" in pdf_pages()[1]
    assert "How far do results scatter" in "".join(pdf_pages()[1:3])


def test_long_tables_repeat_their_head():
    assert sum("reading run analyst level" in page for page in pdf_pages()) >= 2


def test_pdf_declares_pdf_a():
    # ISO 19005-3:2012, 6.6.4: pdfaid:part and pdfaid:conformance in the XMP metadata.
    catalogue = pypdf.PdfReader(io.BytesIO(sample_pdf())).trailer["/Root"]
    metadata = catalogue["/Metadata"].get_data().decode("utf-8")
    assert re.search(r"<pdfaid:part>3</pdfaid:part>", metadata)
    assert re.search(r"<pdfaid:conformance>B</pdfaid:conformance>", metadata)
    assert catalogue["/MarkInfo"]["/Marked"]
    assert catalogue["/Lang"] == "en"


def test_pdf_uses_the_font_of_the_figures_alone():
    fonts = set()
    for page in pypdf.PdfReader(io.BytesIO(sample_pdf())).pages:
        stack = [page["/Resources"]]
        while stack:
            resources = stack.pop().get_object()
            fonts |= {font.get_object()["/BaseFont"].split("+")[1] for font in resources.get("/Font", {}).values()}
            stack += [
                x["/Resources"]
                for x in (f.get_object() for f in resources.get("/XObject", {}).values())
                if "/Resources" in x
            ]
    assert fonts == {f"STIXGeneral-{face}" for face in ("Regular", "Bold", "Italic", "BoldItalic")}


def test_pdf_has_bookmarks_for_every_chapter():
    outline = pypdf.PdfReader(io.BytesIO(sample_pdf())).outline
    titles = [entry.title for entry in outline if not isinstance(entry, list)]
    chapters = [block.text for block in sample().blocks if isinstance(block, Heading) and block.level == 1]
    assert titles[: len(chapters)] == chapters


def test_both_are_the_same_bytes_again():
    assert render_html(sample()) == sample_html()
    assert render_pdf(sample()) == sample_pdf()


def test_hostile_text_is_printed_as_typed():
    assert HOSTILE in html_text()
    assert "<script>" not in sample_html()
    assert HOSTILE.replace(" ", "") in " ".join(pdf_pages()).replace(" ", "")


def test_letters_signs_and_spaces_are_printed_as_typed():
    typed = "Ünïcödé Größe Łódź, αβγ σ Ω µ, ≤ ≥ ± − × √ ‰, 12 345.6, file s_r_old.csv, reading s_rx"
    assert typed in html_text()
    assert typed.replace(" ", "") in " ".join(pdf_pages()).replace(" ", "")


def test_signs_stand_in_bold_and_in_head_cells():
    # The bold face of the font lacks these; they must still be set, in both renderings.
    document = one_block(
        Heading("Bias ≤ 0.15 → met ✓", 1, "signs"), Table("√ and ≈.", ("≤ limit", "√n"), (("≥ 1", "2"),), "ll")
    )
    text = flat(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(render_pdf(document))).pages))
    for words in ("Bias ≤ 0.15 → met ✓", "≤ limit", "√n"):
        assert words in text
        assert words in css_free(render_html(document))


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain", "plain"),
        ("ä ß Ł σ ≤ − ×", "ä ß Ł σ ≤ − ×"),
        ("12\u2009345", "12\u2009345"),
        ("two\nlines\tand", "two lines and"),
        ("Gro\u0308ße", "Größe"),
        ("x\u0304", "x\u0304"),
        ("a\u0336b", "aU+0336b"),
        ("\u0304x", "U+0304x"),
        ("日", "U+65E5"),
        ("🙂", "U+1F642"),
        ("a\u202eb", "aU+202Eb"),
        ("a\u2066b", "aU+2066b"),
        ("a\u200bb", "aU+200Bb"),
        ("\x00\x1b", "U+0000U+001B"),
        ("א", "U+05D0"),
        ("\ud800", "U+D800"),
        ("\ue000", "U+E000"),
    ],
)
def test_printable(text, shown):
    # Unicode Standard, Appendix A: a code point is written U+ and four to six hexadecimal digits.
    made, changed = printable(text)
    assert made == shown
    assert changed == ("U+" in shown)


def test_replaced_characters_are_listed_once_in_both():
    document = printable_document(sample())
    note = document.blocks[-1]
    assert isinstance(note, Paragraph)
    for code in ("U+65E5", "U+1F642", "U+202E", "U+0000", "U+0007"):
        assert note.text.count(code) == 1
        assert code in html_text()
        assert code in " ".join(pdf_pages())
    assert printable_document(document) == document


def test_a_printable_document_gets_no_note():
    assert printable_document(one_block(Paragraph("Größe ≤ 5 %"))) == one_block(Paragraph("Größe ≤ 5 %"))


def test_names_in_figures_are_made_printable():
    with dossier_style():
        figure, (axes,) = new_figure()
        axes.plot([0, 1], [0, 1])
        axes.set_title("Laboratory ÄLAB")
    svg = svg_text(figure).replace("ÄLAB", "Ä日🙂")
    document = one_block(Figure("f.svg", svg, "alt", "caption"))
    assert "Laboratory ÄU+65E5U+1F642" in render_html(document)
    assert render_pdf(document)


def test_a_draft_is_marked_on_every_page():
    draft = replace(sample(), watermark="DRAFT")
    pages = pypdf.PdfReader(io.BytesIO(render_pdf(draft))).pages
    assert all("DRAFT" in page.extract_text() for page in pages)
    assert "DRAFT" not in " ".join(pdf_pages())
    assert "DRAFT" in css_free(render_html(draft))
    assert "DRAFT" not in html_text()


def test_repeated_or_missing_anchors_do_no_harm():
    strips = replace_strip_anchors(requirement_strips(), "nowhere")
    document = one_block(strips, Heading("Same", 1, "twice"), Heading("Same", 1, "twice"), Heading("Ünnamed", 2))
    assert 'id="twice-2"' in render_html(document)
    assert "#nowhere" not in render_html(document)
    assert render_pdf(document)


def test_links_lead_to_their_rows_in_both():
    """Cells, words and strips that name an anchor are links in HTML and PDF; to nowhere, they are plain words."""
    strip = replace(requirement_strips().strips[0], trace="row-7")
    rows = tuple((str(number), "reading") for number in range(9))
    table = Table("Rows", ("Row", "What"), rows, anchors=tuple(f"row-{n}" for n in range(9)), links=((0, 1, "trace"),))
    links = Links("Rows used:", (Link("7", "row-7"), Link("99", "row-99")), anchor="trace")
    document = one_block(Heading("Verdicts", 1, "verdicts"), Strips((strip,)), links, table)
    html, pdf = render_html(document), pypdf.PdfReader(io.BytesIO(render_pdf(document)))
    assert re.findall(r'href="#(row-\d+|trace)"', html) == ["row-7", "row-7", "trace"]
    assert {'id="row-7"', 'id="trace"'} <= set(re.findall(r'id="[a-z0-9-]+"', html))
    there = [a.get_object() for page in pdf.pages for a in page.get("/Annots", ())]
    assert len([a for a in there if a["/Subtype"] == "/Link"]) >= 3


def replace_strip_anchors(block: Strips, anchor: str) -> Strips:
    return Strips(tuple(replace(strip, anchor=anchor) for strip in block.strips))


def test_an_empty_document_still_renders():
    document = replace(sample(), blocks=(), cover=Cover("", "", "", "", "", (), (), ()))
    assert render_html(document)
    assert len(pypdf.PdfReader(io.BytesIO(render_pdf(document))).pages) >= 1


def test_rows_of_uneven_length_lose_nothing():
    document = one_block(Table("Uneven.", ("a", "b"), (("1",), ("2", "3", "surplus")), "l"))
    assert "surplus" in css_free(render_html(document))
    assert "surplus" in pypdf.PdfReader(io.BytesIO(render_pdf(document))).pages[1].extract_text()


@pytest.mark.parametrize(
    ("column", "tails"),
    [
        (["1.25", "10.5", "3"], [0, 0.5, 1.25]),
        (["−0.73", "12\u2009345", "< 0.0001"], [1.0, 2.25, 0]),
        (["4", "12"], [0, 0]),
        (["none", "0.5", ""], [0, 0, 0]),
    ],
)
def test_decimal_marks_stand_under_one_another(column, tails):
    # Digits of the font are half an em wide, its full stop a quarter (its own hmtx table, checked below).
    assert decimal_tails(column) == tails


@pytest.mark.parametrize("face", ["STIXGeneral.ttf", "STIXGeneralBol.ttf", "STIXGeneralItalic.ttf"])
def test_figures_of_the_font_are_tabular(face):
    with TTFont(font_folder() / face) as font:
        cmap, widths, em = font.getBestCmap(), font["hmtx"], font["head"].unitsPerEm
        assert {widths[cmap[ord(digit)]][0] / em for digit in "0123456789"} == {0.5}
        assert widths[cmap[ord(".")]][0] / em == 0.25


def test_embedded_font_holds_exactly_what_the_page_needs():
    faces = re.findall(
        r'font-weight:(\d+);font-style:(\w+);unicode-range:([^;]+);src:url\("data:font/woff;base64,([^"]+)"\)',
        sample_html(),
    )
    covered: dict[tuple[str, str], set[int]] = {}
    for weight, style, ranges, data in faces:
        with TTFont(io.BytesIO(base64.b64decode(data))) as font:
            held = set(font.getBestCmap())
        declared = {int(code[2:], 16) for code in ranges.split(",")}
        assert held == declared
        assert not held & covered.get((weight, style), set())
        covered.setdefault((weight, style), set()).update(held)
    needed = {ord(character) for character in html_text()} - {0x0A, 0x2009}
    for style in (("400", "normal"), ("700", "normal"), ("400", "italic")):
        assert needed <= covered[style]


def test_strip_places_the_limit_and_the_interval():
    strip = Strip("R", "met", "", "", "", (-1, 1), estimate=0.5, low=0.25, high=0.75)
    axis = common_axis([strip])
    assert (axis.low, axis.high) == (-1.5, 1.5)
    svg = strip_svg(strip, axis)
    left, width = map(float, re.search(r'class="bar met" x="([\d.]+)" y="[\d.]+" width="([\d.]+)"', svg).groups())
    assert left == pytest.approx(axis.place(0.25), abs=0.01)
    assert width == pytest.approx(axis.place(0.75) - axis.place(0.25), abs=0.01)
    # The scale is linear: the middle of the limits is the middle of the axis.
    assert axis.place(0) == pytest.approx((axis.place(-1) + axis.place(1)) / 2)


@pytest.mark.parametrize(
    ("outcome", "holds", "lacks"),
    [
        ("met", 'fill="#2a86bf"', "hatch"),
        ("not shown", 'class="hatch"', 'fill="#e69f00"'),
        ("not met", 'class="bar not-met"', "hatch"),
        ("not judged", 'class="ground"', 'class="bar'),
    ],
)
def test_fill_tells_the_outcome(outcome, holds, lacks):
    strip = Strip("R", outcome, "", "", "", (-1, 1), estimate=0.5, low=0.25, high=0.75)
    svg = strip_svg(strip, common_axis([strip]))
    assert holds in svg
    assert lacks not in svg


def test_values_off_the_axis_are_cut_and_printed():
    strips = (
        Strip("high", "not met", "", "", "", (-1, 1), estimate=4.25, low=3.8, high=4.8),
        Strip("low", "not shown", "", "", "", (-1, 1), estimate=0.0, low=-31.4, high=0.3),
        Strip("huge", "not met", "", "", "", (-1, 1), estimate=1e12, low=1e11, high=1e13),
    )
    axis = common_axis(strips)
    assert (axis.low, axis.high) == (-2.5, 2.5)
    drawn = [strip_svg(strip, axis) for strip in strips]
    assert ">4.2<" in drawn[0]
    assert ">−31<" in drawn[1]
    assert ">&gt;999<" in drawn[2]
    for svg in drawn:
        assert max(float(x) for x in re.findall(r' x="([\d.]+)"', svg)) <= axis.width


def test_tints_stay_apart_in_grey():
    # CIE 15:2004, 8.2.1: lightness L*, from sRGB by IEC 61966-2-1; formulas and clause from memory.
    # Ten units are seen at a glance: common practice, no source.
    def lightness(colour: str) -> float:
        linear = [
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
            for c in (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
        ]
        y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
        return 116 * y ** (1 / 3) - 16

    levels = sorted(lightness(colour) for colour in TINTS.values())
    assert min(np.diff(levels)) > 10


def test_symbols_are_set_and_names_are_not():
    assert prose("s_r and L_C") == [("it", "s"), ("sub", "r"), ("", " and "), ("it", "L"), ("sub", "C")]
    assert prose("1.2 × 10^−5") == [("", "1.2 × 10"), ("sup", "−5")]
    assert prose("u^2 = k s_T") == [("", "u"), ("sup", "2"), ("", " = k "), ("it", "s"), ("sub", "T")]
    assert prose("r_pub") == [("it", "r"), ("sub", "pub")]
    for name in ("repeatability.s_r", "s_r_old.csv", "s_rx", "P_a", "file_10^x"):
        assert prose(name) == [("", name)]
    assert formula("s_r^2 + x_{ij}") == [
        ("it", "s"),
        ("sub", "r"),
        ("sup", "2"),
        ("", " + "),
        ("it", "x"),
        ("sub", "ij"),
    ]


@pytest.mark.parametrize(
    ("inside", "kept"),
    [
        ("<script>alert(1)</script>", ""),
        ('<rect onload="alert(1)" width="1"/>', '<rect width="1"/>'),
        ('<a href="javascript:alert(1)"><rect width="1"/></a>', ""),
        ('<use href="other.svg#a"/>', "<use/>"),
        ('<image href="data:image/svg+xml;base64,AA=="/>', "<image/>"),
        ('<rect style="fill: url(other.png)"/>', "<rect/>"),
        ("<style>*{fill:url(a)}</style><text>a&lt;b</text>", "<text>a&lt;b</text>"),
        ("<foreignObject><b>x</b></foreignObject>", ""),
    ],
)
def test_drawings_keep_known_elements_only(inside, kept):
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1 1">{inside}</svg>'
    assert re.sub(r"^<svg[^>]*>|</svg>$", "", inline_svg(svg, "p")) == kept


@pytest.mark.parametrize("svg", ["", "<svg", "<html/>", '<!DOCTYPE svg [<!ENTITY a "b">]><svg>&a;</svg>'])
def test_broken_drawings_are_refused(svg):
    with pytest.raises(ValueError, match="draw it again"):
        inline_svg(svg, "p")


def test_a_listing_too_wide_for_the_page_keeps_its_times_on_one_line():
    head = ("Row", "Reading", "run", "order", "time", "day", "analyst", "instrument", "preparation", "level", "result")
    cells = ("74", "P-073", "R5", "1", "2026-03-16T08:30", "2026-03-16", "A2", "SAW-3", "N0.5-R5-1", "4", "3.90")
    wide = Table(
        "listing", (*head, "record", "Status"), ((*cells, "records/export-R5.csv", ""),), long=True, literal=True
    )
    pages = pypdf.PdfReader(io.BytesIO(render_pdf(one_block(wide)))).pages
    lines = [line.replace("\u200b", "") for page in pages for line in page.extract_text().splitlines()]
    assert any("2026-03-16T08:30" in line for line in lines), lines


def test_an_article_in_a_formula_is_no_variable():
    # ISO 80000-1:2022, 7.1 (clause from memory): symbols of quantities are printed in italic, words are not.
    assert formula("y = m_i + g m t; one slope a run")[-1] == ("", "; one slope a run")
    assert formula("a = mean(y) - b mean(x)")[0] == ("it", "a")
    assert ("it", "a") in formula("y = a + b x")
    assert formula("s1^2")[:2] == [("it", "s"), ("sub", "1")]


@pytest.mark.parametrize(
    ("typed", "base", "below"),
    [("m_f", "m", "f"), ("t_exp", "t", "exp"), ("P_fc", "P", "fc"), ("g_b", "g", "b"), ("T_cal", "T", "cal")],
)
def test_symbols_stand_alike_in_sentences_and_formulas(typed, base, below):
    wanted = [("it", base), ("sub", below)]
    assert formula(typed) == wanted
    assert prose(f"symbol, {typed}")[-2:] == wanted


def test_greek_letters_are_printed_for_their_names():
    assert typeset_formula("k = t((1 + p) / 2, nu_eff)") == "k = t((1 + p) / 2, ν_eff)"
    assert typeset("chi2 of 3, below -1 and 3-4, 2026-03-17") == "χ^2 of 3, below −1 and 3-4, 2026-03-17"
    assert typeset_formula("u^2 = sum (c_i u_i)^2, sum of all") == "u^2 = Σ (c_i u_i)^2, sum of all"


def test_columns_share_a_page_without_breaking_a_word():
    least, natural = column_needs(("No.", "Reason"), (("1", "a long text that wants much room"), ("22", "word")), ZEROS)
    widths = shared(least, natural, least[0] + least[1] + 3)
    assert widths is not None
    assert sum(widths) == pytest.approx(least[0] + least[1] + 3)
    assert all(width >= smallest for width, smallest in zip(widths, least, strict=True))
    assert shared(least, natural, least[0] + least[1] - 0.1) is None


ZEROS = ((0.0, 0.0), (0.0, 0.0))


@pytest.mark.parametrize(("text", "width"), [("10.5", 1.75), ("", 0.0), ("\u2009", 0.2)])
def test_width_of_a_text_is_that_of_the_font(text, width):
    # Digits are half an em wide, the full stop a quarter (the font's own hmtx table, checked above); a thin space is a
    # fifth of an em (Unicode Standard, 6.2, table 6-2: a fifth, sometimes a sixth).
    assert text_width(text) == pytest.approx(width, abs=0.05)


def pages_of(*content: Block) -> list[str]:
    return [flat(p.extract_text()) for p in pypdf.PdfReader(io.BytesIO(render_pdf(one_block(*content)))).pages]


def test_rows_of_one_requirement_name_it_once():
    rows = tuple(Strip(f"R1 bias at {x} %", "met", "", "", "", place=f"at {x} %") for x in (1, 2, 4))
    text = " ".join(pages_of(Strips(rows)))
    assert text.count("R1 bias") == 1
    for place in ("at 1 %", "at 2 %", "at 4 %"):
        assert place in text


@pytest.mark.parametrize("before", range(30, 44))
def test_a_reason_stays_on_the_page_of_its_requirement(before):
    rows = [Strip(f"R{i} bias", "met", "1", "", "") for i in range(before)]
    rows.append(Strip("R99 bias", "not met", "1", "", "", reason="The interval is outside."))
    pages = pages_of(Strips(tuple(rows)))
    assert [p for p in pages if "R99" in p] == [p for p in pages if "The interval is outside." in p]


def test_a_narrow_listing_stands_in_columns_that_end_together():
    rows = tuple((str(i), f"P-{i:03d}", "4.01") for i in range(60))
    page = pypdf.PdfReader(io.BytesIO(render_pdf(one_block(Table("Rows", ("Row", "Reading", "result"), rows))))).pages
    assert "P-059" in page[1].extract_text()
    assert page[1].extract_text().count("Reading") == 4  # the head over each column


def listing(rows: list[dict[str, str]], amended: set[tuple[str, str]] = frozenset(), **changes: str) -> Listing:
    readings = tuple(
        Reading(row["reading"], "precision", "p.csv", number, row, row | {"result": row["result"].replace(",", ".")})
        for number, row in enumerate(rows, start=2)
    )
    readings = (replace(readings[0], values=dict(readings[0].values) | changes), *readings[1:])
    return Listing(readings, what_happened(readings, {}, amended))


def worksheet(times: list[str]) -> list[dict[str, str]]:
    names = ("R1", "R1", "R1", "R2", "R2", "R2")
    return [
        {"reading": f"P-{i}", "run": run, "time": time, "analyst": {"R1": "A1", "R2": "A2"}[run], "result": f"4,{i}1"}
        for i, (run, time) in enumerate(zip(names, times, strict=True))
    ]


def test_a_decimal_comma_is_no_amendment():
    shown = listing(worksheet([f"2026-03-0{1 + i // 3}T08:3{i}" for i in range(6)]))
    assert "Status" not in shown.head
    assert not shown.remarks
    assert [row[-1] for row in shown.rows] == ["4,01", "4,11", "4,21", "4,31", "4,41", "4,51"]


def test_an_amended_cell_says_so_beside_its_row():
    rows = worksheet([f"2026-03-0{1 + i // 3}T08:3{i}" for i in range(6)])
    shown = listing(rows, {("P-0", "result")}, result="3.9")
    assert shown.remarks == ["Row 2, P-0: result amended to 3.9."]
    assert [row[-1] for row in shown.rows] == ["now 3.9", "", "", "", "", ""]
    assert shown.rows[0][-2] == "4,01"


def test_dates_and_people_of_a_run_are_said_once():
    shown = listing(worksheet([f"2026-03-0{1 + i // 3}T08:3{i}" for i in range(6)]))
    assert shown.shared_by_rows() == ["By run (date and analyst): R1 2026-03-01, A1; R2 2026-03-02, A2."]
    assert shown.head == ("Row", "Reading", "run", "time", "result")
    assert shown.rows[1][3] == "08:31"


def test_dates_that_nothing_shares_stand_as_typed():
    times = [f"2026-03-0{1 + i}T08:30" for i in range(6)]  # as late on every day
    shown = listing(worksheet(times))
    assert [row[3] for row in shown.rows] == times
    same_day = listing(worksheet([f"2026-03-01T08:3{i}" for i in range(6)]))
    assert same_day.shared_by_rows()[0] == "Throughout: date 2026-03-01."


def quantity(key: str, at: float | str | None, *notes: str) -> Quantity:
    return Quantity(key=key, at=at, estimate=Estimate(1.0, n=1, notes=notes), level=0.95, unit="%")


INTERVAL = Estimate(1.234, FixedEnds(0.987, 1.543), degrees_of_freedom=13.94, n=24)


def with_only(q: Quantity, *notes: str) -> Quantity:
    """The quantity with these notes and no others."""
    return replace(q, estimate=replace(q.estimate, notes=notes))


def by_place(*quantities: Quantity) -> list[Block]:
    study = small_study("precision", {"level": ["1"], "run": ["1"], "result": ["1"]})
    return quantity_tables(characteristics()["reproducibility"], quantities, study)


def test_quantities_by_level_have_one_row_a_level():
    (table,) = by_place(*(quantity(f"reproducibility.{key}", x) for key in ("s_r", "s_R") for x in (1.0, 2.0, 4.0)))
    assert isinstance(table, Table)
    assert table.head == ("At", "s_r / %", "s_R / %", "n")  # what both share stands once
    assert [row[0] for row in table.rows] == ["1", "2", "4"]


def test_few_levels_have_one_row_a_quantity():
    (table,) = by_place(*(quantity(f"reproducibility.{key}", x) for key in ("s_r", "s_R") for x in (1.0, 2.0)))
    assert isinstance(table, Table)
    assert [row[:2] for row in table.rows] == [("s_r", "1"), ("s_r", "2"), ("s_R", "1"), ("s_R", "2")]


def test_many_quantities_are_set_in_tables_that_fit_a_page():
    keys = [info.key for info in characteristics()["reproducibility"].keys]
    wide = [replace(quantity(key, x), estimate=INTERVAL) for key in keys for x in (1.0, 2.0, 4.0)]
    tables = [table for table in by_place(*wide) if isinstance(table, Table)]
    assert len(tables) > 1
    assert all(fits_page(table.head, table.rows) for table in tables)
    assert sum(name.endswith("/ %") for table in tables for name in table.head) == len(keys)


def test_of_sentences_that_differ_in_numbers_the_ends_are_kept():
    sentences = [f"At {level} % the bias is {level / 10:g} %." for level in (1, 2, 4)]
    assert without_repeats(sentences) == [f"{sentences[0]} {sentences[-1]} The levels between them are in the table."]
    assert without_repeats(sentences[:2]) == sentences[:2]


def test_a_note_names_what_it_concerns_and_no_long_list():
    levels = [quantity("trueness.bias", float(x), "few" if x < 3 else "") for x in range(1, 9)]
    levels = [with_only(q, *(note for note in q.notes if note)) for q in levels]
    others = [quantity("trueness.constant_bias", None), quantity("comparison.difference_at", 2.0, "line")]
    notes = notes_of(Evaluation("trueness"), [*levels, *others], opening=())
    assert notes[1] == Items(("few (bias at 1 and 2)", "line (difference at 2)"), style="small")
    most = [with_only(q, "all of it") for q in levels]
    assert notes_of(Evaluation("trueness"), [*most, *others], opening=())[1] == Items(
        ("all of it", "line (difference at 2)"), style="small"
    )


def test_many_notes_on_single_quantities_are_not_printed():
    levels = [with_only(quantity("trueness.bias", float(x)), f"note {x}") for x in range(40)]
    assert notes_of(Evaluation("trueness"), levels, opening=())[1] == Items(
        ("40 notes on single quantities are in dossier.html and in results.json.",), style="small"
    )
    (listed,) = notes_on_single(Evaluation("trueness"), levels, opening=())
    assert isinstance(listed, Table)
    assert listed.rows[0] == ("note 0 (bias at 0)",)
    assert not listed.printed


def test_narrow_figures_stand_side_by_side_and_nothing_else_does():
    figure = Figure("a.svg", '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 331 200"/>', "a")
    wide = replace(figure, svg=figure.svg.replace("331", "454"))
    made = arranged(one_block(figure, figure, figure, wide))["blocks"]
    assert [block["place"] for block in made if block["kind"] == "figure"] == ["left", "right", "alone", "alone"]
    assert render_html(one_block(figure, figure, wide)).count('class="pair') == 1


def test_a_table_that_is_not_printed_is_in_html_alone():
    table = Table("The same by other methods", ("a",), (("hidden-cell",),), details=True, printed=False)
    document = one_block(Paragraph("text"), table)
    assert "hidden-cell" in render_html(document)
    pages = pypdf.PdfReader(io.BytesIO(render_pdf(document))).pages
    assert "hidden-cell" not in "".join(page.extract_text() for page in pages)
