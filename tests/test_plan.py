"""plan.yaml: what it means, and every fault with line, key, what was found and the mend."""

from pathlib import Path

import pytest
import yaml

from validation.judging.requirements import requirement_faults
from validation.study.plan import Plan, parse_plan, plan_lines, read_plan

PLAN = """\
format: 1
study:
  id: VS-1
  title: Fuel dilution
  laboratory: Quillmere Condition Laboratory
  measurand: mass fraction of fuel
  unit: "%"
  range: [0.5, 10.0]
confidence: 0.95
experiments:
  calibration: {worksheet: worksheets/calibration.csv, routine_level: 5.0}
  precision: {worksheet: worksheets/precision.csv}
requirements:
  - {id: R1, quantity: trueness.bias, rule: equivalence, limit: "max(0.15, 5%)", origin: "limits 2 % and 4 %"}
  - {id: R2, quantity: intermediate_precision.s_I, at: 4.0, rule: point, limit: 0.18}
"""


def faults_of(text: str | bytes):
    plan, faults = parse_plan(text.encode() if isinstance(text, str) else text)
    assert plan is None
    return faults


def only_fault(text):
    (fault,) = faults_of(text)
    return fault


def test_a_plan_is_read():
    plan, faults = parse_plan(PLAN.encode())
    assert faults == []
    assert plan.study.range == (0.5, 10.0)
    assert plan.study.procedure is None
    assert plan.experiments["calibration"].settings == {"routine_level": 5.0}
    assert plan.requirements[0].limit.value(4.0) == 0.2
    assert plan.requirements[0].at is None
    assert plan.requirements[1].at == 4.0
    assert plan.not_evaluated == {}


def test_the_same_plan_is_read_from_plain_values():
    assert Plan.model_validate(yaml.safe_load(PLAN)) == parse_plan(PLAN.encode())[0]


def test_a_byte_order_mark_and_windows_line_ends_are_read():
    assert parse_plan(b"\xef\xbb\xbf" + PLAN.replace("\n", "\r\n").encode())[0] == parse_plan(PLAN.encode())[0]


def test_optional_facts_are_read():
    text = PLAN + (
        "people:\n  - {name: A1, role: analyst}\n  - A2\n"
        "standards:\n  S-01: {value: 5.00, uncertainty: 0.03, record: records/s01.pdf}\n"
        "not_evaluated: {matrix: next study, fuel: }\n"
        "lots: {allowed_step: 0.025, in_use: S-01}\n"
    )
    plan, faults = parse_plan(text.encode())
    assert faults == []
    assert plan.people == ({"name": "A1", "role": "analyst"}, {"name": "A2"})
    assert plan.standards == ({"name": "S-01", "value": 5.0, "uncertainty": 0.03, "record": "records/s01.pdf"},)
    assert plan.not_evaluated == {"matrix": "next study", "fuel": ""}
    assert plan.lots.allowed_step.value() == 0.025
    assert plan.lots.stated == {"in_use": "S-01"}


@pytest.mark.parametrize(("quantity", "target"), [("trueness.bias", 0.0), ("comparison.deming_slope", 1.0)])
def test_the_usual_target_follows_the_quantity(quantity, target):
    plan, _ = parse_plan(PLAN.replace("trueness.bias", quantity).encode())
    assert plan.requirements[0].target == target


def test_words_that_yaml_takes_for_something_else_stay_text():
    plan, _ = parse_plan(
        PLAN.replace("title: Fuel dilution", "title: no").replace("id: VS-1", "id: 2026-07-01").encode()
    )
    assert (plan.study.title, plan.study.id) == ("no", "2026-07-01")


