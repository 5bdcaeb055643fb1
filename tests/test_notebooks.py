"""The notebooks as committed, and what they show, also as the run of the demonstration left them.

Each is executed once, by that run. In the thorough run nbval executes all of them again, as they are committed.
"""

from __future__ import annotations

import ast
import hashlib
import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import nbformat
import pandas as pd
import papermill
import pytest
from papermill.exceptions import PapermillExecutionError
from study_folder import PLAN, write_study

from validation import resources
from validation.characteristics.registry import characteristics
from validation.faults import Refusal
from validation.judging.outcomes import evaluate, judge_study
from validation.notebook import PARAMETERS, open_chapter
from validation.running.notebooks import PARAMETERS as OF_A_RUN
from validation.study.load import load_study
from validation.worked import Sentences, WorkedCells, refuse_unknown_parameters

FOLDER = resources.folder("notebooks")
REAL = Path(__file__).parent / "real_studies"
NAMES = sorted(characteristics())
MARK = "%%worked\n"
#: A plan without requirements.
BARE = PLAN.split("requirements:")[0]


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
    assert tuple(assigned) == PARAMETERS == OF_A_RUN
    assert all("#" in line for line in cell.source.splitlines())


def is_worked(cell: nbformat.NotebookNode) -> bool:
    return cell.source.startswith(MARK)


def tree_of(cell: nbformat.NotebookNode) -> ast.Module:
    return ast.parse(cell.source.removeprefix(MARK))


NOWHERE = (
    *(ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda),
    *(ast.For, ast.While, ast.If, ast.With, ast.Try, ast.Global),
)
IN_WORKED_CELLS = (ast.BinOp, ast.UnaryOp, ast.Compare, ast.ListComp, ast.DictComp, ast.GeneratorExp, ast.IfExp)


@pytest.mark.parametrize("name", NAMES)
def test_a_cell_defines_nothing_and_only_worked_cells_compute(name: str) -> None:
    for cell in code_cells(name):
        nodes = list(ast.walk(tree_of(cell)))
        assert not [node for node in nodes if isinstance(node, NOWHERE)], cell.source
        if not is_worked(cell):
            assert not [node for node in nodes if isinstance(node, IN_WORKED_CELLS)], cell.source
        texts = [node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)]
        assert not [text for text in texts if "\\" in text or re.search(r"\w/\w|\.csv|\.yaml", text)], cell.source


@pytest.mark.parametrize("name", NAMES)
def test_a_worked_cell_is_small(name: str) -> None:
    for cell in filter(is_worked, code_cells(name)):
        body = [node for node in tree_of(cell).body if not isinstance(node, ast.Import | ast.ImportFrom)]
        assert len(body) <= 5, cell.source
        assert isinstance(body[-1], ast.Expr), cell.source  # the last line shows something
        assert max(len(line) for line in cell.source.splitlines()) <= 130, cell.source
        computed = [node for node in ast.walk(tree_of(cell)) if isinstance(node, ast.BinOp)]
        assert len(computed) <= 7, cell.source  # as the longest formula, a critical value, needs


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_imports_public_statistics(name: str) -> None:
    modules = set()
    for cell in code_cells(name):
        for node in ast.walk(tree_of(cell)):
            if isinstance(node, ast.Import):
                assert [item.name for item in node.names] == ["pandas"]
            elif isinstance(node, ast.ImportFrom):
                modules.add(node.module)
                assert not [item.name for item in node.names if item.name.startswith("_")]
    statistics = {module for module in modules if module.startswith("validation.stats.")}
    assert statistics
    further = {"validation.notebook", "validation.study.lot_record", "validation.study.lot_values"}
    assert modules - statistics <= {*further, "validation.study.decision_rule"}


