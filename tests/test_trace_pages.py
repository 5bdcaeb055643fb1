"""Every verdict of the dossier leads to each row of raw data behind it by two clicks, and back."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cache
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pypdf
import pytest
from small_study import small_study

from validation.cli import main
from validation.dossier.anchors import Places, keys_of, row_anchor
from validation.dossier.blocks import Link, Links
from validation.dossier.listings import MOST_ROWS
from validation.dossier.record import DossierRecord
from validation.dossier.results import read_results
from validation.dossier.trace_pages import in_ranges, verdict_traces
from validation.judging.outcomes import Judgement, evaluate, judge_study
from validation.study.load import load_study
from validation.study.model import Study

CHROMIUM = Path("/usr/bin/chromium")


@cache
def page_of(dossier: Path) -> str:
    return (dossier / "dossier.html").read_text(encoding="utf-8")


@cache
def parts_of(dossier: Path) -> dict[str, str]:
    """By anchor, the element that has it: a row of a table or a paragraph."""
    found = re.finditer(r'<(tr|td|p) (?:class="links" )?id="([^"]+)"[^>]*>(.*?)</\1>', page_of(dossier), re.S)
    cells = re.finditer(r'<(td) id="([^"]+)"[^>]*>(.*?)</td>', page_of(dossier), re.S)  # some in a row with an id
    return {match[2]: match[3] for match in (*found, *cells)}


def led_to(html: str) -> list[str]:
    return re.findall(r'href="#([^"]+)"', html)


def behind(results: Mapping[str, Any], row: Mapping[str, Any]) -> set[str]:
    """The readings that results.json states for a verdict's quantity, or of the verdicts that it is made of."""
    own = [q for q in results["quantities"] if q["key"] in keys_of(row["quantity"]) and q["at"] == row["at"]]
    if row["at"] == "by performance":  # the notes name the requirements that hold at the level that is the value
        named = re.findall(r"R\d+", own[0]["notes"][0])
        others = [r for r in results["requirements"] if r["id"] in named and r["at"] == own[0]["value"]]
        return set().union(*(behind(results, other) for other in others))
    return {name for q in own for name in q["readings"]}


@cache
def expected(dossier: Path) -> list[tuple[str, str, set[str]]]:
    """Anchors of each verdict, of its trace and of the rows behind it, from results.json and the worksheets."""
    results, study = read_results(dossier), load_study(dossier / "inputs")
    anchors = {r.reading: row_anchor(data.name, r.line) for data in study.experiments.values() for r in data.readings}
    rows = results["requirements"]
    names = [name_of(row) for row in rows]
    assert len(set(names)) == len(names)
    return [
        (f"verdict-{name}", f"trace-{name}", {anchors[reading] for reading in behind(results, row)})
        for name, row in zip(names, rows, strict=True)
    ]


def name_of(row: Mapping[str, Any]) -> str:
    place = "" if row["at"] is None else f"-at-{row['at']:g}" if isinstance(row["at"], float) else f"-at-{row['at']}"
    return re.sub(r"[^a-z0-9]+", "-", f"{row['id']}{place}".lower())


def test_every_verdict_leads_to_its_rows_and_back(dossier: Path) -> None:
    parts = parts_of(dossier)
    verdicts = expected(dossier)
    assert len(verdicts) == 39
    without_rows = []
    for verdict, trace, rows in verdicts:
        outcome = re.search(r'<td class="outcome"[^>]*>(.*?)</td>', parts[verdict], re.S)
        assert outcome is not None
        assert led_to(outcome[1]) == [trace]
        links = led_to(parts[trace])
        assert verdict in links
        assert {link for link in links if link.startswith("row-")} == rows
        without_rows += [trace] if not rows else []
    assert without_rows == ["trace-r23-at-s-01"]  # a lot record: weighings, no readings
    record = re.search(r'href="(inputs/standards/[^"]+)"', parts["trace-r23-at-s-01"])
    assert record is not None
    assert (dossier / record[1]).is_file()