@pytest.mark.parametrize(
    ("old", "new", "row", "column", "found", "said"),
    [
        ('"max(0.15, 5%)"', "max(0.15, 5%)", 14, "requirements[1].limit", "max(0.15", 'quotes: limit: "max(0.15, 5%)"'),
        ("limit: 0.18", "limit: 0,18", 15, "requirements[2].limit", "0", "decimal point: limit: 0.18"),
        ("limit: 0.18", "limit: mean(1)", 15, "requirements[2].limit", "mean(1)", "not in the grammar"),
        ("limit: 0.18", "limit: ", 15, "requirements[2].limit", "nothing", "empty"),
        ("rule: point", "rule: points", 15, "requirements[2].rule", "points", 'Write "point"'),
        ("id: R2", "id: R1", 15, "requirements[2].id", "R1", "line 14"),
        ("at: 4.0", "att: 4.0", 15, "requirements[2].att", "att", 'Write "at"'),
        ("confidence: 0.95", "confidence: 95", 9, "confidence", "95", "Write 0.95."),
        ("confidence: 0.95", 'confidence: "0,95"', 9, "confidence", "0,95", "decimal point: 0.95"),
        ("confidence: 0.95", "confidence: 0.5", 9, "confidence", "0.5", "from 0.6 to 0.9999"),
        ("confidence: 0.95", "confidence: .nan", 9, "confidence", "nan", "finite"),
        ("confidence:", "confidance:", 9, "confidance", "confidance", 'Write "confidence"'),
        ("[0.5, 10.0]", "[0,5, 10,0]", 8, "study.range", "[0, 5, 10, 0]", "two numbers"),
        ("[0.5, 10.0]", "[10.0, 0.5]", 8, "study.range", "[10.0, 0.5]", "rise from low to high"),
        ("format: 1", "format: 2", 1, "format", "2", "newer version"),
        ("precision:", "precison:", 12, "experiments.precison", "precison", 'Write "precision"'),
        ("routine_level", "rutine_level", 11, "experiments.calibration.rutine_level", "rutine_level", "routine_level"),
        ("routine_level: 5.0", "matrix: x", 11, "experiments.calibration.matrix", "matrix", "Known:"),
        (
            "routine_level: 5.0",
            "routine_level: 5 %",
            11,
            "experiments.calibration.routine_level",
            "5 %",
            "without the %",
        ),
        ("title: Fuel dilution", "title: 1.10", 4, "study.title", "1.1", "quotes"),
        ("title: Fuel dilution", "title: ", 4, "study.title", "nothing", "text"),
        (
            "worksheets/precision.csv",
            "../precision.csv",
            12,
            "experiments.precision.worksheet",
            "../precision.csv",
            "leads out of the study folder",
        ),
        (
            "worksheets/precision.csv",
            "/etc/passwd",
            12,
            "experiments.precision.worksheet",
            "/etc/passwd",
            "absolute path",
        ),
        (
            "worksheets/precision.csv",
            "C:\\data\\precision.csv",
            12,
            "experiments.precision.worksheet",
            "C:\\data\\precision.csv",
            "worksheets/precision.csv",
        ),
    ],
)
def test_a_fault_names_line_key_found_and_mend(old, new, row, column, found, said):
    assert old in PLAN
    fault = only_fault(PLAN.replace(old, new))
    assert (fault.file, fault.row, fault.column, fault.value) == ("plan.yaml", row, column, found)
    assert said in str(fault)
    assert fault.mend


def test_a_missing_key_is_named():
    fault = only_fault(PLAN.replace("  laboratory: Quillmere Condition Laboratory\n", ""))
    assert fault.column == "study.laboratory"
    assert "Add the line `laboratory: ...` under study." in str(fault)


def test_a_share_at_a_name_is_refused():
    fault = only_fault(PLAN.replace("at: 4.0", "at: OG-K").replace("limit: 0.18", "limit: 5%"))
    assert fault.row == 15
    assert "OG-K" in str(fault)
    assert "Write the limit as a number" in str(fault)


def test_a_time_zone_and_a_parent_are_checked():
    faults = faults_of(PLAN.replace("  unit:", "  time_zone: Mars/Base\n  parent: abc\n  unit:"))
    assert [fault.column for fault in faults] == ["study.time_zone", "study.parent"]
    assert "IANA" in str(faults[0])
    assert "64 hexadecimal digits" in str(faults[1])


def test_every_fault_is_told_at_once():
    text = (
        PLAN.replace("confidence: 0.95", "confidence: 95").replace("rule: point", "rule: x").replace("unit:", "units:")
    )
    assert {fault.column for fault in faults_of(text)} == {
        "study.units",
        "study.unit",
        "confidence",
        "requirements[2].rule",
    }


