"""The command line: exit codes, every message with its mend, and never a traceback for a user's mistake."""

import errno
import io
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from study_folder import PLAN, PRECISION, write_study

import validation
from validation import cli, resources
from validation.faults import Refusal, StudyDataError
from validation.judging.reading import read_checked
from validation.running.demo import run_demo
from validation.running.run import RunReport, run_study
from validation.study.history.plan_lock import read_lock
from validation.study.load import load_study
from validation.terminal import shell_quoted

sys.path.insert(0, str(Path(__file__).parents[1] / "docs"))
from commands import command_page

VERBS = ("start", "check", "freeze", "amend", "run", "verify", "trace", "compare", "demo", "selftest")


@pytest.fixture
def call(capsys, monkeypatch):
    """Call the command line; returns exit code, stdout, stderr."""

    def calling(*arguments, stdin=""):
        monkeypatch.setattr("sys.stdin", io.StringIO(stdin))
        code = cli.main([str(argument) for argument in arguments])
        out = capsys.readouterr()
        assert "Traceback" not in out.err + out.out
        return code, out.out, out.err

    return calling


# ---- the frame


def test_help_names_every_verb(call):
    code, out, _ = call("--help")
    assert code == 0
    assert all(f"  {verb} " in out for verb in VERBS)


def test_version(call):
    assert call("--version")[:2] == (0, f"validation {validation.__version__}\n")


def test_help_loads_nothing_heavy():
    code = "import sys; from validation.cli import main; main(['--help']); print([n for n in sys.modules if n in {0}])"
    heavy = "('numpy', 'scipy', 'pandas', 'matplotlib', 'pydantic', 'openpyxl')"
    done = subprocess.run([sys.executable, "-c", code.format(heavy)], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_the_package_runs_as_a_module_with_utf_8_whatever_the_console(tmp_path):
    folder = write_study(tmp_path / "Öl ü")
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    command = [sys.executable, "-m", "validation", "check", str(folder)]
    done = subprocess.run(command, capture_output=True, env=environment, check=False)
    assert done.returncode == 0, done.stderr
    assert "±max(0.15, 5 %)" in done.stdout.decode("utf-8")


@pytest.mark.parametrize(
    "arguments",
    [["nonsense"], ["verify"], ["check", "a", "b"], ["run", "x", "--jobs", "0"], ["freeze", "."], ["--what"]],
)
def test_a_wrong_call_ends_with_two(call, arguments):
    code, _, err = call(*arguments)
    assert code == 2
    assert "Error:" in err


def test_what_comes_next_can_be_typed_as_the_command_was(call, tmp_path, monkeypatch):
    folder = write_study(tmp_path)
    monkeypatch.setattr("shutil.which", lambda name: None)
    monkeypatch.setattr("sys.argv", [".venv/bin/validation"])
    assert f"  .venv/bin/validation run {folder}" in call("check", folder)[1]
    monkeypatch.setattr("shutil.which", lambda name: f"/usr/bin/{name}")
    assert f"  validation run {folder}" in call("check", folder)[1]


# ---- check


def test_check_repeats_the_plan_and_says_what_comes_next(call, tmp_path):
    folder = write_study(tmp_path / "my study")
    code, out, err = call("check", folder)
    assert (code, err) == (0, "")
    assert "12 readings, 2 levels and 3 runs, 2 a level and run" in out
    assert "the 90 % interval of trueness.bias" in out
    assert "the estimate of intermediate_precision.s_I" in out
    assert "Not stated: procedure" in out
    assert "The plan was not frozen" in out
    assert "No fault found." in out
    assert str(folder / "history" / "readings.csv") in out
    assert f'validation freeze {shell_quoted(folder)} --by "your name"' in out
    assert f"validation run {shell_quoted(folder)}" in out


def test_check_takes_the_plan_for_its_folder(call, tmp_path):
    assert call("check", write_study(tmp_path) / "plan.yaml")[0] == 0


def test_check_tells_every_fault_at_once(call, tmp_path):
    text = PRECISION.replace("2.01", "2,O1").replace("P-003", "P-002")
    folder = write_study(tmp_path, {"precision": text.replace("2,O1", '"2,01"')})
    plan = folder / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("trueness.bias", "trueness.biass"), encoding="utf-8")
    code, out, err = call("check", folder)
    assert (code, out) == (2, "")
    assert 'worksheets/precision.csv, row 2 (reading P-001), column "result"' in err
    assert "Found: 2,01. Expected: a number with decimal point. Write 2.01." in err
    assert 'worksheets/precision.csv, row 4 (reading P-002), column "reading"' in err
    assert "plan.yaml, row 13" in err
    assert "trueness.bias?" in err
    assert "3 faults; nothing was computed." in err


