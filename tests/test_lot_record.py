"""Lot records: what is refused, by file, field and mend, all at once; what is kept."""

import re
import shutil

import pytest
import yaml
from lot_records import RECORD, STANDARDS, lot_study

from validation import resources
from validation.cli import main
from validation.running.run import copy_inputs
from validation.study.history.readings import changed_readings, record_readings, seen_versions
from validation.study.load import load_study, read_study, unused_files
from validation.study.lot_record import UNITS, Buoyancy, Fuel, InUseLoss, Preparation, Weighing
from validation.study.lot_record_reading import parse_lot_record
from validation.study.plan import read_plan

FILE = "standards/S-1.yaml"


def faults_of(text, *, lot="S-1", unit="%", stated=5.0):
    record, faults = parse_lot_record(text.encode("utf-8"), FILE, lot=lot, unit=unit, stated=stated)
    assert (record is None) == bool(faults)
    return faults


def test_a_record_in_full_is_read():
    record, faults = parse_lot_record(RECORD.encode(), FILE, lot="S-1", unit="%", stated=5.0)
    assert not faults
    assert [item.net for item in record.preparation.weighings] == [19.0049, 1.0003]
    assert record.preparation.loss_while_weighing.most == 0.005
    # By hand: 100 * 1.0003 * 0.999 / 20.0052.
    assert record.plain_fraction == pytest.approx(100 * 1.0003 * 0.999 / 20.0052, rel=1e-12)
    assert record.line("weighings", 1, "mass_g") == 10