@pytest.mark.parametrize(
    ("text", "row", "said"),
    [
        (PLAN.replace('unit: "%"', "unit: %"), 7, 'unit: "%"'),
        (PLAN.replace("  unit", "\tunit"), 7, "spaces"),
        (PLAN.replace("title: Fuel", "title: Fuel: x"), 4, "colon in quotes"),
        ("a: &x [1]\n", 1, "Delete &x"),
        ("a: [1]\nb: *x\n", 2, "Write the value out in place of *x"),
        ("a: !!python/object/apply:os.system ['true']\n", 1, "A tag is not allowed"),
        ("[" * 60 + "]" * 60, 1, "nested more than"),
        (PLAN + "---\n" + PLAN, 16, "A second document"),
        (PLAN.replace("study:", "study:\n  <<: {id: x}"), 3, "merge key"),
        (PLAN.replace("confidence: 0.95", "format: 1"), 9, "the first is in line 1"),
        ("", 1, "The plan holds no keys"),
        ("- 1", 1, "The plan holds no keys"),
        (b"format: 1\nstudy:\x00\n", 2, "NUL"),
        (b"format: 1\ntitle: \xfcber\n", 2, 'encoding "UTF-8"'),
        ("format: 1".encode("utf-16"), 1, "UTF-16"),
        (b"format: 1\ntitle: a\x07b\n", 2, "U+0007"),
        (b"#" * 2_000_000, None, "at most 1000000"),
    ],
)
def test_hostile_and_broken_yaml_is_refused_by_line(text, row, said):
    faults = faults_of(text)
    assert any(fault.row == row and said in str(fault) for fault in faults), [str(fault) for fault in faults]


def test_an_alias_bomb_is_refused_quickly():
    lines = ["a0: &a0 [x, x]"] + [f"a{i}: &a{i} [*a{i - 1}, *a{i - 1}]" for i in range(1, 40)]
    assert any("alias" in str(fault) for fault in faults_of("\n".join(lines)))


def test_a_plan_that_is_not_there_is_told(tmp_path: Path):
    plan, (fault,) = read_plan(tmp_path)
    assert plan is None
    assert "validation start" in str(fault)


def test_lines_of_requirements(tmp_path: Path):
    (tmp_path / "plan.yaml").write_text(PLAN, encoding="utf-8")
    assert plan_lines(tmp_path) == {"R1": 14, "R2": 15}


@pytest.mark.parametrize(
    ("written", "read"),
    [("0.3", 0.3), ("1", 1.0), ("{2.0: 0.2, 4: 0.3}", {"2.0": 0.2, "4": 0.3}), ("{OG-N: 0.2}", {"OG-N": 0.2})],
)
def test_a_published_limit_is_one_number_or_one_a_level(written, read):
    plan, faults = parse_plan(PLAN.replace("precision.csv}", f"precision.csv, published_r: {written}}}").encode())
    assert faults == []
    assert plan.experiments["precision"].settings == {"published_r": read}


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("0", "must be a number above zero"),
        ("{4: -0.1}", "must be a number above zero"),
        ('"0,3"', "Write a decimal point: 0.3."),
        ("[0.3]", "must be a number or one for each level"),
        ("{}", "holds no level"),
    ],
)
def test_a_published_limit_of_another_kind_is_a_fault(written, told):
    fault = only_fault(PLAN.replace("precision.csv}", f"precision.csv, published_r: {written}}}"))
    assert told in str(fault)
    assert (fault.row, fault.column) == (12, "experiments.precision.published_r")


def test_a_published_limit_belongs_to_the_precision_experiment():
    fault = only_fault(PLAN.replace("routine_level: 5.0", "published_r: 0.3"))
    assert fault.reason == "The key is unknown."


@pytest.mark.parametrize(
    ("line", "found", "expected"),
    [
        ("  stability: {worksheet: worksheets/s.csv, planned_time: 0}", "0", "a number above 0"),
        ("confidence: 0.3", "0.3", "a share of one from 0.6 to 0.9999"),
    ],
)
def test_a_number_beyond_its_bound_is_told_the_bound(line: str, found: str, expected: str) -> None:
    text = (
        'format: 1\nstudy: {id: A, title: B, laboratory: C, measurand: D, unit: "%", range: [1, 2]}\n'
        "experiments:\n  precision: {worksheet: worksheets/p.csv}\n" + line + "\n"
    )
    _, faults = parse_plan(text.encode("utf-8"))
    (fault,) = faults
    assert (fault.value, fault.expected) == (found, expected)


# ---- closed lists