def test_check_as_json(call, tmp_path):
    folder = write_study(tmp_path)
    code, out, _ = call("check", folder, "--json")
    told = json.loads(out)
    assert (code, told["ok"], told["faults"], told["plan"]["state"]) == (0, True, [], "no lock")
    write_study(folder, {"precision": PRECISION.replace("2.01", "x")})
    code, out, _ = call("check", folder, "--json")
    (fault,) = json.loads(out)["faults"]
    assert (code, fault["file"], fault["row"], fault["column"]) == (2, "worksheets/precision.csv", 2, "result")
    assert (fault["found"], fault["expected"], fault["reading"]) == ("x", "a number", "P-001")


def test_check_lists_a_worksheet_that_changed(call, tmp_path):
    folder = write_study(tmp_path)
    call("check", folder)
    write_study(folder, {"precision": PRECISION.replace("2.01", "2.02")})
    code, out, _ = call("check", folder)
    assert code == 1
    assert 'worksheets/precision.csv, row 2 (reading P-001), column "result": 2.01 became 2.02' in out


@pytest.mark.parametrize(
    ("quantity", "rule", "limit", "said"),
    [
        ("trueness.bios", "equivalence", "0.1", "trueness.bias"),
        ("calibration.mandel_p", "point", "0.1", "never judged"),
        ("detection.detection_limit", "point", "0.1", "`at` must give one"),
        ("comparison.mean_difference", "equivalence", "5%", "a share of the level needs a level"),
    ],
)
def test_a_requirement_that_cannot_be_judged_is_refused(call, tmp_path, quantity, rule, limit, said):
    entry = f"  - {{id: R1, quantity: {quantity}, rule: {rule}, limit: {limit}}}\n"
    folder = write_study(
        tmp_path,
        plan=PLAN[: PLAN.index("  - {{id: R1")].replace(
            "{experiments}", "  precision: {worksheet: worksheets/precision.csv}"
        )
        + entry,
    )
    code, _, err = call("check", folder)
    assert code == 2
    assert "plan.yaml, row 13" in err
    assert said in err


@pytest.mark.parametrize(
    "verb", [["check"], ["run"], ["freeze", "--by", "x"], ["amend", "--plan", "--reason", "a", "--by", "x"]]
)
def test_a_folder_that_is_not_there_or_not_a_study(call, tmp_path, verb):
    code, _, err = call(verb[0], tmp_path / "none", *verb[1:])
    assert code == 2
    assert "There is no folder" in err
    assert "validation start" in err
    code, _, err = call(verb[0], tmp_path, *verb[1:])
    assert code == 2
    assert "plan.yaml: The study has no plan.yaml." in err
    (tmp_path / "file").write_text("x")
    code, _, err = call(verb[0], tmp_path / "file", *verb[1:])
    assert (code, "is not a folder" in err) == (2, True)


def test_a_system_error_is_one_sentence(call, tmp_path, monkeypatch):
    folder = write_study(tmp_path)

    def full(*arguments, **named):
        raise OSError(errno.ENOSPC, "No space left on device", "plan.lock")

    monkeypatch.setattr("validation.study.history.plan_lock.freeze", full)
    code, _, err = call("freeze", folder, "--by", "QM")
    assert code == 2
    assert err.startswith("The system refuses plan.lock: No space left on device. Make room on the disk")
    assert err.count("\n") == 1