BAD = {
    "missing mass": (
        "mass_g: 1.0003, u_g",
        "u_g",
        10,
        "weighings[2].mass_g",
        "The mass_g is missing",
        "in gram",
    ),
    "half a pair": (
        "mass_g: 1.0003",
        "gross_g: 21.3",
        10,
        "weighings[2].mass_g",
        "The tare_g is missing",
        "both",
    ),
    "negative mass": (
        "mass_g: 1.0003",
        "mass_g: -1.0003",
        10,
        "weighings[2].mass_g",
        "above zero",
        "as the balance",
    ),
    "zero mass": (
        "mass_g: 1.0003",
        "mass_g: 0",
        10,
        "weighings[2].mass_g",
        "above zero",
        "as the balance",
    ),
    "net below zero": (
        "mass_g: 1.0003",
        "gross_g: 20.1, tare_g: 21.1",
        10,
        "weighings[2].gross_g",
        "zero or less",
        "exchanged",
    ),
    "mass twice": (
        "mass_g: 1.0003",
        "mass_g: 1.0003, gross_g: 2, tare_g: 1",
        10,
        "weighings[2].mass_g",
        "twice",
        "Keep",
    ),
    "mass in mg": (
        "mass_g: 1.0003",
        "mass_mg: 1000.3",
        10,
        "weighings[2].mass_mg",
        "not in mg",
        "Write mass_g, in gram: mass_g: 1.0003.",
    ),
    "mass without a unit": (
        "mass_g: 1.0003",
        "mass: 1.0003",
        10,
        "weighings[2].mass",
        "does not name its unit",
        "Write mass_g",
    ),
    "u in mg by its key": (
        "1.0003, u_g: 0.0003",
        "1.0003, u_mg: 0.3",
        10,
        "weighings[2].u_mg",
        "not in mg",
        "u_g: 0.0003",
    ),
    "u in mg by its size": (
        "mass_g: 1.0003, u_g: 0.0003",
        "mass_g: 1.0003, u_g: 0.3",
        10,
        "weighings[2].u_g",
        "a tenth of the mass",
        "u_g: 0.0003",
    ),
    "mass in mg by its size": (
        "mass_g: 1.0003",
        "mass_g: 1000.3",
        10,
        "weighings[2].mass_g",
        "does not fit the value",
        "Is 1000.3 a mass in milligram? Then write mass_g: 1.0003",
    ),
    "mass in mg by its uncertainty": (
        "mass_g: 19.0049",
        "mass_g: 19004.9",
        9,
        "weighings[1].mass_g",
        "is the mass in milligram?",
        "19004.9 mg is mass_g: 19.0049.",
    ),
    "fuel and oil exchanged": (
        "what: oil, mass_g: 19.0049",
        "what: oil, mass_g: 0.0541",
        8,
        "weighings",
        "does not fit the value",
        "fuel and oil are not exchanged",
    ),
    "no fuel": (
        "what: fuel",
        "what: oil",
        8,
        "weighings",
        "There is no weighing of fuel",
        "Add the weighing of the fuel",
    ),
    "decimal comma": (
        "mass_g: 1.0003",
        'mass_g: "1,0003"',
        10,
        "weighings[2].mass_g",
        "must be a number",
        "1.0003",
    ),
    "unit beside the number": (
        "mass_g: 1.0003",
        "mass_g: 1.0003 g",
        10,
        "weighings[2].mass_g",
        "must be a number",
        "the key",
    ),
    "no balance": (
        "1.0003, u_g: 0.0003, balance: BAL-1",
        "1.0003, u_g: 0.0003",
        10,
        "weighings[2].balance",
        "missing",
        "Add the line",
    ),
    "no u": (
        "mass_g: 1.0003, u_g: 0.0003",
        "mass_g: 1.0003",
        10,
        "weighings[2].u_g",
        "missing",
        "u_g: 0.0003",
    ),
    "purity in per cent": (
        "purity: 0.999",
        "purity: 99.9",
        6,
        "fuel.purity",
        "not per cent",
        "Write 0.999.",
    ),
    "purity 100": (
        "purity: 0.999",
        "purity: 100",
        6,
        "fuel.purity",
        "at most 1",
        "Write 1.",
    ),
    "purity above one": (
        "purity: 0.999",
        "purity: 1.01",
        6,
        "fuel.purity",
        "at most 1",
        "0.0101",
    ),
    "purity zero": (
        "purity: 0.999",
        "purity: 0",
        6,
        "fuel.purity",
        "above zero",
        "mass fraction",
    ),
    "no purity": (
        ", purity: 0.999",
        "",
        6,
        "fuel.purity",
        "missing",
        "purity: 1",
    ),
    "negative u": (
        "u_purity: 0.0002",
        "u_purity: -0.0002",
        6,
        "fuel.u_purity",
        "zero or more",
        "size",
    ),
    "unit of another study": (
        'unit: "%"',
        "unit: mg/kg",
        5,
        "unit",
        "not that of the study",
        'unit: "%"',
    ),
    "same person": (
        "checker: A2",
        "checker: A1",
        4,
        "checker",
        "same person",
        "another person",
    ),
    "expiry before making": (
        "expires: 2026-09-20",
        "expires: 2026-06-19",
        17,
        "expires",
        "before it was made",
        "Correct made",
    ),
    "opened after making": (
        "opened: 2026-06-20",
        "opened: 2026-06-21",
        6,
        "fuel.opened",
        "opened after",
        "Correct fuel.opened",
    ),
    "used before making": (
        "first_use: 2026-06-22",
        "first_use: 2026-06-01",
        15,
        "first_use",
        "before it was made",
        "Correct made",
    ),
    "last use before first": (
        "last_use: 2026-07-02",
        "last_use: 2026-06-21",
        16,
        "last_use",
        "before the first",
        "Correct",
    ),
    "no day": (
        "made: 2026-06-20",
        "made: 20.06.2026",
        2,
        "made",
        "not a date",
        "2026-02-26",
    ),
    "no such day": (
        "made: 2026-06-20",
        "made: 2026-06-31",
        2,
        "made",
        "not a date",
        "2026-02-26",
    ),
    "another lot": (
        "lot: S-1",
        "lot: S-2",
        1,
        "lot",
        "a different lot",
        "plan.yaml",
    ),
    "loss without a sign": (
        'most: "0.5%"',
        "most: 0.5",
        11,
        "loss_while_weighing.most",
        "percentage",
        '"0.5 %"',
    ),
    "loss above all": (
        'most: "0.5%"',
        'most: "100%"',
        11,
        "loss_while_weighing.most",
        "less than 100",
        "share",
    ),
    "loss of unknown shape": (
        "shape: one sided",
        "shape: one-sided",
        11,
        "loss_while_weighing.shape",
        "unknown",
        '"one sided"',
    ),
    "loss without a size": (
        '{most: "0.5%", shape: one sided}',
        "{shape: one sided}",
        11,
        "loss_while_weighing",
        "Neither",
        "negligible_because",
    ),
    "size and reason": (
        '{u: "0.4%"}',
        '{u: "0.4%", negligible_because: mixed}',
        13,
        "homogeneity",
        "Both are given",
        "not both",
    ),
    "density in g/mL": (
        "fuel_density: 835",
        "fuel_density: 0.835",
        12,
        "buoyancy.fuel_density",
        "kg/m3",
        "835",
    ),
    "density missing": (
        "oil_density: 870, ",
        "",
        12,
        "buoyancy",
        "lacks a density",
        "Add oil_density",
    ),
    "unknown key": (
        "oil: {name: OG-N,",
        "oil: {name: OG-N, batches: 2,",
        7,
        "oil.batches",
        "unknown",
        '"batch"',
    ),
    "unknown key above": (
        "first_use:",
        "first_used:",
        15,
        "first_used",
        "unknown",
        '"first_use"',
    ),
    "nothing of the kind": (
        'oil: {name: OG-N, batch: "11"}',
        "oil: OG-N",
        7,
        "oil",
        "wrong kind",
        "keys with values",
    ),
    "unknown component": (
        "what: fuel",
        "what: oils",
        10,
        "weighings[2].what",
        "unknown",
        'Write "oil"',
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_record_is_refused_by_field_and_mend(name):
    old, new, row, column, reason, mend = BAD[name]
    assert old in RECORD
    (fault,) = faults_of(RECORD.replace(old, new))
    assert (fault.file, fault.row, fault.column) == (FILE, row, column), str(fault)
    assert reason in fault.reason, str(fault)
    assert mend in fault.mend, str(fault)


@pytest.mark.parametrize(("scale", "unit"), [(1000, "milligram"), (0.001, "kilogram")])
def test_a_lot_whose_masses_are_all_in_another_unit_is_warned_about(tmp_path, scale, unit):
    text = RECORD.replace("u_g: 0.0003", f"u_g: {0.0003 * scale:.10g}")
    for mass in (19.0049, 1.0003):
        text = text.replace(f"mass_g: {mass}", f"mass_g: {mass * scale:.10g}")
    (warning,) = [text for text in load_study(lot_study(tmp_path, text)).warnings if "the lot weighs" in text]
    assert f"written in {unit}?" in warning
    assert "becomes 19.0049." in warning


def test_a_record_without_weighings_is_refused():
    head, tail = RECORD.split("weighings:")[0], RECORD[RECORD.index("loss_while_weighing") :]
    (fault,) = faults_of(head + tail)
    assert (fault.column, fault.reason) == ("weighings", 'The key "weighings" is missing.')
    faults = faults_of(f"{head}weighings: []\n{tail}")
    assert [fault.column for fault in faults] == ["weighings"]
    assert "There is no weighing of fuel" in faults[0].reason


def test_every_fault_is_told_at_once():
    text = RECORD
    for old, new in (
        ("lot: S-1", "lot: S-2"),
        ("checker: A2", "checker: A1"),
        ("purity: 0.999", "purity: 100"),
        ("mass_g: 1.0003", "mass_g: -1.0003"),
        ("expires: 2026-09-20", "expires: 2025-09-20"),
        ("homogeneity", "homogenity"),
    ):
        text = text.replace(old, new)
    columns = [fault.column for fault in faults_of(text)]
    assert columns == ["lot", "checker", "fuel.purity", "weighings[2].mass_g", "homogenity", "expires"]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "holds no keys"),
        ("just text", "holds no keys"),
        ("lot: [", "cannot be read as YAML"),
        ("lot: &a S-1\n", "An anchor is not allowed in a lot record"),
        ("lot: S-1\nlot: S-2\n", "The key appears twice"),
    ],
)
def test_a_file_that_is_no_record_is_refused(text, reason):
    faults = faults_of(text)
    assert any(reason in fault.reason for fault in faults)
    assert not any(" plan " in f"{fault.reason} {fault.mend}" for fault in faults)


