"""The dossier's two renderings: the same content in both, nothing active, nothing from outside, the same bytes again."""

from __future__ import annotations

import functools
import io
import re
from dataclasses import replace

import numpy as np
import pypdf
import pytest

from validation.dossier.blocks import (
    Block,
    Cover,
    Document,
    Fields,
    Figure,
    Formula,
    Heading,
    Items,
    Paragraph,
    Signatures,
    Strip,
    Strips,
    Table,
)
from validation.dossier.drawing import inline_svg
from validation.dossier.glyphs import printable, printable_document
from validation.dossier.html import render_html
from validation.dossier.layout import decimal_tails
from validation.dossier.pdf import render_pdf
from validation.dossier.strips import TINTS, common_axis, strip_svg
from validation.dossier.symbols import formula, prose
from validation.figures.style import BLUE, GREY, VERMILION, dossier_style, new_figure, svg_text
from validation.words import fixed

HOSTILE = '<script>alert(1)</script> & <b>b</b> #eval("1") $x$ {{ 7*7 }} {% raw %} *bold* _em_ `code` \\u{41} @ref <label> // c'


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
    bias = [(0.5, 0.03, 0.02, 0.15), (1, 0.02, 0.03, 0.15), (2, 0.02, 0.04, 0.15), (4, 0.01, 0.07, 0.2), (7.5, -0.19, 0.115, 0.375), (10, -0.73, 0.15, 0.5)]  # fmt: skip
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
                reason="" if outcome == "met" else "The whole interval lies below the lower limit.",
                anchor="trueness",
            )
        )
    rows += [
        Strip("R2 Intermediate precision s_I at 4 %", "met", "0.134", "0.105 to 0.201", "0.18", (0, 1), 0.74, 0.58, 1.12, anchor="precision", thin="The point value meets the limit; its upper bound does not."),
        Strip("R3 Slope against the previous lot", "not shown", "0.9850", "0.958 to 1.012", "1 ± 0.025", (-1, 1), -0.6, -1.7, 0.48, reason="Not shown with 6 readings a lot; about 21 would settle it (75 bench minutes)."),
        Strip("R4 Mean difference at 4 %", "not judged", "−0.15", "−0.24 to −0.06", "0.30", (-1, 1), -0.5, -0.8, -0.2, reason="The plan was not frozen."),
        Strip("R5 Quantification limit", "not met", "2.1", "1.9 to 2.4", "0.50", (0, 1), 4.2, 3.8, 4.8),
        Strip("R6 Smallest run count", "met", "8", "", "6", (1, None), 1.33),
        Strip("R7 Matrix slope", "not judged", "", "", "0.05", anchor="nowhere", reason="No readings: the worksheet awaits them."),
    ]  # fmt: skip
    return Strips(tuple(rows))


@functools.cache
def sample() -> Document:
    raw = tuple(
        (f"P-{i:03d}", str(1 + i // 18), f"A{1 + i % 3}", fixed((0.5, 1, 2, 4, 7.5, 10)[i % 6], 1), fixed(4 + 0.37 * np.sin(i), 2), "" if i % 29 else "vial reseated")
        for i in range(144)
    )  # fmt: skip
    estimates = tuple(
        (f"{level:g}", fixed(m, 2 if level < 4 else 3), fixed(s, 3), f"{fixed(0.76 * s, 3)} to {fixed(1.52 * s, 3)}", "16", "24")
        for level, m, s in ((0.5, 0.53, 0.039), (1, 1.02, 0.048), (2, 2.02, 0.066), (4, 4.012, 0.102), (7.5, 7.311, 0.165), (10, 9.274, 0.21))
    )  # fmt: skip
    blocks: list[Block] = [
        Heading("Verdict", 1, "verdict"),
        Paragraph(
            "Between 0.5 and 7.5 % the bias stays inside ±max(0.15, 5 %) with 95 % confidence; at 10 % it does not (−0.73, from −0.88 to −0.58).",
            style="lead",
        ),
        requirement_strips(),
        Heading("Plan and design", 1, "plan"),
        Paragraph("The plan was frozen on 2026-07-02, three days before the first reading.", margin="plan.lock, entry 1"),
        Fields((("Procedure", "SOP-14, issue 3"), ("Intended use", ""), ("Customer limits", "2.0 % and 4.0 %"))),
        Paragraph("Blends and neat fuel are flammable; hot oil burns. Local codes and licensed practice come first.", style="caution"),
        Items(("Eight runs of three readings at six levels.", "Independent preparations, random order in each run.")),
        Heading("Precision", 1, "precision"),
        Paragraph(
            "How far do results scatter within a run, and how far from run to run? The within-run variances are pooled; "
            "the variance between runs is estimated by REML. Where it comes out negative it is set to zero, and a note says so.",
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
        Figure("precision.svg", precision_drawing(), "Two panels: s_r and s_I by level, both growing.", "Standard deviations by level."),
        Heading("Reading in words", 2, "precision-words"),
        Paragraph("At 4 % two results of the same run differ by less than 0.28 in 95 cases of 100."),
        Paragraph("A variance of 1.2 × 10^−5 was set to zero.", style="note", margin="repeatability.s_r"),
        Heading("Trueness", 1, "trueness"),
        Paragraph("Does the mean of many results differ from the prepared value by more than the limit?"),
        Figure("trueness.svg", bias_drawing(), "Bias by level with its 90 % interval and the limit; at 10 % it lies outside.", "Bias by level."),
        Table(
            "With and without the flagged reading.",
            ("reading", "what was done", "bias with", "bias without", "outcome with", "outcome without"),
            (("P-071", "flagged by Grubbs' test (3.1 against 2.9), kept", "0.01", "−0.008", "met", "met"), ("P-090", "corrected from 20.7 to 2.07, see amendment 1", "−0.73", "0.1", "not met", "not met")),
            "llddll",
            widths=(1, 3, 1, 1, 1.2, 1.2),
        ),
        Table("Trace of each run mean.", ("run", "mean"), (("1", "4.01"), ("2", "3.9")), "rd", details=True),
        Heading("A short chapter", 1, "short"),
        Paragraph("Nothing was excluded."),
        Table("Exclusions.", ("reading", "reason"), (), "ll"),
        Heading("Raw data", 1, "raw"),
        Paragraph("Every reading as it stands in the worksheet.", style="small"),
        Table("Readings of worksheets/precision.csv.", ("reading", "run", "analyst", "level", "result [%]", "note"), raw, "lrlddl", long=True),
        Heading("What people typed", 1, "typed"),
        Paragraph(HOSTILE),
        Paragraph("Ünïcödé Größe Łódź, αβγ σ Ω µ, ≤ ≥ ± − × √ ‰, 12\u2009345.6, file s_r_old.csv, reading s_rx"),
        Paragraph("W" * 300, margin="a_very_long_key_without_any_place_to_break_it.and_on"),
        Table("Hostile cells.", ("a" * 60, "b"), ((HOSTILE, "Z" * 400), ("日本語 🙂", "x\u202ey\x00\x07z")), "ll"),
        Signatures((("Prepared", "A1"), ("Reviewed", ""))),
    ]  # fmt: skip
    return Document(
        cover=Cover(
            title="Fuel dilution of grade OG-N with blend FB-7",
            study_id="VS-2026-07",
            laboratory="Quillmere Condition Laboratory",
            conclusion="fit with restrictions",
            conclusion_text="Fit for 0.5 to 7.5 %; at 10 % the bias of −0.73 leaves the limit, and three requirements are not judged.",
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