@pytest.mark.parametrize("locked", ["precision.xlsx", "plan.yaml"])
def test_a_file_that_another_program_holds_is_one_sentence_and_nothing_is_left(call, tmp_path, monkeypatch, locked):
    replace = os.replace

    def held(old, new):
        if Path(new).name == locked:
            raise PermissionError(errno.EACCES, "Permission denied", str(old), None, str(new))
        replace(old, new)

    monkeypatch.setattr("os.replace", held)
    folder = tmp_path / "s"
    code, _, err = call("start", folder, "--title", "T", "--laboratory", "L", "--range", "1,10", "--xlsx")
    assert code == 2
    last = err.splitlines()[-1]
    assert re.fullmatch(rf"The system refuses .*{re.escape(locked)}: Permission denied\..*close the file .*", last)
    assert [path for path in folder.rglob("*") if path.is_file()] == []


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="rights do not bind here")
def test_a_folder_without_rights_is_one_sentence(call, tmp_path):
    folder = write_study(tmp_path)
    (folder / "plan.yaml").chmod(0)
    code, _, err = call("check", folder)
    assert code == 2
    assert "access rights" in err


# ---- the current folder


def test_a_study_that_nobody_names_is_the_current_folder(call, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for arguments in (["check"], ["freeze", "--by", "QM"], ["run"], ["amend", "--plan", "--reason", "a", "--by", "x"]):
        code, _, err = call(*arguments)
        assert (code, "the current folder holds no plan.yaml" in err, err.count("\n")) == (2, True, 1), arguments
    (tmp_path / "mine").mkdir()
    monkeypatch.chdir(tmp_path / "mine")
    given = ("--title", "Fuel in oil", "--laboratory", "L", "--range", "0.5,10", "--seed", "7")
    assert call("start", *given)[0] == 0
    assert 'id: "mine"' in Path("plan.yaml").read_text(encoding="utf-8")
    assert call("start", *given)[0] == 2
    code, out, _ = call("check")
    assert (code, 'validation freeze . --by "your name"' in out) == (0, True)
    code, out, _ = call("freeze", "--by", "QM")
    assert (code, Path("plan.lock").is_file()) == (0, True)


# ---- start


def test_start_takes_options(call, tmp_path):
    folder = tmp_path / "new study"
    code, out, _ = call(
        *(
            "start",
            folder,
            "--title",
            "Fuel in oil",
            "--laboratory",
            "Quillmere",
            "--procedure",
            "QP-31",
            "--unit",
            "%",
        ),
        *("--range", "0.5,10", "--routine-standard", "5", "--customer-limits", "2,4", "--levels", "0.5,2,4,10"),
        *("--runs", "3", "--replicates", "2", "--people", "A1", "--people", "A2", "--seed", "7", "--xlsx"),
    )
    assert code == 0
    assert "seed 7" in out
    assert "Caution: Fuel and blends are flammable" in out
    assert str(folder / "worksheets" / "precision.xlsx") in out
    assert f"validation check {shell_quoted(folder)}" in out
    assert 'people:\n  - {name: "A1"}\n  - {name: "A2"}' in (folder / "plan.yaml").read_text(encoding="utf-8")
    assert call("check", folder)[0] == 0


def test_start_asks_for_what_it_was_not_told(call, tmp_path):
    answers = ["Fuel in oil", "", "Quillmere", "", "0.5 to 10", "5", "2,4", "", "3", "2", "A1, A2"]
    code, out, _ = call("start", tmp_path / "s", stdin="\n".join(answers) + "\n")
    assert code == 0, out
    text = (tmp_path / "s" / "plan.yaml").read_text(encoding="utf-8")
    assert 'laboratory: "Quillmere"' in text
    assert "range: [0.5, 10.0]" in text
    assert "customer_limits: [2.0, 4.0]" in text


def test_start_asks_a_wrong_answer_again_at_a_console(capsys, monkeypatch, tmp_path):
    console = io.StringIO("10,0.5\n0.5,10\n\n\n\neight\n6\n\n\n")
    console.isatty = lambda: True
    monkeypatch.setattr("sys.stdin", console)
    given = ("--title", "T", "--procedure", "", "--laboratory", "L", "--unit", "%")
    assert cli.main(["start", str(tmp_path / "s"), *given]) == 0
    told = capsys.readouterr().err
    assert "must rise" in told
    assert 'found "eight"' in told
    assert "range: [0.5, 10.0]" in (tmp_path / "s" / "plan.yaml").read_text(encoding="utf-8")


def test_start_tells_all_that_is_missing_at_once(call, tmp_path):
    code, _, err = call("start", tmp_path / "s", "--title", "T")
    assert code == 2
    assert "Give --laboratory, --range" in err
    assert not (tmp_path / "s").exists()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--range", "0.5"], "two numbers"),
        (["--range", "a,b"], "numbers with decimal points"),
        (["--range", "10,1"], "rise from low to high"),
        (["--range", "1,10", "--levels", "1,x"], "--levels needs numbers"),
        (["--range", "1,10", "--routine-standard", "1,2"], "one number"),
        (["--range", "1,nan"], "finite"),
    ],
)
def test_start_refuses_what_it_cannot_use(call, tmp_path, options, said):
    code, _, err = call("start", tmp_path / "s", "--title", "T", "--laboratory", "L", *options)
    assert code == 2
    assert said in err
    assert not (tmp_path / "s").exists()


