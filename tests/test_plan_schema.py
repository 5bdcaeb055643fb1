"""The JSON Schema of plan.yaml: that of the reader, for every plan here, and against ways to get its shape wrong."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from study_folder import PLAN

from validation.characteristics.registry import known_keys
from validation.judging.requirements import judged_keys, requirement_faults
from validation.study.design import Design
from validation.study.experiments import EXPERIMENTS
from validation.study.grammar import Limit
from validation.study.plan import Plan, parse_plan
from validation.study.plan_schema import plan_schema
from validation.study.start import start_study
from validation.study.yaml_reading import read_yaml

ROOT = Path(__file__).parent.parent
COMMITTED = json.loads((ROOT / "docs" / "plan.schema.json").read_text(encoding="utf-8"))
VALIDATOR = Draft202012Validator(COMMITTED)
PLANS = sorted([*(ROOT / "demo_data").rglob("plan*.yaml"), *(ROOT / "tests" / "real_studies").rglob("plan.yaml")])
SMALL = PLAN.format(experiments="  precision: {worksheet: worksheets/precision.csv}")
#: A plan that uses whatever may be stated, in each of the ways in which it may be.
WHOLE = (
    (
        SMALL.replace("rule: point", "rule: inside, content: 0.9")
        .replace("intermediate_precision.s_I, at: 4.0", "accuracy.tolerance_low, at: 4.0")
        .replace("  unit:", "  grade: OG-N\n  customer_limits: 2.0\n  time_zone: UTC\n  unit:")
        .replace(
            "  precision:",
            "  calibration: {worksheet: worksheets/c.csv, routine_level: 5.0, response_unit: Hz, order_seed: 7}\n"
            '  ruggedness: {worksheet: worksheets/r.csv, factors: {time: {low: "30 s", high: "60 s"}}, nominal: 5.0}\n'
            '  stability: {worksheet: worksheets/s.csv, allowed_change: "2.5%", planned_time: 14}\n'
            "  precision:",
        )
        .replace("worksheets/precision.csv}", "worksheets/precision.csv, published_r: {2.0: 0.2, 4.0: 0.3}}")
    )
    + """\
people: [A1, {name: A2, role: analyst}]
equipment:
  BAL-1: {certificate: C-7, valid_until: 2027-01-31}
  SAW-1: sensor
standards:
  - {name: S-01, value: 5.0, uncertainty: 0.03, lot_record: standards/S-01.yaml, expires: 2027-01-31}
exports:
  - file: records/export-R5.csv
    experiment: precision
    header: 2
    delimiter: tab
    decimal: ","
    encoding: cp1252
    columns: {order: No., result: "Fuel [%]"}
    match: [run, order]
    rows: {run: R5}
lots: {in_use: S-01, allowed_step: "max(0.1, min(3%, sum(0.2, 1%)))"}
not_evaluated:
uncertainty:
  bias: correct
  components:
    - {name: oil, size: "2%", origin: "four batches"}
    - {name: rounding, half_width: 0.005, shape: rectangular}
    - {name: sample reading, from: repeatability.s_r, at: 4.0, readings: 2, degrees_of_freedom: 8}
    - {name: fuel, negligible: "one blend"}
audit:
  standing: {kind: validation, reason: own grade}
  editions: [{document: ISO 5725-2, edition: "2019", current_on: 2026-02-16, used_for: estimators}]
  reference_method: {name: GC, traceable_to: weighings, uncertainty: 2 %, record: QR-1}
  retention: {years: 10, format: PDF, place: archive}
  withdrawal: two runs outside
  proficiency: [{round: "2026-1", date: 2026-05-01, score: "0.4", looked_back: nothing}]
  authorisations: [{person: A1, task: measure, since: 2024-01-01}]
  assumptions: [fresh fuel]
  changes_since: nothing
  impartiality: nobody is paid by the verdict
  next_lot: read against the old one