@pytest.mark.parametrize(
    ("section", "entry", "key", "meant"),
    [
        ("equipment", "{name: SAW-1, valid_untill: 2020-01-01}", "valid_untill", "valid_until"),
        ("equipment", "{name: SAW-1, Valid_Until: 2020-01-01}", "Valid_Until", "valid_until"),
        ("equipment", "{name: SAW-1, expire: 2020-01-01}", "expire", "valid_until"),
        ("equipment", "{name: SAW-1, valid_form: 2020-01-01}", "valid_form", "valid_from"),
        ("standards", "{name: S-01, lot_recrod: standards/S-01.yaml}", "lot_recrod", "lot_record"),
        ("standards", "{name: S-01, valid_until: 2020-01-01}", "valid_until", "expires"),
        ("standards", "{name: S-01, expiry: 2020-01-01}", "expiry", "expires"),
        ("people", "{name: A1, rolle: analyst}", "rolle", "role"),
    ],
)
@pytest.mark.parametrize("by_name", [False, True])
def test_an_unknown_key_of_a_list_is_refused_with_the_one_that_is_meant(section, entry, key, meant, by_name):
    if by_name:  # a mapping by name instead of a list
        name, rest = entry.removeprefix("{name: ").split(", ", 1)
        text = f"{section}:\n  X: {{what: x}}\n  {name}: {{{rest}\n"
    else:
        text = f"{section}:\n  - {{name: X}}\n  - {entry}\n"
    fault = only_fault(PLAN + text)
    assert (fault.row, fault.column, fault.value) == (18, f"{section}[2].{key}", key)
    assert f'Write "{meant}".' in fault.mend
    assert "under what or note" in fault.mend


def test_an_unknown_key_of_lots_is_refused():
    fault = only_fault(PLAN + "lots: {in_us: S-01}\n")
    assert (fault.column, fault.value) == ("lots.in_us", "in_us")
    assert 'Write "in_use".' in fault.mend


@pytest.mark.parametrize("section", ["people", "equipment", "standards"])
@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ("{what: x}", 'The key "name" is missing'),
        ('{name: ""}', "is empty"),
        ("{name: 1.10}", "quotes"),
        ('{name: " A"}', "begins or ends with a blank"),
        ('{name: "A\\u200bB"}', "U+200B"),
        ('{name: "A\\nB"}', "U+000A"),
    ],
)
def test_an_entry_of_a_list_has_a_plain_name(section, entry, said):
    fault = only_fault(PLAN + f"{section}:\n  - {entry}\n")
    assert (fault.row, fault.column) == (17, f"{section}[1].name")
    assert said in str(fault)


@pytest.mark.parametrize("section", ["people", "equipment", "standards"])
@pytest.mark.parametrize(("second", "said"), [("X-1", "appears twice"), ("x\u20111", "nearly"), ("X 1", "nearly")])
def test_a_thing_is_named_once(section, second, said):
    fault = only_fault(PLAN + f"{section}:\n  - X-1\n  - {second}\n")
    assert (fault.row, fault.column, fault.value) == (18, f"{section}[2].name", second)
    assert said in fault.reason
    assert "line 17" in fault.mend


def test_successive_certificates_of_one_instrument_are_two_entries():
    first, second = "{name: X, valid_until: 2026-01-31}", "{name: X, valid_from: 2026-02-01}"
    assert parse_plan((PLAN + f"equipment:\n  - {first}\n  - {second}\n").encode())[1] == []
    fault = only_fault(PLAN + f"equipment:\n  - {first}\n  - {first}\n")
    assert "Successive certificates" in fault.mend


def test_the_lot_in_use_is_one_of_the_standards():
    fault = only_fault(PLAN + "standards:\n  - S-01\nlots: {in_use: S-1}\n")
    assert (fault.row, fault.column, fault.value, fault.expected) == (18, "lots.in_use", "S-1", "S-01")
    assert "Write S-01" in fault.mend
    assert parse_plan((PLAN + "lots: {in_use: S-1}\n").encode())[1] == []


@pytest.mark.parametrize(("key", "written"), [("value", '"5,00"'), ("uncertainty", "0.6 %"), ("value", "true")])
def test_the_numbers_of_a_standard_are_numbers(key, written):
    fault = only_fault(PLAN + f"standards:\n  - {{name: S-01, {key}: {written}}}\n")
    assert fault.column == f"standards[1].{key}"
    assert "must be a number" in fault.reason