def test_start_never_overwrites(call, tmp_path):
    folder = write_study(tmp_path)
    before = (folder / "plan.yaml").read_bytes()
    code, _, err = call("start", folder, "--title", "T", "--laboratory", "L", "--range", "1,10")
    assert (code, "already holds a plan.yaml" in err) == (2, True)
    assert (folder / "plan.yaml").read_bytes() == before


# ---- freeze


def test_freeze_prints_the_plan_for_signature(call, tmp_path):
    folder = write_study(tmp_path)
    code, out, _ = call("freeze", folder, "--by", "Q. Manager")
    assert code == 0
    assert "title: Fuel dilution" in out
    assert "Signature: ____" in out
    assert "by Q. Manager" in out
    assert str(folder / "plan.lock") in out
    code, out, _ = call("freeze", folder, "--by", "Q. Manager")
    assert (code, "Already frozen" in out) == (0, True)


def test_freeze_refuses_a_plan_with_faults(call, tmp_path):
    folder = write_study(tmp_path, plan=PLAN.replace("rule: point", "rule: points"))
    code, _, err = call("freeze", folder, "--by", "QM")
    assert (code, 'Write "point".' in err) == (2, True)
    assert not (folder / "plan.lock").exists()


# ---- amend

AMEND = ("--reason", "typed wrongly, see export", "--by", "A1")


def test_amend_shows_old_new_and_outcomes_then_appends(call, tmp_path):
    folder = write_study(tmp_path, {"precision": PRECISION.replace("2.07", "20.7")})
    call("freeze", folder, "--by", "QM")
    arguments = ("amend", folder, "--reading", "P-002", "--column", "result", "--new", "2.07", *AMEND)
    code, out, _ = call(*arguments, stdin="n\n")
    assert code == 1
    assert "Nothing was written." in out
    assert not (folder / "amendments.csv").exists()
    code, out, _ = call(*arguments, stdin="y\n")
    assert code == 0
    assert "worksheets/precision.csv, row 3 (reading P-002)" in out
    assert 'column "result": 20.7 becomes 2.07' in out
    assert "Outcomes that change:" in out
    assert "R1 at 2: " in out
    assert "Appended as amendment 1" in out
    assert str(folder / "amendments.csv") in out
    assert "typed wrongly, see export" in (folder / "amendments.csv").read_text(encoding="utf-8")


def test_amend_excludes_and_reinstates(call, tmp_path):
    folder = write_study(tmp_path)
    assert call("amend", folder, "--reading", "P-002", "--exclude", *AMEND, "--yes")[0] == 0
    assert call("amend", folder, "--reading", "P-002", "--reinstate", *AMEND, "--yes")[0] == 0
    code, _, err = call("amend", folder, "--reading", "P-002", "--reinstate", *AMEND, "--yes")
    assert (code, "not excluded" in err) == (2, True)