def test_a_unit_that_no_weighing_can_give_is_refused():
    (fault,) = faults_of(RECORD.replace('unit: "%"', 'unit: "% (V/V)"'), unit="% (V/V)")
    assert (fault.column, fault.row) == ("unit", 5)
    assert "mass fraction" in fault.mend
    assert all(unit in fault.expected for unit in UNITS)


def test_a_missing_record_and_a_path_out_of_the_study_are_refused(tmp_path):
    folder = lot_study(tmp_path, plan=STANDARDS.replace("S-1.yaml", "S-9.yaml"))
    _, (fault,) = read_study(folder)
    assert (fault.file, fault.reason) == ("standards/S-9.yaml", "The lot record is not there.")
    assert 'A file "S-1.yaml" is there' in fault.mend
    _, (fault,) = read_study(lot_study(tmp_path, plan=STANDARDS.replace("standards/S-1", "../S-1")))
    assert fault.file == "plan.yaml"
    assert "leads out of the study folder" in fault.reason


def test_faults_of_record_and_worksheet_are_told_together(tmp_path):
    folder = lot_study(tmp_path, RECORD.replace("purity: 0.999", "purity: 100"))
    sheet = folder / "worksheets" / "precision.csv"
    sheet.write_text(sheet.read_text().replace("4.05", "4;05"))
    _, faults = read_study(folder)
    assert {fault.file for fault in faults} == {FILE, "worksheets/precision.csv"}