@pytest.mark.parametrize(
    ("section", "key"),
    [("equipment", "valid_until"), ("equipment", "valid_from"), ("standards", "expires"), ("standards", "lot_record")],
)
def test_an_empty_key_does_not_take_back_an_expiry(section, key):
    fault = only_fault(PLAN + f"{section}:\n  - {{name: X, {key}: }}\n")
    assert (fault.column, fault.value) == (f"{section}[1].{key}", "nothing")
    assert "is empty" in fault.reason


def test_a_standard_is_stated_in_the_unit_of_the_study():
    fault = only_fault(PLAN + "standards:\n  - {name: S-01, value: 5, unit: mg/kg}\n")
    assert (fault.column, fault.value, fault.expected) == ("standards[1].unit", "mg/kg", "%")


def test_a_name_that_is_nearly_one_that_can_be_excused_is_refused():
    fault = only_fault(PLAN + "not_evaluated: {matirx: next study, hand pump: not used}\n")
    assert (fault.column, fault.expected) == ("not_evaluated.matirx", "matrix")


# ---- sizes


@pytest.mark.parametrize(
    ("old", "new", "column"),
    [
        ("[0.5, 10.0]", "[-0.5, 10.0]", "study.range[1]"),
        ("[0.5, 10.0]", "[0.5, 101]", "study.range[2]"),
        ("  unit:", "  customer_limits: [2, 200]\n  unit:", "study.customer_limits[2]"),
        ("routine_level: 5.0", "routine_level: 500", "experiments.calibration.routine_level"),
        ("routine_level: 5.0", "routine_level: -5", "experiments.calibration.routine_level"),
        ("confidence: 0.95", "standards: [{name: S-1, value: 500}]", "standards[1].value"),
        ("confidence: 0.95", "decision: {limits: [400]}", "decision.limits[1]"),
        ("confidence: 0.95", "uncertainty: {levels: 400}", "uncertainty.levels"),
    ],
)
def test_a_content_lies_between_nothing_and_the_whole_where_the_unit_is_a_mass_fraction(old, new, column):
    fault = only_fault(PLAN.replace(old, new))
    assert fault.column == column
    assert fault.expected == "0 to 100 %"
    assert parse_plan(PLAN.replace(old, new).replace('unit: "%"', "unit: Hz").encode())[1] == []


@pytest.mark.parametrize(("unit", "whole"), [("mg/kg", 1e6), ("g/kg", 1e3), ("g/g", 1.0), ("1", None), ("ppm", None)])
def test_the_whole_follows_the_unit(unit, whole):
    beyond = 2.0 if whole is None else 1.5 * whole
    text = PLAN.replace('unit: "%"', f'unit: "{unit}"').replace("[0.5, 10.0]", f"[0.5, {beyond}]")
    text = text.replace(", routine_level: 5.0", "")
    assert (parse_plan(text.encode())[1] == []) == (whole is None)


@pytest.mark.parametrize("number", ["1e51", "-1e300", "1e-51"])
@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("routine_level: 5.0", "routine_level: {}"),
        ("[0.5, 10.0]", "[{}, 1e52]"),
        ("  unit:", "  customer_limits: [{}]\n  unit:"),
        ("at: 4.0", "at: {}"),
        ("limit: 0.18", "limit: {}"),
        ("limit: 0.18", 'limit: "max(1, {}%)"'),
        ("limit: 0.18", "limit: 0.18, target: {}"),
        ("confidence: 0.95", "decision: {{limits: [{}]}}"),
        ("confidence: 0.95", "uncertainty: {{levels: [{}]}}"),
        ("confidence: 0.95", "lots: {{allowed_step: {}}}"),
    ],
)
def test_a_number_that_cannot_be_computed_with_is_refused(old, new, number):
    text = PLAN.replace('unit: "%"', "unit: Hz").replace(old, new.format(number))
    assert any("1e-50 and 1e50" in str(fault) or "for a limit" in str(fault) for fault in faults_of(text))


@pytest.mark.parametrize("confidence", ["0.59", "0.99991", "0.9999999999999999"])
def test_a_confidence_that_gives_no_interval_is_refused(confidence):
    fault = only_fault(PLAN.replace("0.95", confidence))
    assert (fault.column, fault.expected) == ("confidence", "a share of one from 0.6 to 0.9999")