def test_amend_excuses_an_empty_reading(call, tmp_path):
    folder = write_study(tmp_path, {"precision": PRECISION.replace("2.07", "")})
    assert call("check", folder)[0] == 2
    assert call("amend", folder, "--reading", "P-002", "--exclude", *AMEND, "--yes")[0] == 0
    assert call("check", folder)[0] == 0


def test_amend_without_an_answer_writes_nothing(call, tmp_path):
    folder = write_study(tmp_path)
    code, _, err = call("amend", folder, "--reading", "P-002", "--exclude", *AMEND)
    assert (code, "nothing was written" in err) == (2, True)
    assert not (folder / "amendments.csv").exists()


def test_amend_records_a_change_of_the_plan(call, tmp_path):
    folder = write_study(tmp_path)
    call("freeze", folder, "--by", "QM")
    plan = folder / "plan.yaml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("limit: 0.18", "limit: 0.01"), encoding="utf-8")
    code, out, _ = call("check", folder)
    assert code == 1
    assert "plan.lock does not match plan.yaml" in out
    assert "plan.yaml was changed after it was frozen on" in out
    assert "--plan" in out
    code, out, _ = call("amend", folder, "--plan", *AMEND, "--yes")
    assert code == 0
    assert "Requirement R2 changes. limit: 0.18 becomes 0.01." in out
    entries = json.loads((folder / "plan.lock").read_text(encoding="utf-8"))["entries"]
    assert [entry["amendment"] for entry in entries] == [None, 1]
    assert len(list((folder / "history").glob("plan-*.yaml"))) == 2
    code, out, _ = call("check", folder)
    assert (code, "does not match" in out) == (0, False)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--reading", "P-002"], "Name one change"),
        (["--reading", "P-002", "--exclude", "--reinstate"], "Name one change"),
        (["--reading", "P-002", "--column", "result"], "both --column C and --new V"),
        (["--exclude"], "Name the reading"),
        (["--plan", "--reading", "P-002"], "leave --reading out"),
        (["--reading", "p-002", "--exclude"], "Write P-002."),
        (["--reading", "P-002", "--column", "result", "--new", "2,1"], "Write 2.1."),
        (["--plan"], "never frozen"),
    ],
)
def test_amend_refuses_what_it_cannot_do(call, tmp_path, options, said):
    code, _, err = call("amend", write_study(tmp_path), *options, *AMEND, "--yes")
    assert code == 2
    assert said in err


# ---- the verbs that hand on


def report(dossier: Path, draft: str = "") -> RunReport:
    return RunReport(dossier, "fit", "From 0.5 to 10 %.", False, ("one run only",), draft)


def test_run_hands_on_and_tells(call, tmp_path, monkeypatch):
    folder = write_study(tmp_path)
    seen = {}

    def run_study(path, **named):
        seen.update(named, path=path)
        named["progress"]("trueness done")
        return report(folder / "dossiers" / "001")

    monkeypatch.setattr("validation.running.run.run_study", run_study)
    code, out, err = call("run", folder, "--jobs", "2")
    assert (code, err) == (0, "trueness done\n")
    assert (seen["path"], seen["jobs"], seen["draft"], seen["only"]) == (folder, 2, False, None)
    assert "Proposed conclusion: fit. From 0.5 to 10 %." in out
    assert "one run only" in out
    assert f"validation verify {folder / 'dossiers' / '001'}" in out
    assert call("run", folder, "--strict")[0] == 1
    for issue in ("001", "002"):
        (folder / "dossiers" / issue / "inputs").mkdir(parents=True)
    old, new = (folder / "dossiers" / issue for issue in ("001", "002"))
    assert f"validation compare {old} {new}" in call("run", folder)[1]
    code, out, _ = call("run", folder, "--json", "--draft", "--only", "trueness.bias")
    assert (code, json.loads(out)["all_met"], seen["only"], seen["draft"]) == (0, False, "trueness", True)