def test_every_row_names_its_line_and_reading(dossier: Path) -> None:
    parts, study = parts_of(dossier), load_study(dossier / "inputs")
    for data in study.experiments.values():
        for reading in data.readings:
            cells = re.findall(r"<td[^>]*>(.*?)</td>", parts[row_anchor(data.name, reading.line)], re.S)
            assert re.sub("<[^>]+>", "", cells[0]) == str(reading.line)
            assert unescape(cells[1]) == reading.reading


def test_no_link_is_dead_and_no_anchor_stands_twice(dossier: Path) -> None:
    ids = re.findall(r'\bid="([^"]+)"', page_of(dossier))
    assert [name for name, count in Counter(ids).items() if count > 1] == []
    assert set(led_to(page_of(dossier))) <= set(ids)
    files = {unescape(name) for name in re.findall(r'href="([^#"][^"]*)"', page_of(dossier))}
    assert files
    assert [name for name in files if not (dossier / unquote(name)).is_file()] == []


def test_an_amended_row_says_both_values_and_leads_to_the_register_and_back(dossier: Path) -> None:
    parts = parts_of(dossier)
    row = parts["row-precision-90"]
    assert ">20.7<" in row
    assert '<a href="#amendment-1">now 2.07</a>' in row
    assert led_to(parts["amendment-1"]) == ["row-precision-90"]
    assert "90 (result as written 20.7, amended 2.07)</a>" in parts["trace-r1-at-2"]
    assert "44 (flagged: " in parts["trace-r1-at-4"]


def test_quantities_lead_to_the_verdicts_on_them(dossier: Path) -> None:
    parts = parts_of(dossier)
    for verdict, trace, _ in expected(dossier):
        quantities = [link for link in led_to(parts[trace]) if link.startswith("q-")]
        assert quantities, verdict
        # Of several verdicts on one number it leads to the first.
        (back,) = [link for link in led_to(parts[quantities[0]]) if link.startswith("trace-")]
        assert back == trace or quantities[0] in led_to(parts[back]), verdict


def test_each_worksheet_names_the_verdicts_that_rest_on_it(dossier: Path) -> None:
    html = page_of(dossier)
    raw = html[html.index('id="raw-data"') :]
    by_experiment: dict[str, set[str]] = {}
    for _, trace, rows in expected(dossier):
        for row in rows:
            by_experiment.setdefault(row.removeprefix("row-").rpartition("-")[0], set()).add(trace)
    for experiment, traces in by_experiment.items():
        section = raw[raw.index(f'id="raw-{experiment}"') :]
        head = section[: section.index("<table")]
        assert {link for link in led_to(head) if link.startswith("trace-")} == traces


#: Raw data, then the traces, then what follows.
AROUND = ("raw-data", "trace", "raw-questions")


def annotations(page: pypdf.PageObject) -> Iterator[Any]:
    return (a.get_object() for a in page.get("/Annots", ()) if a.get_object()["/Subtype"] == "/Link")


def test_the_pdf_has_as_many_links_from_traces_to_rows(dossier: Path) -> None:
    reader = pypdf.PdfReader(dossier / "dossier.pdf")
    named = reader.named_destinations
    raw, first, after = (
        reader.get_destination_page_number(named[name]) for name in ("raw-data", "trace", "raw-questions")
    )
    numbers = {page.indirect_reference.idnum: at for at, page in enumerate(reader.pages)}
    targets = [
        numbers[a["/Dest"][0].idnum] if not isinstance(a["/Dest"], str) else named[a["/Dest"]]
        for page in reader.pages[first : after + 1]
        for a in annotations(page)
    ]
    to_rows = [target for target in targets if isinstance(target, int) and raw <= target <= first]
    # A link that two lines share is two annotations.
    links = sum(len(rows) for _, _, rows in expected(dossier))
    assert links <= len(to_rows) < 1.05 * links


