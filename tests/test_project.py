"""What holds the project together: its layers, its folders, its documents. Nothing here looks at a number."""

from __future__ import annotations

import ast
import importlib
import re
import sys
import tomllib
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import validation
from validation.characteristics.registry import characteristics, known_keys
from validation.judging.outcomes import evaluate, judge_study
from validation.study.load import load_study

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "validation"
TABLE = (ROOT / "docs" / "architecture.md").read_text(encoding="utf-8")
NAMES = sorted(characteristics())

#: Folders and files whose every line is ours.
OURS = [
    "validation",
    "notebooks",
    "templates",
    "demo_data",
    "docs",
    "tests",
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
]
TEXTS = (".py", ".md", ".ipynb", ".j2", ".typ", ".yaml", ".csv", ".toml", ".txt", ".lock", ".svg")

#: How distributions of the table are imported.
IMPORTED_AS = {
    "PyYAML": {"yaml"},
    "pydantic": {"pydantic", "pydantic_core"},
    "jinja2": {"jinja2", "markupsafe"},
    "jupyter": {"jupyter_client", "jupyter_core"},
}


def our_files() -> list[Path]:
    found = []
    for name in OURS:
        path = ROOT / name
        found += [path] if path.is_file() else sorted(item for item in path.rglob("*") if item.suffix in TEXTS)
    return found


# Layers ----------------------------------------------------------------------------------------------------------


def layer_rows() -> dict[str, tuple[list[str], str]]:
    """Layer -> (its folders and modules, what it imports), from the table of docs/architecture.md."""
    rows = {}
    for line in TABLE.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split(" | ")]
        if line.startswith("| ") and len(cells) == 4 and cells[0] != "layer":
            rows[cells[0]] = (re.findall(r"`([^`]+)`", cells[1]), cells[2])
    return rows


LAYERS = layer_rows()


def layer_of(module: str) -> str:
    """The layer of a module such as `validation.study.load`."""
    place = module.removeprefix("validation.").replace(".", "/")
    for layer, (places, _) in LAYERS.items():
        if any(place.startswith(item) or f"{place}/" == item or f"{place}.py" == item for item in places):
            return layer
    raise AssertionError(f"{module} stands in no layer of docs/architecture.md")


def allowed_of(layer: str) -> tuple[set[str], set[str], set[str]]:
    """Layers, single modules and distributions' import names that the table allows to a layer."""
    order = list(LAYERS)
    layers, modules, others = {layer}, set(), set()
    for item in re.sub(r"\([^)]*\)", "", LAYERS[layer][1]).split(","):
        name = item.strip().strip("`")
        if name == "everything above":
            layers |= set(order[: order.index(layer)])
            others |= {other for above in order[: order.index(layer)] for other in allowed_of(above)[2]}
        elif name in LAYERS:
            layers.add(name)
        elif name.endswith(".py"):
            modules.add(f"validation.{name.removesuffix('.py').replace('/', '.')}")
        elif name != "nothing":
            others |= IMPORTED_AS.get(name, {name})
    return layers, modules, others