def test_a_draft_says_why_it_is_one_and_what_to_do(call, tmp_path, monkeypatch):
    folder, why = write_study(tmp_path), "This is a draft, since the plan is not frozen; it takes no number."
    monkeypatch.setattr("validation.running.run.run_study", lambda path, **named: report(path / "draft", why))
    code, out, _ = call("run", folder)
    assert (code, out.count(why), f"validation check {folder}" in out) == (0, 1, True)
    assert json.loads(call("run", folder, "--json")[1])["draft"] == why


def test_run_refuses_faults_like_check(call, tmp_path):
    folder = write_study(tmp_path, {"precision": PRECISION.replace("2.01", "x")})
    code, _, err = call("run", folder)
    assert code == 2
    assert "1 fault; nothing was computed." in err
    assert not (folder / "dossiers").exists()


def test_a_refusal_is_one_sentence(call, tmp_path, monkeypatch):
    def run_study(path, **named):
        raise Refusal("Another run is at work.")

    monkeypatch.setattr("validation.running.run.run_study", run_study)
    assert call("run", write_study(tmp_path)) == (2, "", "Another run is at work.\n")


def test_an_interruption_is_told(call, tmp_path, monkeypatch):
    def run_study(path, **named):
        raise KeyboardInterrupt

    monkeypatch.setattr("validation.running.run.run_study", run_study)
    code, _, err = call("run", write_study(tmp_path))
    assert code == 130
    assert "No partial dossier is left" in err


def test_verify_says_no_with_one(call, tmp_path, monkeypatch):
    from validation.dossier.verify import VerifyReport

    monkeypatch.setattr("validation.dossier.verify.verify_dossier", lambda path, make: VerifyReport(True, (), 40))
    code, out, _ = call("verify", tmp_path)
    assert (code, "40 files and values checked" in out) == (0, True)
    bad = VerifyReport(False, ("results.json: changed.",), 40)
    monkeypatch.setattr("validation.dossier.verify.verify_dossier", lambda path, make: bad)
    code, _, err = call("verify", tmp_path)
    assert code == 1
    assert "results.json: changed." in err
    code, out, _ = call("verify", tmp_path, "--json")
    assert (code, json.loads(out)["ok"]) == (1, False)


@pytest.mark.parametrize("arguments", [["verify"], ["trace", "trueness.bias"], ["compare"]])
def test_a_dossier_that_is_not_there(call, tmp_path, arguments):
    places = [tmp_path / "none"] * (2 if arguments[0] == "compare" else 1)
    code, _, err = call(arguments[0], *places, *arguments[1:])
    assert code == 2
    assert "There is no dossier" in err
    places = [tmp_path] * len(places)
    code, _, err = call(arguments[0], *places, *arguments[1:])
    assert code == 2
    assert "not a dossier" in err


def test_a_study_is_no_dossier_and_a_dossier_no_study(call, tmp_path):
    study = write_study(tmp_path / "s")
    assert call("verify", study) == (
        2,
        "",
        f"{study} is a study, not a dossier; `validation run` writes its first dossier.\n",
    )
    dossier = study / "dossiers" / "001"
    (dossier / "inputs").mkdir(parents=True)
    (dossier / "manifest.json").write_text("{}", encoding="utf-8")
    assert f"its newest dossier is {dossier}." in call("trace", study, "trueness.bias")[2]
    for verb in ("check", "run"):
        assert f"{dossier} is a dossier, not a study" in call(verb, dossier)[2]


def test_demo_hands_on(call, tmp_path, monkeypatch):
    seen = {}

    def run_demo(out, progress, **named):
        seen.update(named)
        return report(out / "s" / "dossiers" / "001")

    monkeypatch.setattr("validation.running.demo.run_demo", run_demo)
    first = tmp_path / "d" / "new-grade" / "dossiers" / "001"
    (first / "inputs").mkdir(parents=True)
    code, out, _ = call("demo", "--out", tmp_path / "d", "--new-lot", "--jobs", "2")
    assert (code, "validation verify" in out, seen) == (0, True, {"jobs": 2, "new_lot": True})
    assert f"validation compare {first} " in out
    assert f"validation demo --out {tmp_path / 'd'} --new-lot" in call("demo", "--out", tmp_path / "d")[1]