verdict_draws: 2000
decision: {rule: guarded, guard: U, coverage: 0.95, limits: 4.0, agreed_on: 2026-02-20, rounding: 0.1}
"""
)


def value_of(text: str) -> Any:
    return read_yaml(text.encode("utf-8"), "plan.yaml").value


def complaints(text: str) -> list[str]:
    return [error.message for error in VALIDATOR.iter_errors(value_of(text))]


def test_the_schema_in_docs_is_that_of_the_reader() -> None:
    made = json.loads(json.dumps(plan_schema(judged_keys())))
    assert made == COMMITTED, "write it again: validation schema > docs/plan.schema.json"
    Draft202012Validator.check_schema(COMMITTED)


@pytest.mark.parametrize("path", PLANS, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_every_plan_of_the_repository_fits(path: Path) -> None:
    assert complaints(path.read_text(encoding="utf-8")) == []


def test_a_plan_that_states_everything_fits_and_is_read() -> None:
    plan, faults = parse_plan(WHOLE.encode("utf-8"))
    assert (faults, complaints(WHOLE)) == ([], [])
    assert plan is not None
    assert set(Plan.model_fields) == set(value_of(WHOLE)) == set(COMMITTED["properties"])


def test_the_plan_that_start_writes_fits(tmp_path: Path) -> None:
    design = Design(
        title="T", laboratory="L", range=(0.5, 10.0), grades=("A", "B"), lots=("S-1", "S-2"), states=("sealed",),
        factors=(("time", "30 s", "60 s"),), purges=("30 s",), fuels=("F", "G"), routine_level=5.0,
    )  # fmt: skip
    start_study(tmp_path / "s", design)
    text = (tmp_path / "s" / "plan.yaml").read_text(encoding="utf-8")
    assert complaints(text) == []
    assert complaints(re.sub(r"^  # - ", "  - ", text, flags=re.MULTILINE)) == []  # with the usual requirements


#: What is written for what; each is of a wrong shape, whatever the rest of the plan says.
BAD = {
    "an unknown key": ("confidence:", "confidance:"),
    "an unknown fact": ("  grade:", "  grad:"),
    "another format": ("format: 1", "format: 2"),
    "no title": ("  title: Fuel dilution\n", ""),
    "an empty title": ("title: Fuel dilution", 'title: " "'),
    "true for a title": ("title: Fuel dilution", "title: true"),
    "a name with a blank at its end": ("laboratory: Quillmere Condition Laboratory", 'laboratory: "Quillmere "'),
    "a unit in brackets": ('unit: "%"', 'unit: "[%]"'),
    "one end of a range": ("range: [0.5, 10.0]", "range: [0.5]"),
    "a range of texts": ("range: [0.5, 10.0]", 'range: ["0,5", "10"]'),
    "a text for limits": ("customer_limits: 2.0", 'customer_limits: "2 and 4"'),
    "a confidence in per cent": ("confidence: 0.95", "confidence: 95"),
    "a confidence as text": ("confidence: 0.95", 'confidence: "0.95"'),
    "no experiment": (SMALL.partition("experiments:\n")[2].partition("requirements")[0], "  {}\n"),
    "an unknown experiment": ("  precision:", "  precison:"),
    "a worksheet without a name": ("worksheet: worksheets/precision.csv", "worksheet:"),
    "no worksheet": ("worksheet: worksheets/precision.csv, ", ""),
    "a setting of another experiment": ("routine_level: 5.0", "planned_time: 5.0"),
    "a level as text": ("routine_level: 5.0", 'routine_level: "5.0"'),
    "half a seed": ("order_seed: 7", "order_seed: 7.5"),
    "a factor with one setting": ('{low: "30 s", high: "60 s"}', '{low: "30 s"}'),
    "a limit r of zero": ("4.0: 0.3}", "4.0: 0}"),
    "no days": ("planned_time: 14", "planned_time: 0"),
    "an unknown rule": ("rule: point", "rule: points"),
    "a content in per cent": ("content: 0.9", "content: 95"),
    "too few draws": ("verdict_draws: 2000", "verdict_draws: 20"),
    "no rule": ("rule: point, ", ""),
    "an unknown quantity": ("trueness.bias", "trueness.biass"),
    "a quantity that is never judged": ("trueness.bias", "calibration.mandel_p"),
    "no limit": ("limit: 0.18", "limit:"),
    "a limit cut at its comma": ('"max(0.15, 5%)"', "max(0.15, 5%)"),
    "a limit outside the grammar": ('"max(0.15, 5%)"', '"mean(0.15, 5%)"'),
    "a bracket too few": ('"max(0.15, 5%)"', '"max(0.15, 5%"'),
    "a limit that ends with a comma": ('"max(0.15, 5%)"', '"max(0.15, 5%,)"'),
    "a decimal comma": ("limit: 0.18", 'limit: "0,18"'),
    "an empty place": ("at: 4.0, rule", 'at: "", rule'),
    "an unknown key of a requirement": ("origin: \"half", "orgin: \"half"),
    "an unknown fact of equipment": ("certificate: C-7", "certificat: C-7"),
    "an end that is left empty": ("valid_until: 2027-01-31", "valid_until:"),
    "a person without a name": ("{name: A2, role: analyst}", "{role: analyst}"),
    "a value as text": ("value: 5.0", 'value: "5,0"'),
    "an unknown key of lots": ("in_use: S-01", "in_used: S-01"),
    "a component of two sizes": ('size: "2%", origin', 'size: "2%", negligible: "small", origin'),
    "a component of no size": ('size: "2%", origin', "origin"),
    "a half-width without a shape": ("half_width: 0.005, shape: rectangular", "half_width: 0.005"),
    "an unknown shape": ("shape: rectangular", "shape: normal"),
    "an unknown source": ("from: repeatability.s_r", "from: repeatability.sr"),
    "no degrees of freedom": ("degrees_of_freedom: 8", "degrees_of_freedom: 0"),
    "an unknown treatment of bias": ("bias: correct", "bias: ignore"),
    "a coverage in per cent": ("coverage: 0.95", "coverage: 95"),
    "a limit of zero": ("limits: 4.0", "limits: [0, 4.0]"),
    "a step of zero": ("rounding: 0.1", "rounding: 0"),
    "an unknown standing": ("kind: validation", "kind: calibration"),
    "an unknown task": ("task: measure", "task: measuring"),
    "an edition without its document": ("{document: ISO 5725-2, ", "{"),
    "no years": ("years: 10", "years: 0"),
    "an unknown key of audit": ("next_lot:", "next_lots:"),
    "an unknown decision rule": ("rule: guarded", "rule: guard"),
}  # fmt: skip


@pytest.mark.parametrize("change", BAD.values(), ids=BAD)
def test_a_shape_that_the_reader_refuses_is_refused(change: tuple[str, str]) -> None:
    text = WHOLE.replace(*change, 1) if change[0] in WHOLE else SMALL.replace(*change, 1)
    assert text not in (WHOLE, SMALL)
    plan, faults = parse_plan(text.encode("utf-8"))
    assert faults or (plan is not None and requirement_faults(plan))
    assert complaints(text)


def test_each_experiment_and_each_key_that_is_judged_can_be_chosen() -> None:
    experiments = COMMITTED["properties"]["experiments"]["properties"]
    assert set(experiments) == {*EXPERIMENTS, "standards"}
    for name, record in EXPERIMENTS.items():
        assert set(experiments[name]["properties"]) == {"worksheet", "order_seed", *(s.name for s in record.settings)}
    quantity = COMMITTED["$defs"]["Requirement"]["properties"]["quantity"]
    assert {key for key, info in known_keys().items() if info.rules} <= set(quantity["enum"])
    assert len(quantity["enum"]) == len(quantity["enumDescriptions"]) == len(set(quantity["enum"]))


def test_every_key_has_a_title_and_what_is_asked_says_what_it_is() -> None:
    plain = {"people", "equipment", "standards"}  # most of their facts are printed as they are
    stated = [*COMMITTED["properties"].items(), *COMMITTED["properties"]["experiments"]["properties"].items()]
    for model, content in COMMITTED["$defs"].items():
        if model.lower() not in {"person", *plain, "standard"}:
            stated += content["properties"].items()
    for name, content in stated:
        assert content["title"][0].isupper(), name
        assert content["description"].endswith((".", "...")), name
        assert "\n" not in content["description"]


PATTERN = re.compile(COMMITTED["$defs"]["Requirement"]["properties"]["limit"]["pattern"])
NUMBERS = st.sampled_from(["0.15", "5%", "-1", ".5", "1e-3", "2 %", " 3 ", "5%%", "1,5", "a", "", "max"])
LIMITS = st.recursive(
    NUMBERS,
    lambda part: st.tuples(
        st.sampled_from(["max", "MIN", "sum", "mean", ""]),
        st.sampled_from([", ", ",", " ", ",,"]),
        st.lists(part, max_size=3),
        st.sampled_from([")", ")", ")", "", ",)"]),
    ).map(lambda t: f"{t[0]}({t[1].join(t[2])}{t[3]}"),
    max_leaves=6,
)


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(LIMITS)
def test_the_pattern_of_a_limit_is_the_grammar(text: str) -> None:
    try:
        Limit.parse(text)
        readable = True
    except ValueError:
        readable = False
    depth = max([text[:end].count("(") - text[:end].count(")") for end in range(len(text) + 1)], default=0)
    if depth <= 3:  # deeper brackets are not written out
        assert bool(PATTERN.search(text)) == readable, text