def imports_of(path: Path) -> set[str]:
    """Every module that a file imports, also inside functions and for types alone, and those named to importlib."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: imports are written in full"
            base = node.module or ""
            for alias in node.names:
                inner = PACKAGE.parent / f"{base}.{alias.name}".replace(".", "/")
                inside = inner.is_dir() or inner.with_suffix(".py").is_file()
                found.add(f"{base}.{alias.name}" if base.startswith("validation") and inside else base)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            found |= {node.value} if re.fullmatch(r"validation\.[a-z_.]+[a-z]", node.value) else set()
    return {name for name in found if name.split(".")[0] not in sys.stdlib_module_names}


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


MODULES = [path for path in sorted(PACKAGE.rglob("*.py")) if path != PACKAGE / "__init__.py"]


def test_the_table_of_layers_is_read() -> None:
    assert list(LAYERS) == [
        "base", "stats", "simulation", "study", "figures", "characteristics", "judging", "notebook", "audit",
        "dossier", "selftest", "running", "command line",
    ]  # fmt: skip
    assert allowed_of("stats") == ({"stats"}, set(), {"numpy", "scipy", "statsmodels"})


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_a_module_imports_what_its_layer_may(path: Path) -> None:
    layers, modules, others = allowed_of(layer_of(module_name(path)))
    for name in sorted(imports_of(path)):
        if name == "validation":  # the version
            continue
        if name.startswith("validation."):
            assert name in modules or layer_of(name) in layers, f"{module_name(path)} imports {name}"
        else:
            assert name.split(".")[0] in others, f"{module_name(path)} imports {name}"


def public_statistics() -> list[tuple[Path, str]]:
    """Every public function and class of validation/stats, with its module."""
    return [
        (path, node.name)
        for path in sorted((PACKAGE / "stats").glob("*.py"))
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
    ]


def test_every_public_statistic_is_called_in_the_package() -> None:
    # A statistic that only tests call is none of this program's.
    named: dict[Path, dict[str, set[str]]] = {}
    for path in MODULES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        named[path] = {}
        for node in tree.body:  # what a function or class says of itself is no call
            names = {item.id for item in ast.walk(node) if isinstance(item, ast.Name)}
            names |= {item.attr for item in ast.walk(node) if isinstance(item, ast.Attribute)}
            names.discard(getattr(node, "name", ""))
            named[path].setdefault(getattr(node, "name", ""), set()).update(names)
    used = {name for parts in named.values() for names in parts.values() for name in names}
    assert not [f"{path.stem}.{name}" for path, name in public_statistics() if name not in used]


def test_a_layer_never_imports_from_below() -> None:
    order = list(LAYERS)
    for layer in order:
        layers, _, _ = allowed_of(layer)
        assert all(order.index(other) <= order.index(layer) for other in layers)


def named_edges() -> set[tuple[str, str]]:
    """Imports that no line of code shows: the registry finds the chapters, notebook and redrawing their figures."""
    found = {("validation.characteristics.registry", f"validation.characteristics.{name}") for name in NAMES}
    for user in ("validation.notebook", "validation.dossier.redrawn"):
        found |= {(user, f"validation.figures.{name}") for name in NAMES}
    return found


def test_no_file_imports_itself_by_way_of_others() -> None:
    files = {module_name(path).removesuffix(".__init__") for path in MODULES}
    graph: dict[str, set[str]] = {name: set() for name in files}
    for path in MODULES:
        name = module_name(path).removesuffix(".__init__")
        # A package is imported by its own modules alone where they name it; its parts come before it.
        graph[name] |= {other for other in imports_of(path) if other in files and other != name}
    for user, used in named_edges():
        graph[user].add(used)
    TopologicalSorter(graph).prepare()  # raises CycleError, which names the circle


def test_the_registry_is_imported_by_no_chapter() -> None:
    chapters = [path for path in MODULES if module_name(path).startswith("validation.characteristics")]
    users = [path for path in chapters if "validation.characteristics.registry" in imports_of(path)]
    assert [path.name for path in users] == []


@pytest.mark.parametrize("layer", LAYERS)
def test_the_table_allows_nothing_that_is_not_used(layer: str) -> None:
    if "everything above" in LAYERS[layer][1]:
        above = {other for item in list(LAYERS)[: list(LAYERS).index(layer)] for other in allowed_of(item)[2]}
    else:
        above = set()
    used = {name for path in MODULES if layer_of(module_name(path)) == layer for name in imports_of(path)}
    roots = {name.split(".")[0] for name in used}
    layers, modules, others = allowed_of(layer)
    assert modules <= used
    assert others - above - {"pydantic_core", "jupyter_core"} <= roots
    if not above:
        mine = {layer_of(name) for name in used if name.startswith("validation.")}
        assert layers - {layer} <= mine


def test_functions_named_in_the_architecture_exist() -> None:
    spans = set(re.findall(r"`((?:[a-z_]+\.)+[A-Za-z_]+(?:\.[a-z_]+)*)`", TABLE))
    named = sorted(
        span
        for span in spans
        if not span.endswith((".py", ".json", ".csv", ".md"))
        and ((PACKAGE / span.split(".")[0]).is_dir() or span.startswith("notebook."))
    )
    assert len(named) > 20
    for span in named:
        parts = span.split(".")
        depth = next(
            n for n in range(len(parts), 0, -1) if (PACKAGE / "/".join(parts[:n])).with_suffix(".py").is_file()
        )
        found: object = importlib.import_module(".".join(["validation", *parts[:depth]]))
        for part in parts[depth:]:
            found = getattr(found, part)


def test_the_reading_that_the_architecture_follows_goes_that_way() -> None:
    study = load_study(ROOT / "demo_data" / "new-grade")
    judgement = judge_study(study, evaluate(study, only=["trueness"]))
    (reading,) = [item for item in study.experiments["precision"].readings if item.reading == "P-089"]
    (bias,) = [item for item in judgement.quantities if (item.key, item.at) == ("trueness.bias", 2.0)]
    (row,) = [item for item in judgement.requirements if (item.id, item.at) == ("R1", 2.0)]
    assert f"Row {reading.line} of `demo_data/new-grade/{reading.file}` is reading P-089" in TABLE
    assert f"`{reading.written['result']}`, keyed one place off" in TABLE
    assert f"2.0, with worksheet and the {len(bias.readings)} identifiers, P-089 among them" in TABLE
    assert f"error is {reading.values['result']} - {reading.values['assigned']}, exact" in TABLE
    assert "P-089" in bias.readings
    assert (bias.units, bias.unit_name) == (8, "runs")
    assert row.settled == "met"


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_no_text_is_computed_and_lost(path: Path) -> None:
    # Two strings on two lines are joined inside parentheses alone; outside, the second goes nowhere.
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        lost = isinstance(node, ast.Expr) and isinstance(node.value, ast.JoinedStr)
        assert not lost, f"{path.name}, line {node.lineno}"


# Characteristics -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "place",
    [
        "validation/characteristics/{}.py",
        "validation/figures/{}.py",
        "notebooks/{}.ipynb",
        "tests/test_{}.py",
        "docs/{}.md",
    ],
)
def test_a_characteristic_has_its_file_in_each_folder(name: str, place: str) -> None:
    file = ROOT / place.format(name)
    assert file.is_file() or (file.with_suffix("") / "__init__.py").is_file()


def test_no_figure_module_or_notebook_is_left_over() -> None:
    modules = {path.stem for path in (PACKAGE / "figures").glob("[a-z]*.py")} - {"style"}
    notebooks = {path.stem for path in (ROOT / "notebooks").glob("*.ipynb")}
    assert modules == notebooks == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_the_page_of_a_characteristic_names_every_key(name: str) -> None:
    text = (ROOT / "docs" / f"{name}.md").read_text(encoding="utf-8")
    keys = [info.key for info in characteristics()[name].keys]
    assert not [key for key in keys if f"`{key}`" not in text and f"`.{key.partition('.')[2]}`" not in text]


@pytest.mark.parametrize("key", sorted(known_keys()))
def test_a_key_says_what_it_is_how_it_is_computed_and_from_where(key: str) -> None:
    info = known_keys()[key]
    assert info.meaning.strip()
    assert info.formula.strip()
    assert info.source.strip()
    assert key.partition(".")[0] in characteristics()


def test_the_keys_of_the_main_job_are_known_without_running_it() -> None:
    # The list itself stands with the test of the run.
    from test_run import KEYS

    assert not set(KEYS) - set(known_keys())


# Documents -------------------------------------------------------------------------------------------------------

PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]


def anchors_of(text: str) -> set[str]:
    heads = re.findall(r"^#+ (.+)$", text, flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_links_lead_somewhere(page: Path) -> None:
    prose = re.sub(r"```.*?```|`[^`\n]*`", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    for target in re.findall(r"\]\(([^)\s]+)\)", prose):
        if re.match(r"[a-z]+:", target):
            continue
        file, _, anchor = target.partition("#")
        path = (page.parent / file).resolve() if file else page
        assert path.exists(), f"{page.name} links to {target}"
        if anchor:
            assert anchor in anchors_of(path.read_text(encoding="utf-8")), f"{page.name} links to {target}"


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_files_named_in_the_documents_exist(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    spans = re.findall(r"`((?:validation|tests|docs|notebooks|demo_data|templates|\.ci)/[\w./-]*)`", text)
    missing = [span for span in spans if "NAME" not in span and not (ROOT / span).exists()]
    assert not missing


def test_every_page_is_reached_from_the_readme() -> None:
    seen: set[Path] = set()
    waiting = [ROOT / "README.md"]
    while waiting:
        page = waiting.pop()
        if page in seen or page.suffix != ".md":
            continue
        seen.add(page)
        links = re.findall(r"\]\(([^)\s#]+)[^)]*\)", page.read_text(encoding="utf-8"))
        waiting += [(page.parent / link).resolve() for link in links if not re.match(r"[a-z]+:", link)]
    assert not sorted(path.name for path in PAGES if path.resolve() not in {other.resolve() for other in seen})


def test_the_first_two_blocks_of_the_readme_set_up_show_and_test() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    first, second = re.findall(r"^```\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)[:2]
    assert (first.count("\n"), second.count("\n")) == (1, 1)  # each is pasted as one line
    assert re.fullmatch(r"python3 -m venv \S+ && \S+ -m pip install -e \. && \S+/validation demo\n", first)
    assert re.search(r'pip install -e "\.\[test\]" && \S+ -m pytest', second)


def test_the_version_is_written_once_and_the_types_are_shipped() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["project"]["dynamic"] == ["version"]
    assert project["tool"]["hatch"]["version"] == {"path": "validation/__init__.py"}
    latest = re.search(r"^## (\S+)$", (ROOT / "docs" / "CHANGES.md").read_text(encoding="utf-8"), flags=re.MULTILINE)
    assert latest is not None
    assert latest[1] == validation.__version__
    assert "Typing :: Typed" in project["project"]["classifiers"]
    assert (PACKAGE / "py.typed").read_bytes() == b""


def test_no_path_of_one_machine_is_written_down() -> None:
    # Put together here, so that this file does not hold them itself.
    folders = "|".join(["ho" + "me", "Us" + "ers", "ro" + "ot", "tm" + "p", "wo" + "rk", "op" + "t", "mn" + "t"])
    machine = re.compile(rf"(?<![\w.:/\-])/(?:{folders})/\w|\b[A-Z]:\\\\?(?:Us" + r"ers|Te" + r"mp)\b")
    found = [
        f"{path.relative_to(ROOT)}: {match.group()}"
        for path in our_files()
        if (match := machine.search(path.read_text(encoding="utf-8", errors="replace")))
    ]
    assert not found