@pytest.mark.parametrize("confidence", ["0.6", "0.9999"])
def test_the_ends_of_the_confidence_are_taken(confidence):
    assert parse_plan(PLAN.replace("0.95", confidence).encode())[1] == []


@pytest.mark.parametrize(
    ("unit", "said"),
    [
        ("x [y]", "square bracket"),
        ("a]", "square bracket"),
        ("%\\u200b", "U+200B"),
        ("a\\tb", "U+0009"),
        (" %", "blank"),
    ],
)
def test_a_unit_that_no_heading_could_carry_is_refused(unit, said):
    fault = only_fault(PLAN.replace('unit: "%"', f'unit: "{unit}"'))
    assert fault.column == "study.unit"
    assert said in str(fault)


# ---- limits


BELOW = ["0", "-1", "0%", "-5%", "min(5%,-1)", "sum(5%,-5%)", "max(-1,-2)", "min(0,5%)", "sum(1,-20%)"]
BELOW += ["max(sum(1,-20%),sum(-1,20%))"]  # nothing at 5, and above zero everywhere else


@pytest.mark.parametrize("limit", BELOW)
@pytest.mark.parametrize(
    ("old", "new", "column"),
    [
        ("confidence: 0.95", 'lots: {{allowed_step: "{}"}}', "lots.allowed_step"),
        ("requirements:", '  stability: {{worksheet: w/s.csv, allowed_change: "{}"}}\nrequirements:', "allowed_change"),
        ("requirements:", '  control: {{worksheet: w/c.csv, allowed_drift: "{}"}}\nrequirements:', "allowed_drift"),
    ],
)
def test_a_limit_beside_the_requirements_is_above_zero(limit, old, new, column):
    fault = only_fault(PLAN.replace(old, new.format(limit)))
    assert fault.column.endswith(column)
    assert (fault.value, fault.expected) == (limit, "above zero")


@pytest.mark.parametrize("limit", BELOW)
@pytest.mark.parametrize(
    ("quantity", "rule"),
    [
        ("trueness.bias", "equivalence"),
        ("trueness.bias", "point"),
        ("accuracy.tolerance_low", "inside"),
        ("repeatability.s_r", "upper bound"),
        ("repeatability.s_r", "point"),
    ],
)
def test_a_requirement_has_a_limit_above_zero_wherever_it_is_judged(limit, quantity, rule):
    entry = f'  - {{id: R3, quantity: {quantity}, rule: {rule}, limit: "{limit}"}}\n'
    plan, _ = parse_plan((PLAN + entry).encode())
    (fault,) = requirement_faults(plan, lines={"R3": 16})
    assert (fault.row, fault.column) == (16, "limit")
    assert "can never be met" in fault.reason


@pytest.mark.parametrize("level", [2.0, 4.9, 5.0, 7.0])
def test_a_limit_at_one_level_counts_there_alone(level):
    entry = f'  - {{id: R3, quantity: trueness.bias, at: {level}, rule: equivalence, limit: "sum(1,-20%)"}}\n'
    plan, _ = parse_plan((PLAN + entry).encode())
    assert bool(requirement_faults(plan)) == (level >= 5)


@pytest.mark.parametrize(
    ("quantity", "rule", "limit"),
    [
        ("calibration.departure", "upper bound", "-0.1"),
        ("calibration.departure", "lower bound", "-0.1"),
        ("recovery.mean_recovery", "lower bound", "0.9"),
        ("trueness.bias", "equivalence", "5%"),
    ],
)
def test_a_bound_of_a_signed_quantity_may_have_any_sign(quantity, rule, limit):
    entry = f'  - {{id: R3, quantity: {quantity}, rule: {rule}, limit: "{limit}"}}\n'
    plan, faults = parse_plan((PLAN.replace("[0.5, 10.0]", "[0, 10.0]") + entry).encode())
    assert faults == []
    assert requirement_faults(plan) == []


def test_a_size_of_the_budget_is_not_negative_within_the_range():
    block = 'uncertainty: {components: [{name: oil, size: "sum(1,-20%)", origin: x}]}\n'
    fault = only_fault(PLAN + block)
    assert (fault.column, fault.expected) == ("uncertainty.components[1].size", "zero or more")