def words_of(page: pypdf.PageObject) -> list[tuple[float, float, str]]:
    """Each text of a page with the place of its beginning."""
    words: list[tuple[float, float, str]] = []

    def visit(text: str, cm: list[float], tm: list[float], *_: Any) -> None:
        if text.strip():
            x, y = tm[4] * cm[0] + tm[5] * cm[2] + cm[4], tm[4] * cm[1] + tm[5] * cm[3] + cm[5]
            words.append((x, y, text.strip()))

    page.extract_text(visitor_text=visit)
    return words


@pytest.mark.thorough
def test_every_row_number_of_the_pdf_leads_to_its_row(dossier: Path) -> None:
    reader = pypdf.PdfReader(dossier / "dossier.pdf")
    named = reader.named_destinations
    raw, first, after = (
        reader.get_destination_page_number(named[name]) for name in ("raw-data", "trace", "raw-questions")
    )
    numbers = {page.indirect_reference.idnum: at for at, page in enumerate(reader.pages)}
    words = {at: words_of(reader.pages[at]) for at in range(raw, first + 1)}
    lines: Counter[str] = Counter()
    for page in reader.pages[first : after + 1]:
        for a in annotations(page):
            if isinstance(a["/Dest"], str) or not raw <= (at := numbers[a["/Dest"][0].idnum]) <= first:
                continue
            x, y = a["/Dest"][2:4]
            # The typesetter leads to 10 points above what has the name.
            near = [(round(abs(y - low - 14), 1), left, text) for left, low, text in words[at] if -1 < left - x < 30]
            lines[min(near)[2]] += 1
    wanted = Counter(row.rpartition("-")[2] for _, _, rows in expected(dossier) for row in rows)
    missing = wanted - lines
    assert not missing, missing


@pytest.mark.thorough
@pytest.mark.parametrize("width", [320, 1280])
def test_a_browser_without_script_walks_every_verdict(dossier: Path, width: int) -> None:
    playwright = pytest.importorskip("playwright.sync_api")
    if not CHROMIUM.exists():
        pytest.skip("no Chromium here")
    flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    clicks = 0
    with playwright.sync_playwright() as browsers:
        browser = browsers.chromium.launch(executable_path=str(CHROMIUM), args=flags)
        page = browser.new_context(java_script_enabled=False, viewport={"width": width, "height": 800}).new_page()
        page.goto((dossier / "dossier.html").as_uri())
        for verdict, trace, rows in expected(dossier):
            page.locator(f"#{verdict} .outcome a").click()
            assert page.url.endswith(f"#{trace}")
            assert in_view(page, trace)
            for row in sorted(rows)[:: max(1, len(rows) - 1)]:
                page.locator(f'#{trace} a[href="#{row}"]').first.click()
                assert page.url.endswith(f"#{row}")
                assert in_view(page, row)
                page.go_back()
                clicks += 1
            page.locator(f'#{trace} a[href="#{verdict}"]').click()
            assert in_view(page, verdict)
            clicks += 2
        browser.close()
    print(f"\n{len(expected(dossier))} verdicts at {width} px, {clicks} clicks")


def in_view(page: Any, anchor: str) -> bool:
    """Whether some of an element is inside the window."""
    box = page.locator(f"#{anchor}").bounding_box()
    return box is not None and box["height"] > 0 and box["y"] < 800 and box["y"] + box["height"] > 0


def test_trace_of_a_requirement_says_what_was_asked_then_the_rows(
    dossier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["trace", str(dossier), "R1", "--at", "2"]) == 0
    text = capsys.readouterr().out
    assert text.startswith("R1 trueness.bias at 2: met\n  rule       equivalence\n")
    assert "in the plan max(0.15, 5 %)" in text
    assert re.search(r"row +90  P-089: .*\(as written: result 20.7\)", text)
    assert main(["trace", str(dossier), "R1"]) == 2
    assert "R1 exists at 0.5, 1, 2, 4, 7.5, 10; name one with --at." in capsys.readouterr().err
    assert main(["trace", str(dossier), "R99"]) == 2
    assert "The dossier has no requirement R99; it has R1, " in capsys.readouterr().err


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ([5], "rows 5"),
        ([2, 3, 4], "rows 2 to 4"),
        ([9, 2, 3, 5], "rows 2 to 3, 5 and 9"),
        (list(range(2, 40, 2)), "between rows 2 and 38"),
    ],
)
def test_lines_in_words(lines: list[int], words: str) -> None:
    assert in_ranges(lines) == words