@pytest.mark.parametrize("name", NAMES)
def test_a_worked_part_goes_from_a_goal_to_the_number_of_the_chapter(name: str) -> None:
    cells = [cell for cell in code_cells(name) if is_worked(cell)]
    assert cells[0].id == "worked-goal"
    assert "goal = chapter.goal(" in cells[0].source
    assert any(".beside(" in cell.source for cell in cells)
    ids = [cell.id for cell in nbformat.read(FOLDER / f"{name}.ipynb", as_version=4).cells]
    assert all(f"about-{cell.id}" in ids for cell in cells if cell.id != "worked-contrast")


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_shows_every_figure_of_its_chapter_and_saves_last(name: str) -> None:
    cells = [cell.source for cell in code_cells(name)]
    drawn = re.findall(r'chapter\.figure\("(\w+)"\)', "\n".join(cells))
    assert drawn == list(characteristics()[name].figures)
    assert cells[-1] == "chapter.save()"
    opened = f'chapter = open_chapter("{name}", {", ".join(PARAMETERS)})'
    assert cells[1] == f"from validation.notebook import open_chapter\n\n{opened}\nchapter"


def shown_by(name: str, study: Path | None) -> dict[str, Any]:
    """What each code cell of a notebook shows, without a kernel; the notebook's names are those of a module."""
    names: dict[str, Any] = {"study_folder": "" if study is None else str(study), "output_folder": "", "draft": False}
    cells, shown = WorkedCells(names), {}
    for cell in code_cells(name)[1:]:
        if is_worked(cell):
            shown[cell.id] = cells.run("", cell.source.removeprefix(MARK))
        elif cell.id == "open":
            exec(cell.source, names)
            shown[cell.id] = names["chapter"]
    return shown


def set_beside(shown: dict[str, Any]) -> list[pd.DataFrame]:
    """The tables that set a number worked out on the page beside the chapter's."""
    tables = [item for item in shown.values() if isinstance(item, pd.DataFrame)]
    return [table for table in tables if "the same" in table.columns]


def unlike(tables: list[pd.DataFrame]) -> list[str]:
    """Rows in which the two numbers differ by more than rounding, whatever the table says of them."""
    rows = [row for table in tables for row in table.itertuples()]
    return [str(row) for row in rows if row[1] != pytest.approx(row[2], rel=1e-9) or row[3] != "yes"]


@pytest.mark.parametrize("name", NAMES)
def test_the_worked_number_is_the_chapters_in_the_demonstration(name: str) -> None:
    shown = shown_by(name, None)
    reasons = [str(item) for item in shown.values() if isinstance(item, Sentences)]
    if name == "recovery":  # not part of the demonstration
        assert len(reasons) == 1
        assert reasons[0].startswith("Not computed: The plan has no recovery experiment")
        return
    assert reasons == []
    assert set_beside(shown)
    assert unlike(set_beside(shown)) == []


@pytest.mark.parametrize(
    ("study", "name"),
    [
        *[("coop", name) for name in ("repeatability", "intermediate_precision", "reproducibility")],
        *[
            (study, name)
            for study in ("nist-sirstv", "nist-smls07")
            for name in ("repeatability", "intermediate_precision")
        ],
        *[(study, "comparison") for study in ("flow-meters", "ironslag", "phytic-acid")],
        *[(study, "calibration") for study in ("dnase", "formaldehyde", "lactic", "nist-norris")],
    ],
)
def test_the_worked_number_is_the_chapters_in_real_studies(study: str, name: str) -> None:
    shown = shown_by(name, REAL / study)
    assert set_beside(shown)
    assert unlike(set_beside(shown)) == []