def test_a_stated_value_that_disagrees_is_warned_about(tmp_path):
    # By weight 4.995 %, less 0.25 % of it: 4.983 %, u about 0.026 %; 5.0 +- 0.03 agrees, 5.2 does not.
    assert not [text for text in load_study(lot_study(tmp_path)).warnings if "plan.yaml states" in text]
    study = load_study(lot_study(tmp_path, plan=STANDARDS.replace("value: 5.0", "value: 5.2")))
    (said,) = [text for text in study.warnings if "plan.yaml states" in text]
    assert said.startswith("Lot S-1: plan.yaml states 5.2 %, the weighings in standards/S-1.yaml give 4.98")


def test_the_record_is_an_input_and_loads_again_from_there(tmp_path):
    study = load_study(lot_study(tmp_path / "study"))
    assert list(study.lot_records) == ["S-1"]
    assert FILE not in unused_files(study.folder, study.plan)
    copy_inputs(study, tmp_path / "inputs")
    again = load_study(tmp_path / "inputs")
    assert again.lot_records["S-1"].sha256 == study.lot_records["S-1"].sha256
    assert again.lot_records["S-1"].preparation == study.lot_records["S-1"].preparation


def test_a_record_that_changed_since_it_was_first_read_is_told(tmp_path):
    folder = lot_study(tmp_path)
    record_readings(load_study(folder))
    (folder / FILE).write_text(
        RECORD.replace("1.0003", "1.0013").replace("last_use: 2026-07-02", "last_use: 2026-07-09")
    )
    (change,) = changed_readings(load_study(folder))
    line = 1 + next(i for i, text in enumerate(RECORD.splitlines()) if "1.0003" in text)
    assert str(change) == (
        f'{FILE}, line {line}, "weighings[2].mass_g": 1.0003 became 1.0013 since it was first read. Restore what it '
        f'was, or give the reason for the change: validation amend DIR --record {FILE} --reason "..." --by "your name".'
    )
    (folder / "plan.yaml").write_text((folder / "plan.yaml").read_text().replace(STANDARDS, ""))
    assert [str(change) for change in changed_readings(load_study(folder))] == [
        f"{FILE}: the lot record was there and is gone."
    ]


def amend_record(folder, *options, named=FILE):
    return main(["amend", str(folder), "--record", named, "--reason", "Keyed wrongly", "--by", "Q1", "--yes", *options])


def test_a_change_of_a_record_is_amended_and_then_told_as_such(tmp_path, capsys):
    folder = lot_study(tmp_path)
    record_readings(load_study(folder))
    place = folder / FILE
    place.write_text(RECORD.replace("1.0003", "1.0013").replace('u: "0.4%"', 'u: "0.5%"'))
    # Two keys changed; the mend is said once.
    told = [str(change) for change in changed_readings(load_study(folder))]
    assert [text.count("Restore what it was") for text in told] == [0, 1]
    assert amend_record(folder) == 0
    out = capsys.readouterr().out
    assert 'line 10, "weighings[2].mass_g": 1.0003 becomes 1.0013' in out
    assert '"homogeneity.u": 0.004 becomes 0.005' in out
    study = load_study(folder)
    assert changed_readings(study) == ()
    (row,) = study.amendments
    assert (row["kind"], row["file"], row["by"], row["reason"]) == ("record", FILE, "Q1", "Keyed wrongly")
    first, second = seen_versions(folder)[FILE]
    assert (row["old"], row["new"]) == (first.sha256, second.sha256)
    # Both versions are kept, and a later change is held against the amended one.
    assert (first.cells["weighings[2].mass_g"], second.cells["weighings[2].mass_g"]) == ("1.0003", "1.0013")
    place.write_text(place.read_text().replace("1.0013", "1.0023"))
    (change,) = changed_readings(load_study(folder))
    assert (change.old, change.new) == ("1.0013", "1.0023")
    assert amend_record(folder, named="S-1") == 0
    assert changed_readings(load_study(folder)) == ()