def test_names_that_differ_in_signs_alone_have_anchors_of_their_own() -> None:
    places = Places(verdicts=Places.names([("R1", "OG-K"), ("R1", "OG K"), ("R1", -4.0), ("R1", 4.0), ("R1", "4")]))
    assert list(places.verdicts.values()) == [
        "r1-at-og-k", "r1-at-og-k-2", "r1-at-minus-4", "r1-at-4", "r1-at-4-2",
    ]  # fmt: skip
    assert places.trace("R2", None) == ""


def annex_of(study: Study, judgement: Judgement) -> list[Links]:
    """The entries of the annex for a study held in memory."""
    record = DossierRecord(
        study=study, judgement=judgement, evaluations={}, words={}, figures={}, alts={}, variants=(), issue="001",
        inputs={}, inputs_hash="", versions={}, timestamp=0, state_of_data="",
    )  # fmt: skip
    return [block for block in verdict_traces(record) if isinstance(block, Links)]


R1 = {"id": "R1", "quantity": "repeatability.s_r", "rule": "upper bound", "limit": 0.2}


def test_of_a_long_worksheet_the_rows_on_the_pages_are_linked_and_the_file_named() -> None:
    count = MOST_ROWS // 2 + 10
    levels = [*["2"] * count, *["4"] * count]
    results = [f"{float(level) + 0.01 * (n % 7):.2f}" for n, level in enumerate(levels)]
    runs = [str(n // 5 % 20) for n in range(2 * count)]
    study = small_study("precision", {"level": levels, "run": runs, "result": results}, requirements=[R1])
    (first, last) = annex_of(study, judge_study(study, evaluate(study, only=["repeatability"])))
    assert (first.anchor, last.anchor) == ("trace-r1-at-2", "trace-r1-at-4")
    words = " ".join(link.text for link in first.links)
    assert f"test.csv, {count} rows, rows 2 to {count + 1}, all in listings/precision.csv; on the pages:" in words
    assert [link.to for link in first.links][-10:] == [f"row-precision-{line}" for line in range(2, 12)]
    assert "raw-precision" in [link.to for link in first.links]


def test_one_reading_leads_to_itself_and_one_left_out_is_said() -> None:
    r2 = {"id": "R2", "quantity": "trueness.bias", "rule": "equivalence", "limit": 0.2}
    columns = {"level": ["4", "4"], "run": ["1", "1"], "result": ["4.02", "<0.1"], "assigned": ["4", "4"]}
    study = small_study("precision", columns, requirements=[r2])
    entries = annex_of(study, judge_study(study, evaluate(study, only=["trueness"])))
    assert [link.text for entry in entries for link in entry.links if link.to == "row-precision-2"] == ["2"]
    assert entries[-1].lead == "Left out of test.csv, whatever the level:"
    assert [link.text for link in entries[-1].links] == ["3 (censored)"]


def test_rows_that_all_levels_share_are_listed_once() -> None:
    rows = [(level, run, f"{level + 0.01 * run:.2f}") for level in (2, 4) for run in range(3) for _ in range(2)]
    columns = dict(zip(("level", "run", "result"), (list(map(str, c)) for c in zip(*rows, strict=True)), strict=True))
    study = small_study("precision", columns, requirements=[R1])
    judgement = judge_study(study, evaluate(study, only=["repeatability"]))
    every = tuple(reading.reading for reading in study.experiments["precision"].readings)
    shared = [replace(q, readings=every) for q in judgement.evaluations[0].judged]
    evaluation = replace(judgement.evaluations[0], judged=tuple(shared))
    first, second, rows_of_both = annex_of(study, replace(judgement, evaluations=(evaluation,)))
    assert first.links[-1] == second.links[-1] == Link("Rows: below.", rows_of_both.anchor)
    assert len([link for link in rows_of_both.links if link.to.startswith("row-")]) == 12