def test_the_worked_recovery_is_the_chapters(tmp_path: Path) -> None:
    # Diluted by hand: before 2.0 counts with 0.97 (3 % added); (4.94 - 1.94)/3 = 1.
    sheet = (
        "reading,sample,added,u_added,result\nA-1,U1,0,0,2.0\nA-2,U1,0,0,2.1\nA-3,U1,3,0.02,4.94\nA-4,U1,3,0.02,5.0\n"
    )
    shown = shown_by("recovery", write_study(tmp_path, {"recovery": sheet}, plan=BARE))
    (table,) = set_beside(shown)
    assert unlike([table]) == []
    # By hand: 3 % added, so what was there before counts with 0.97.
    assert table["worked out here"].iloc[0] == pytest.approx((4.97 - 2.05 * 0.97) / 3, rel=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_what_a_study_lacks_is_said_once_and_stops_nothing(name: str, tmp_path: Path) -> None:
    shown = shown_by(name, write_study(tmp_path, {"precision": "reading,level,run,result\nP-1,A,1,4.0\n"}, plan=BARE))
    assert str(shown["worked-goal"]).startswith("Not computed: ")
    assert [item for key, item in shown.items() if key.startswith("worked-") and item is not None] == [
        shown["worked-goal"]
    ]


def test_a_step_says_why_and_steps_that_build_on_it_stay_empty() -> None:
    cells = WorkedCells({})
    assert cells.run("", "a = 2\na") == 2
    assert str(cells.run("", "b = a.missing\nb")) == (
        "Not computed: a number that this step needs does not exist in this study."
    )
    assert cells.run("", "b + 1") is None
    assert cells.run("", "a + 1") == 3
    assert str(WorkedCells({}).run("", "misspelt")) == "Not computed: name 'misspelt' is not defined."


def test_a_number_that_differs_is_not_called_the_same() -> None:
    goal = open_chapter("trueness").goal("bias")
    assert list(goal.beside(goal.value * 1.000001)["the same"]) == ["no"]
    assert list(goal.beside(goal.quantity.estimate.scaled(2.0))["the same"]) == ["no", "no", "no"]


# The first output, and parameters -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_the_first_output_names_the_study(name: str) -> None:
    lines = str(shown_by(name, None)["open"]).splitlines()
    assert lines[:2] == ["VS-2026-07: Fuel dilution of grade OG-N with blend FB-7", "Quillmere Condition Laboratory"]
    assert lines[2] == "The demonstration study, invented throughout: study_folder is empty."
    plan = resources.folder("demo_data") / "new-grade" / "plan.yaml"
    assert hashlib.sha256(plan.read_bytes()).hexdigest()[:12] in lines[4]


def test_the_first_output_names_a_given_folder_and_counts_what_enters() -> None:
    text = str(shown_by("calibration", REAL / "lactic")["open"])
    with (REAL / "lactic" / "worksheets" / "calibration.csv").open(encoding="utf-8") as file:
        count = len(file.readlines()) - 1
    assert "The study in the folder lactic, as study_folder says." in text
    assert f"{count} readings of worksheets/calibration.csv enter." in text
    assert str(REAL) not in text


@pytest.mark.thorough
def test_papermill_cannot_hand_over_an_unknown_parameter(tmp_path: Path) -> None:
    with pytest.raises(PapermillExecutionError, match="does not know the parameter stduy_folder") as stopped:
        papermill.execute_notebook(
            str(FOLDER / "trueness.ipynb"),
            str(tmp_path / "out.ipynb"),
            parameters={"stduy_folder": "somewhere"},
            kernel_name="python3",
            progress_bar=False,
        )
    assert "it knows study_folder, output_folder, draft. Instead of stduy_folder, write study_folder." in str(
        stopped.value
    )


NOTEBOOK: dict[str, object] = {"study_folder": "", "output_folder": "", "draft": False}


@pytest.mark.parametrize("extra", [{"stduy_folder": "x"}, {"confidence": 0.9}, {"levels": [1, 2]}, {"Draft": None}])
def test_a_plain_value_beside_the_parameters_is_refused(extra: dict[str, object]) -> None:
    with pytest.raises(Refusal, match=f"does not know the parameter {next(iter(extra))}; it knows study_folder"):
        refuse_unknown_parameters({**NOTEBOOK, **extra}, PARAMETERS, opened=False)


def test_what_a_kernel_or_the_page_itself_has_made_is_no_parameter() -> None:
    kernel: dict[str, object] = {"In": ["", "x"], "Out": {}, "exit": 1, "_dh": ["/"], "_i1": "x", "_": 4, "pd": pd}
    refuse_unknown_parameters({**NOTEBOOK, **kernel}, PARAMETERS, opened=False)
    # Run again: worked numbers are there by now; a parameter that is misspelt since is still refused.
    worked: dict[str, object] = {**kernel, "t": 2.3, "n": 10, "runs": [[1.0]], "ratio": 1.0}
    refuse_unknown_parameters({**NOTEBOOK, **worked}, PARAMETERS, opened=True)
    with pytest.raises(Refusal, match="study_foler"):
        refuse_unknown_parameters({**NOTEBOOK, **worked, "study_foler": "x"}, PARAMETERS, opened=True)
    # A module that calls open_chapter and declares no parameters is none of a notebook's business.
    refuse_unknown_parameters({"LIMIT": 3}, PARAMETERS, opened=False)


@pytest.mark.parametrize("name", ["detection", "ruggedness"])
def test_a_notebook_can_be_opened_again_in_the_same_kernel(name: str) -> None:
    names = dict(NOTEBOOK)
    cells, opened = WorkedCells(names), []
    for cell in [*code_cells(name)[1:], code_cells(name)[1]]:
        if is_worked(cell):
            cells.run("", cell.source.removeprefix(MARK))
        elif cell.id == "open":
            exec(cell.source, names)
            opened.append(names["chapter"])
    assert len(opened) == 2
    assert str(opened[0]) == str(opened[1])


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


# As executed --------------------------------------------------------------------------------------------------------


def executed_cells(dossier: Path, name: str) -> list[nbformat.NotebookNode]:
    notebook = nbformat.read(dossier / "notebooks" / f"{name}.ipynb", as_version=4)
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


@pytest.mark.parametrize("name", NAMES)
def test_the_run_executed_every_cell_as_it_is_committed(name: str, dossier: Path) -> None:
    cells = executed_cells(dossier, name)
    (handed_over,) = [cell for cell in cells if "injected-parameters" in cell.metadata.get("tags", [])]
    cells.remove(handed_over)
    assert [cell.source for cell in cells] == [cell.source for cell in code_cells(name)]
    assert [cell.execution_count for cell in cells] == [1, *range(3, len(cells) + 2)]
    assert not [output for cell in cells for output in cell.outputs if output.output_type == "error"]
    shown = [cell.outputs for cell in cells if "chapter.figure(" in cell.source or cell.id == "estimates"]
    assert all(shown) != (name == "recovery")  # of which the demonstration has no readings


@pytest.mark.thorough
@pytest.mark.parametrize("name", NAMES)
def test_nbval_executes_a_notebook_as_it_is_committed(name: str) -> None:
    # Without a study: on the demonstration that comes with the program. In a kernel of this interpreter.
    command = [sys.executable, "-m", "pytest", "-p", "no:xdist", "-p", "no:cacheprovider", "-o", "addopts="]
    nbval = ["-q", "--nbval-lax", "--nbval-current-env", "--rootdir", str(FOLDER), str(FOLDER / f"{name}.ipynb")]
    done = subprocess.run([*command, *nbval], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"{len(code_cells(name))} passed" in done.stdout


@pytest.fixture(scope="module")
def results() -> list[dict]:
    """The quantities of results.json for the demonstration study, computed in this process."""
    study = load_study(resources.folder("demo_data") / "new-grade")
    return json.loads(json.dumps(judge_study(study, evaluate(study)).results()["quantities"]))


def test_the_kernels_hand_over_what_this_process_computes(results: list[dict], dossier: Path) -> None:
    assert json.loads((dossier / "results.json").read_text(encoding="utf-8"))["quantities"] == results


@pytest.mark.parametrize("name", [name for name in NAMES if name != "recovery"])
def test_the_table_of_an_executed_notebook_is_that_of_results_json(
    name: str, results: list[dict], dossier: Path
) -> None:
    (cell,) = [cell for cell in executed_cells(dossier, name) if cell.get("id") == "estimates"]
    head, *rows = Table(cell.outputs[0]["data"]["text/html"]).rows
    wanted = [quantity for quantity in results if quantity["key"].startswith(f"{name}.")]
    wanted = [quantity for quantity in wanted if quantity["at"] != "by performance"]  # made where it is judged
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
