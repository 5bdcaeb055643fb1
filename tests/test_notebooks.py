"""The notebooks as committed, and the tables they show. That every cell runs is checked by nbval, see pyproject."""

from __future__ import annotations

import ast
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import nbformat
import pytest

from validation import resources
from validation.characteristics.registry import characteristics
from validation.judging.outcomes import evaluate, judge_study
from validation.running.kernels import KernelSource
from validation.running.notebooks import PARAMETERS, execute
from validation.study.load import load_study
from validation.study.quantity import Evaluation

FOLDER = resources.folder("notebooks")
NAMES = sorted(characteristics())


def code_cells(name: str) -> list[nbformat.NotebookNode]:
    notebook = nbformat.read(FOLDER / f"{name}.ipynb", as_version=4)
    nbformat.validate(notebook)
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_is_committed_without_outputs_and_in_one_form(name: str) -> None:
    assert all(not cell.outputs and cell.execution_count is None for cell in code_cells(name))
    raw = (FOLDER / f"{name}.ipynb").read_bytes()
    content = json.loads(raw)
    assert raw.decode("utf-8") == json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    assert (content["nbformat"], content["nbformat_minor"]) == (4, 5)
    assert content["metadata"]["kernelspec"]["name"] == "python3"


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_declares_the_three_parameters_as_commented_literals(name: str) -> None:
    (cell,) = [cell for cell in code_cells(name) if "parameters" in cell.metadata.get("tags", [])]
    assigned = {}
    for statement in ast.parse(cell.source).body:
        assert isinstance(statement, ast.Assign)
        (target,) = statement.targets
        assert isinstance(target, ast.Name)
        assigned[target.id] = ast.literal_eval(statement.value)
    assert tuple(assigned) == PARAMETERS
    assert all("#" in line for line in cell.source.splitlines())


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_calls_and_computes_nothing(name: str) -> None:
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda, ast.BinOp, ast.For, ast.While, ast.If)
    imported = set()
    for cell in code_cells(name):
        tree = ast.parse(cell.source)
        assert not [node for node in ast.walk(tree) if isinstance(node, kinds)], cell.source
        imported |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        assert not [node for node in ast.walk(tree) if isinstance(node, ast.Import)], cell.source
    assert imported == {"validation.notebook"}


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_shows_every_figure_of_its_chapter_and_saves_last(name: str) -> None:
    cells = [cell.source for cell in code_cells(name)]
    drawn = re.findall(r'chapter\.figure\("(\w+)"\)', "\n".join(cells))
    assert drawn == list(characteristics()[name].figures)
    assert cells[-1] == "chapter.save()"
    assert f'open_chapter("{name}", {", ".join(PARAMETERS)})' in cells[1]


class Table(HTMLParser):
    """The rows of an HTML table as texts."""

    def __init__(self, html: str):
        super().__init__()
        self.rows: list[list[str]] = []
        self._inside = False
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th"):
            self.rows[-1].append("")
            self._inside = True

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._inside = False

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.rows[-1][-1] += data


def number(text: str) -> float | str | None:
    if text in ("None", "NaN", ""):
        return None
    try:
        return float(text)
    except ValueError:
        return text


def agrees(shown: str, value: float | str | None) -> bool:
    """Equal, to half a unit of the last digit that is shown."""
    read = number(shown)
    if read is None or value is None or isinstance(read, str) or isinstance(value, str):
        return read == value
    digits, _, power = shown.partition("e")
    unit = 10.0 ** (int(power or 0) - len(digits.partition(".")[2]))
    return abs(read - value) <= unit / 2 * (1 + 1e-9)


@pytest.mark.parametrize(
    ("shown", "value", "expected"),
    [("0.028333", 0.0283333, True), ("0.028333", 0.0283336, False), ("1.2e-05", 1.24e-5, True), ("None", 0.0, False)],
)
def test_agreement_can_fail(shown: str, value: float, expected: bool) -> None:
    assert agrees(shown, value) is expected


@pytest.fixture(scope="module")
def results() -> list[dict]:
    """The quantities of results.json for the demonstration study, computed in this process."""
    study = load_study(resources.folder("demo_data") / "new-grade")
    return judge_study(study, evaluate(study)).results()["quantities"]


@pytest.mark.parametrize("name", ["trueness", "reproducibility", "comparison"])
def test_the_table_of_an_executed_notebook_is_that_of_results_json(
    name: str, results: list[dict], tmp_path: Path
) -> None:
    saved = tmp_path / "saved"
    saved.mkdir()
    parameters = {"study_folder": "", "output_folder": str(saved), "draft": False}
    with KernelSource() as kernels:
        executed = execute(FOLDER / f"{name}.ipynb", tmp_path / f"{name}.ipynb", parameters, tmp_path, kernels)
    (cell,) = [cell for cell in nbformat.read(executed, as_version=4).cells if cell.get("id") == "estimates"]
    head, *rows = Table(cell.outputs[0]["data"]["text/html"]).rows
    wanted = [quantity for quantity in results if quantity["key"].startswith(f"{name}.")]
    handed_over = Evaluation.from_dict(json.loads((saved / f"{name}.json").read_text(encoding="utf-8")))
    assert [quantity.results() for quantity in handed_over.quantities] == wanted
    assert len(rows) == len(wanted) > 0
    for row, quantity in zip(rows, wanted, strict=True):
        cells = dict(zip(head, row, strict=True))
        low, high = quantity["interval"] or (None, None)
        assert cells["key"] == quantity["key"]
        assert cells["unit"] == quantity["unit"]
        assert agrees(cells["at"], quantity["at"])
        assert agrees(cells["value"], quantity["value"])
        assert agrees(cells["low"], low)
        assert agrees(cells["high"], high)
        assert agrees(cells["degrees of freedom"], quantity["degrees_of_freedom"])
        assert agrees(cells["n"], quantity["n"])