def test_an_amendment_that_does_not_follow_from_what_was_seen_covers_nothing(tmp_path):
    folder = lot_study(tmp_path)
    record_readings(load_study(folder))
    (folder / FILE).write_text(RECORD.replace("1.0003", "1.0013"))
    assert amend_record(folder) == 0
    path = folder / "amendments.csv"
    path.write_text(path.read_text().replace(load_study(folder).amendments[0]["old"], 64 * "0"))
    (change,) = changed_readings(load_study(folder))
    assert (change.old, change.new) == ("1.0003", "1.0013")


def test_an_amendment_of_a_record_that_cannot_be_is_refused(tmp_path, capsys):
    folder = lot_study(tmp_path)
    for named, prepare, words in (
        (FILE, lambda: None, "was not read yet"),
        (FILE, lambda: record_readings(load_study(folder)), "is as it was first read or last amended"),
        ("standards/S-7.yaml", lambda: None, f"Known: {FILE}."),
    ):
        prepare()
        assert amend_record(folder, named=named) == 2
        assert words in capsys.readouterr().err
    assert amend_record(folder, "--exclude") == 2
    assert "give --record FILE without another change" in capsys.readouterr().err
    assert not (folder / "amendments.csv").exists()


def test_a_study_without_lot_records_has_none(tmp_path):
    assert load_study(lot_study(tmp_path, plan="people: [A1]\n")).lot_records == {}


TEMPLATE = (resources.folder("templates") / "lot-record.yaml").read_text(encoding="utf-8")


def test_the_template_is_a_record_and_so_it_is_with_every_line_taken_in():
    assert not faults_of(TEMPLATE, lot="S-01")
    text = re.sub(r"(?m)^( *)# (?=[a-z_]+:)", r"\1", TEMPLATE)
    keys = yaml.safe_load(text)
    assert set(keys) == set(Preparation.model_fields)
    assert set(keys["fuel"]) == set(Fuel.model_fields)
    assert set(keys["in_use_loss"]) == set(InUseLoss.model_fields) - {"negligible_because"}
    assert set(keys["weighings"][0]) == set(Weighing.model_fields) - {"gross_g", "tare_g"}
    assert set(keys["buoyancy"]) == set(Buoyancy.model_fields) - {"negligible_because", "weights_density"}
    assert not faults_of(text, lot="S-01")


@pytest.mark.parametrize("lot", ["S-01", "S-02", "S-03"])
def test_the_lots_of_the_demonstration_are_records(lot):
    raw = (resources.folder("demo_data") / "standards" / f"{lot}.yaml").read_bytes()
    record, faults = parse_lot_record(raw, f"standards/{lot}.yaml", lot=lot, unit="%", stated=5.0)
    assert not faults
    assert record.plain_fraction == pytest.approx(5.0, abs=0.001)


def test_the_plan_names_records_as_a_list_or_as_a_mapping(tmp_path):
    folder = lot_study(tmp_path, plan="standards:\n  S-1: {value: 5.0, lot_record: standards/S-1.yaml}\n")
    plan, _ = read_plan(folder)
    assert plan is not None
    assert list(load_study(folder).lot_records) == ["S-1"]
    shutil.rmtree(folder / "standards")
    _, (fault,) = read_study(folder)
    assert fault.file == FILE


@pytest.mark.parametrize("checker", ["A1", "a1", "A 1", "A1\u200b", "\u03911"])
def test_one_person_under_two_spellings_is_still_one(tmp_path, checker):
    _, faults = read_study(lot_study(tmp_path, RECORD.replace("checker: A2", f"checker: {checker}")))
    assert any(fault.reason == "Maker and checker are the same person." for fault in faults)


@pytest.mark.parametrize(
    ("old", "new", "column", "said"),
    [
        ("made: 2026-06-20", "made: 0001-01-01", "made", "The year 0001 is outside 1900 to 2200"),
        ("expires: 2026-09-20", "expires: 9999-12-31", "expires", "The year 9999 is outside 1900 to 2200"),
        ("mass_g: 1.0003", "mass_g: 1e300", "weighings[2].mass_g", "between 1e-50 and 1e50"),
        ("u_g: 0.0003", "u_g: 1e-300", "weighings[1].u_g", "between 1e-50 and 1e50"),
        ("u_purity: 0.0002", "u_purity: 1e99", "fuel.u_purity", "between 1e-50 and 1e50"),
    ],
)
def test_days_and_numbers_that_cannot_be_meant_are_refused(tmp_path, old, new, column, said):
    _, faults = read_study(lot_study(tmp_path, RECORD.replace(old, new, 1)))
    assert any(fault.column == column and said in str(fault) for fault in faults), [str(fault) for fault in faults]