@pytest.mark.parametrize("order", [[False, True, False], [True, False, True]])
def test_the_two_studies_of_the_demonstration_in_either_order(tmp_path, monkeypatch, order):
    from validation.running import demo

    ran = []

    def run_study(folder, **named):
        ran.append((folder.name, load_study(folder).plan.study.parent is not None))
        dossier = folder / "dossiers" / "001"
        dossier.mkdir(parents=True)
        (dossier / "manifest.json").write_text(folder.name, encoding="utf-8")
        return report(dossier)

    results = {"conclusion": {"outcome": "fit", "text": "x"}, "requirements": [{"outcome": "met"}]}
    monkeypatch.setattr(demo, "run_study", run_study)
    monkeypatch.setattr(demo, "read_results", lambda dossier: results)
    made = [demo.run_demo(tmp_path / "d", new_lot=new_lot).dossier.parent.parent.name for new_lot in order]
    assert made == [{False: "new-grade", True: "new-lot"}[new_lot] for new_lot in order]
    assert ran == [("new-grade", False), ("new-lot", True)]
    assert len(read_lock(tmp_path / "d" / "new-lot")[0]) == 2


def test_a_demonstration_overwrites_nothing(tmp_path):
    (tmp_path / "new-lot").mkdir()
    (tmp_path / "new-lot" / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(Refusal, match="is in the way"):
        run_demo(tmp_path)
    assert [path.name for path in tmp_path.rglob("*")] == ["new-lot", "mine.txt"]


def test_check_asks_for_the_parent_that_the_plan_names(call, tmp_path):
    parent = "study:\n  parent: " + "ab" * 32
    folder = write_study(tmp_path, {"precision": PRECISION.replace("2.01", "x")}, plan=PLAN.replace("study:", parent))
    code, _, err = call("check", folder)
    assert (code, "2 faults" in err) == (2, True)
    assert "Copy the parent's dossier folder into records/, or correct the hash." in err
    assert 'row 2 (reading P-001), column "result"' in err


# ---- the documentation


def test_the_page_of_commands_is_that_of_this_version():
    page = Path(__file__).parents[1] / "docs" / "commands.md"
    assert page.read_text(encoding="utf-8") == command_page(), "write it again: python docs/commands.py"
    assert all(f"## validation {verb}" in page.read_text(encoding="utf-8") for verb in VERBS)


def test_faults_of_plan_requirements_and_worksheets_are_told_together(tmp_path: Path) -> None:
    study = Path(shutil.copytree(resources.folder("demo_data") / "new-grade", tmp_path / "study"))
    plan = (study / "plan.yaml").read_text(encoding="utf-8")
    plan = plan.replace("  trigger:", "  triger:", 1).replace("quantity: trueness.bias", "quantity: trueness.bais", 1)
    (study / "plan.yaml").write_text(plan, encoding="utf-8")
    sheet = study / "worksheets" / "calibration.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("3921.4", "3921.x", 1), encoding="utf-8")
    told = [str(fault) for fault in read_checked(study)[1]]
    for part in ('Write "trigger"', "Did you mean trueness.bias?", '"response": The cell holds more than a number'):
        assert sum(part in fault for fault in told) == 1, part
    with pytest.raises(StudyDataError, match=re.escape("Did you mean trueness.bias?")):
        run_study(study)


@pytest.mark.parametrize(
    ("verb", "module", "function", "place"),
    [
        ("demo", "validation.running.demo", "run_demo", "validation-demo"),
        ("selftest", "validation.selftest.report", "run_selftest", "validation-selftest"),
    ],
)
def test_a_folder_that_nobody_names_is_the_usual_one(call, monkeypatch, verb, module, function, place):
    """The README's own command names no folder."""

    def stopped(out, *arguments, **options):
        raise Refusal(f"would write into {out}")

    monkeypatch.setattr(f"{module}.{function}", stopped)
    code, _, err = call(verb)
    assert (code, f"would write into {place}" in err) == (2, True)
