"""Questions on the raw data: each rule asks of the pattern that was planted, and none asks of clean readings.

Chances are held against exact arithmetic and scipy; question_rates.py simulates how often clean studies are asked.
"""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from math import erf, factorial, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import question_rates
from scipy import stats
from small_study import small_study
from study_folder import PRECISION, write_study

from validation.cli import main
from validation.faults import Refusal
from validation.judging.outcomes import judge_study
from validation.judging.questions import RULES, Question, answer, questions
from validation.judging.questions.record import RATE
from validation.stats import raw_patterns
from validation.stats.raw_patterns import RunLayout
from validation.study.load import load_study
from validation.study.model import Study
from validation.study.text_files import moment

LEVELS, RUNS, REPEATS = (0.5, 1.0, 2.0, 4.0), 6, 3
Columns = dict[str, list[str]]


def clean(seed: int = 1, places: int = 2) -> Columns:
    """Six runs of four levels of three readings in random order, four minutes apart, each from its own vial."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[object, ...]] = []
    for run in range(1, RUNS + 1):
        of_run, start = rng.normal(), datetime(2026, 3, run, 8, 30)
        planned = rng.permutation(np.repeat(LEVELS, REPEATS))
        for order, x in enumerate(planned, 1):
            value = x + of_run * (0.02 + 0.012 * x) + rng.normal() * (0.03 + 0.018 * x)
            when = (start + timedelta(minutes=4 * (order - 1))).isoformat("T", "minutes")
            vial = f"N{x:g}-{run}-{order}"
            rows.append(
                (f"{x:g}", f"R{run}", order, when, f"A{run % 3}", f"SAW-{run % 2}", vial, f"{value:.{places}f}")
            )
    names = ("level", "run", "order", "time", "analyst", "instrument", "preparation", "result")
    return {name: [str(row[place]) for row in rows] for place, name in enumerate(names)}


def study_of(columns: Columns, experiment: str = "precision", plan: dict[str, Any] | None = None) -> Study:
    study = small_study(experiment, columns)
    data = study.experiments[experiment]
    readings = []
    for reading in data.readings:
        when = moment(reading.values.get("time", ""))
        found = {} if when is None else {"time": when[0], "time_is_a_date": when[1]}
        readings.append(replace(reading, **found))
    data = replace(data, readings=tuple(readings))
    return replace(study, experiments={experiment: data}, plan=study.plan.model_copy(update=plan or {}))


def rules(columns: Columns, **more: Any) -> list[str]:
    return [question.rule for question in questions(study_of(columns, **more))]


def rows_of(columns: Columns, run: str) -> list[int]:
    return [row for row, name in enumerate(columns["run"]) if name == run]


@pytest.mark.parametrize("places", [2, 1, 4])
@pytest.mark.parametrize("seed", range(5))
def test_clean_readings_raise_no_question(seed: int, places: int) -> None:
    assert rules(clean(seed, places)) == []


def test_the_rules_have_names_reasons_and_a_stated_rate() -> None:
    assert len({rule.name for rule in RULES}) == len(RULES)
    assert all(rule.reason.endswith(".") and rule.false_alarm in (None, RATE) for rule in RULES)
    page = (Path(__file__).parents[1] / "docs" / "questions.md").read_text(encoding="utf-8")
    assert [rule.name for rule in RULES if f"| {rule.name} |" not in page] == []


# --------------------------------------------------------------------------------------------------------- by chance


def test_a_run_entered_twice() -> None:
    columns = clean()
    by_level = {name: sorted(rows_of(columns, name), key=lambda row: columns["level"][row]) for name in ("R2", "R5")}
    for source, target in zip(by_level["R2"], by_level["R5"], strict=True):
        columns["result"][target] = columns["result"][source]
    (question,) = questions(study_of(columns))
    assert question.rule == "same run"
    assert "Runs R2 and R5" in question.text
    assert len(question.readings) == 2 * len(LEVELS) * REPEATS
    assert question.false_alarm == RATE


def test_a_run_of_four_readings_entered_again_in_another_order_of_its_levels(tmp_path: Path) -> None:
    first = PRECISION.splitlines()[1:5]
    again = [line.replace("P-0", "Q-0").replace(",1,", ",4,") for line in reversed(first)]
    again = [again[1], again[0], again[3], again[2]]  # another order of the levels, the same within each
    folder = write_study(tmp_path, {"precision": PRECISION + "\n".join(again) + "\n"})
    asked = questions(load_study(folder))
    assert asked[0].text.startswith("Runs 1 and 4 of precision hold the same 4 results in the same places")
    assert [question.rule for question in asked[:2]] == ["same run", "reading entered twice"]


@pytest.mark.parametrize("values", [["2.0", "2.1", "2.2"], ["0.0", "0.0", "0.0", "0.1", "0.1"]])
def test_runs_that_agree_easily_are_let_be(values: list[str]) -> None:
    runs = [name for name in ("R1", "R2") for _ in values]
    assert rules({"level": ["2"] * len(runs), "run": runs, "result": values * 2}) == []


def test_runs_of_one_name_in_two_laboratories_are_two_runs() -> None:
    values = ["2.031", "2.114", "1.942", "2.265"]
    sites = [site for site in ("North", "South") for _ in values]
    columns = {"laboratory": sites, "level": ["2"] * 8, "run": ["1"] * 8, "result": values * 2}
    (question,) = questions(study_of(columns, "reproducibility"))
    assert "Runs North, 1 and South, 1 of reproducibility hold the same 4 results" in question.text


def test_a_run_that_scatters_too_little() -> None:
    columns = clean()
    for row in rows_of(columns, "R3"):
        columns["result"][row] = f"{float(columns['level'][row]) + 0.01:.2f}"
    assert rules(columns) == ["regular run"]


def test_results_on_the_assigned_value() -> None:
    columns = clean()
    columns["assigned"] = list(columns["level"])
    assert rules(columns) == []
    for row in rows_of(columns, "R3"):
        columns["result"][row] = columns["assigned"][row]
    assert set(rules(columns)) == {"on the assigned value", "regular run"}
    columns = {**clean(), "assigned": list(clean()["level"])}
    for row in range(0, len(columns["level"]), 3):
        columns["result"][row] = columns["assigned"][row]
    assert "on the assigned value" in rules(columns)


def test_last_digits_that_prefer_0_and_5_unless_it_is_the_step() -> None:
    columns = clean()
    rounded = [f"{5 * round(float(text) * 20) / 100:.2f}" for text in columns["result"]]
    assert rules({**columns, "result": rounded}) == []  # throughout: an instrument that reads 0.05 by 0.05
    some = [r if row % 3 else text for row, (r, text) in enumerate(zip(rounded, columns["result"], strict=True))]
    assert rules({**columns, "result": some}) == ["last digits"]


def test_blanks_that_are_zero_throughout() -> None:
    columns = clean()
    columns["level"] = ["0" if level == "0.5" else level for level in columns["level"]]
    for row, level in enumerate(columns["level"]):
        columns["result"][row] = "0.00" if level == "0" else columns["result"][row]
    assert rules(columns) == ["zero blanks"]
    columns["result"][columns["level"].index("0")] = "0.01"
    assert rules(columns) == []


def test_a_run_in_the_order_of_its_levels() -> None:
    columns = clean()
    for run in ("R1", "R4"):
        rows = rows_of(columns, run)
        by_level = sorted(rows, key=lambda row: float(columns["level"][row]))
        for order, row in enumerate(by_level, 1):
            columns["order"][row] = str(order)
            columns["time"][row] = f"2026-03-0{run[1]}T09:{order:02d}"
    (question,) = questions(study_of(columns))
    assert (question.rule, "Runs R1 and R4" in question.text) == ("sorted run", True)


@pytest.mark.parametrize(("factor", "words"), [(10, "10 times"), (0.01, "1/100 of")])
def test_a_run_and_a_reading_off_by_a_power_of_ten(factor: float, words: str) -> None:
    columns = clean(places=4)
    slipped = list(columns["result"])
    for row in rows_of(columns, "R3"):
        slipped[row] = f"{factor * float(slipped[row]):.6f}"
    asked = [q for q in questions(study_of({**columns, "result": slipped})) if q.rule == "power of ten"]
    assert [len(question.readings) for question in asked] == [len(LEVELS) * REPEATS]
    assert words in asked[0].text
    one = [*columns["result"][:-1], f"{factor * float(columns['result'][-1]):.6f}"]
    (question,) = [q for q in questions(study_of({**columns, "result": one})) if q.rule == "power of ten"]
    assert question.readings == (f"T-{len(one):03d}",)


@pytest.mark.parametrize("level", ["0.2", "0"])
def test_few_readings_near_zero_are_ten_times_another_by_chance(level: str) -> None:
    near_zero = ["0.008", "0.001", "0.008", "0.011", "0.008"]  # of five: their median deviation is zero
    slip = ["0.512", "0.488", "5.020", "0.531", "0.495", "0.502"]
    columns = {"level": [level] * 5, "run": list("abcde"), "result": near_zero}
    assert rules(columns) == []
    columns = {"level": ["0.5"] * 6, "run": list("abcdef"), "result": slip}
    assert rules(columns) == ["power of ten"]


def test_blanks_after_a_high_sample_are_blanks() -> None:
    places = ["high", "blank 1", "blank 2"] * 5
    results = [text for k in range(5) for text in (f"9.9{k}", f"0.0{31 + k}", ("0.003", "0.031")[k > 0])]
    columns = {"sequence": [str(k // 3) for k in range(15)], "position": places, "level": ["10"] * 15}
    more = {"run": [str(k // 3) for k in range(15)], "result": results}
    assert rules({**columns, **more}, experiment="carry_over") == []


@pytest.mark.parametrize(("count", "asked"), [(10, []), (11, ["exclusions on one side"])])
def test_exclusions_on_one_side(count: int, asked: list[str]) -> None:
    study = study_of(clean())
    data = study.experiments["precision"]
    extra = [
        replace(data.readings[0], reading=f"T-{900 + k}", status="excluded", values={"level": "4", "result": "4.9"})
        for k in range(count)
    ]
    study = replace(study, experiments={"precision": replace(data, readings=(*data.readings, *extra))})
    assert [q.rule for q in questions(study) if q.rule != "numbers missing"] == asked


# ------------------------------------------------------------------------------------------------------ on the record


def test_one_reading_under_two_names() -> None:
    columns = clean()
    doubled = {name: [*cells, cells[-1]] for name, cells in columns.items()}
    assert rules(doubled) == ["reading entered twice", "one preparation"]
    doubled["time"][-1] = "2026-03-06T09:20"
    doubled["preparation"][-1] = "another"
    assert rules(doubled) == []


def test_readings_closer_in_time_than_a_measurement_takes() -> None:
    columns = clean()
    columns["time"][1] = columns["time"][0] + ":30"
    assert rules(columns) == ["readings too close in time"]
    of_the_run = [f"2026-03-0{name[1]}T08:30" for name in columns["run"]]  # the run's time, not the readings'
    assert rules({**columns, "time": of_the_run}) == []


def test_one_person_on_two_instruments_in_one_minute() -> None:
    columns = clean()
    columns["analyst"][12:24] = ["A1"] * 12
    columns["time"][12:24] = columns["time"][:12]
    assert rules(columns) == ["one person in two places"]


def test_times_that_are_full_hours() -> None:
    columns = clean()
    hours = [
        f"2026-03-0{run[1]}T{8 + int(order):02d}:00"
        for run, order in zip(columns["run"], columns["order"], strict=True)
    ]
    assert rules({**columns, "time": hours}) == ["times without minutes"]


@pytest.mark.parametrize("ordered", [True, False])
def test_an_order_that_was_not_kept(ordered: bool) -> None:
    columns = clean()
    columns["time"][3], columns["time"][5] = columns["time"][5], columns["time"][3]
    if not ordered:
        del columns["order"]
    assert rules(columns) == ["order of the run sheet"]


def test_numbers_missing_between_the_first_and_the_last() -> None:
    study = study_of(clean())
    data = study.experiments["precision"]
    kept = tuple(reading for reading in data.readings if reading.reading != "T-017")
    (question,) = questions(replace(study, experiments={"precision": replace(data, readings=kept)}))
    assert question.rule == "numbers missing"
    assert question.text.startswith("T-017 is missing between T-001 and T-072")


def test_replicates_of_one_preparation() -> None:
    columns = clean()
    columns["preparation"] = [f"{run}-{level}" for run, level in zip(columns["run"], columns["level"], strict=True)]
    (question,) = questions(study_of(columns))
    assert (question.rule, "24 cells" in question.text) == ("one preparation", True)


def test_a_bias_read_on_the_standard_that_calibrates() -> None:
    columns = clean()
    columns["lot"] = ["S-01"] * len(columns["run"])
    assert rules(columns) == []
    rows = [row for row, level in enumerate(columns["level"]) if level == "4" and columns["run"][row] == "R1"][:1]
    for row in rows:
        columns["preparation"][row] = "S-01"
    (question,) = questions(study_of(columns))
    assert question.rule == "standard as its own reference"
    assert question.text.startswith("1 reading of precision is of S-01, which also calibrates")
    columns["lot"] = ["S-00"] * len(columns["run"])
    assert rules(columns) == []
    assert rules(columns, plan={"standards": ({"name": "S-01"},)}) == ["standard as its own reference"]


def test_a_day_that_is_not_that_of_the_time() -> None:
    columns = clean()
    columns["day"] = [text[:10] for text in columns["time"]]
    assert rules(columns) == []
    columns["day"][5] = "2026-04-01"
    (question,) = questions(study_of(columns))
    assert (question.rule, len(question.readings)) == ("day other than its time", 1)
    columns["day"] = ["one" for _ in columns["time"]]
    assert rules(columns) == []


def test_a_preparation_at_two_levels() -> None:
    columns = clean()
    one, other = (next(r for r in rows_of(columns, "R1") if columns["level"][r] == level) for level in ("0.5", "4"))
    columns["preparation"][other] = columns["preparation"][one]
    (question,) = questions(study_of(columns))
    assert (question.rule, len(question.readings)) == ("preparation at two levels", 2)


def test_names_that_the_plan_does_not_list_and_persons_outside_their_time() -> None:
    people = [{"name": "A0"}, {"name": "A1", "since": "2026-03-04"}, {"name": "A2", "until": "2026-03-31"}]
    instruments = [{"name": "SAW-0"}]
    plan = {"people": tuple(people), "equipment": tuple(instruments)}
    asked = questions(study_of(clean(), plan=plan))
    assert [question.rule for question in asked] == ["name not in the plan", "person outside their time"]
    assert "SAW-1" in asked[0].text
    assert "A1 read T-001" in asked[1].text


# ---------------------------------------------------------------------------------------------- answers and the record


def test_an_answer_closes_its_question_and_the_identifier_stays() -> None:
    columns = clean()
    columns["time"][3], columns["time"][5] = columns["time"][5], columns["time"][3]
    study = study_of(columns)
    (question,) = questions(study)
    assert judged(study).fitness.actions[-1].source == f"question {question.id}"
    now = datetime(2026, 4, 1, 9)
    given = answer(study, question.id, number=1, by="Q1", reason="vial 4 was capped again", now=now)
    assert (given.kind, given.column, given.new) == ("answer", question.rule, question.id)
    answered = replace(study, amendments=(given.to_dict(),))
    (closed,) = questions(answered)
    assert (closed.answer, closed.by, closed.open) == ("vial 4 was capped again", "Q1", False)
    assert not any(action.source.startswith("question") for action in judged(answered).fitness.actions)
    assert json.dumps(closed.to_dict())
    with pytest.raises(Refusal, match=f"Did you mean {question.id}"):
        answer(study, f"{question.id[:-1]}z", number=1, by="Q1", reason="x", now=now)


def judged(study: Study) -> Any:
    return judge_study(study, {}, questions=questions(study))


def test_check_lists_a_question_and_amend_answers_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    columns = clean()
    columns["time"][3], columns["time"][5] = columns["time"][5], columns["time"][3]
    lines = [",".join(("reading", *columns))]
    lines += [",".join((f"P-{n:03d}", *row)) for n, row in enumerate(zip(*columns.values(), strict=True), 1)]
    folder = write_study(tmp_path / "study", {"precision": "\n".join(lines) + "\n"})
    assert main(["check", str(folder), "--json"]) == 0
    (question,) = json.loads(capsys.readouterr().out)["questions"]
    assert main(["check", str(folder)]) == 0
    assert f"{question['id']}: Read before" in capsys.readouterr().out
    call = ["amend", str(folder), "--answer", question["id"], "--by", "Q1", "--yes", "--reason", "vial capped again"]
    assert main([*call, "--exclude"]) == 2
    assert main(call) == 0
    assert main(["check", str(folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out.partition("\n{")[2].join(("{", "")))["questions"] == []
    (found,) = questions(load_study(folder, draft=True))
    assert found.answer == "vial capped again"


def test_the_demonstration_has_no_open_question(dossier: Path) -> None:
    results = json.loads((dossier / "results.json").read_text(encoding="utf-8"))
    assert results["questions"] == []
    assert "Questions on the raw data" in (dossier / "dossier.html").read_text(encoding="utf-8")


def test_many_readings_are_asked_about_in_no_time() -> None:
    one, blocks = clean(), 280
    size, rng = len(one["run"]), np.random.default_rng(5)
    many: Columns = {name: cells * blocks for name, cells in one.items()}
    for name in ("run", "preparation"):
        many[name] = [f"{cell}-{row // size}" for row, cell in enumerate(many[name])]
    levels = np.array(many["level"], dtype=float)
    scatter = rng.normal(size=levels.size) * (0.03 + 0.018 * levels)
    many["result"] = [f"{value:.2f}" for value in levels + scatter]
    days = [str(datetime(2026, 1, 1).date() + timedelta(days=day)) for day in range(7 * blocks)]
    many["time"] = [
        f"{days[7 * (row // size) + int(many['run'][row][1])]}{when[10:]}" for row, when in enumerate(many["time"])
    ]
    study = study_of(many)
    start = time.process_time()
    asked = questions(study)
    assert time.process_time() - start < 3.0  # well under one on a quiet machine
    assert asked == ()


# ----------------------------------------------------------------------------------------------------------- statistics


def layout(runs: Sequence[int], levels: Sequence[int]) -> RunLayout:
    return RunLayout(np.array(runs), np.array(levels))


def test_variances_within_cells_are_those_of_numpy() -> None:
    y = np.random.default_rng(3).integers(0, 50, (4, 12))
    found, df = layout([0, 0, 1, 1, 2, 2] * 2, [0] * 6 + [1] * 6).of_levels(y)
    cells = y.reshape(4, 2, 3, 2)
    np.testing.assert_allclose(found, cells.var(axis=3, ddof=1).mean(axis=2))
    assert df.tolist() == [3.0, 3.0]


def test_the_chance_of_order_and_of_signs_is_exact() -> None:
    assert raw_patterns.sorted_chance(np.array([2, 3, 1])) == pytest.approx(2 * 12 / factorial(6))
    assert raw_patterns.sorted_chance(np.array([5])) == 1.0
    assert raw_patterns.one_sided_chance(11) == 2.0**-10


def test_the_chance_of_zero_blanks_is_that_of_the_normal() -> None:
    share = stats.norm.cdf(0.5, 0, 0.4) - stats.norm.cdf(-0.5, 0, 0.4)
    assert raw_patterns.zero_blanks(np.zeros((1, 7)), 0.4)[0] == pytest.approx(share**7)
    assert erf(0.5 / (0.4 * sqrt(2))) == pytest.approx(share)
    assert raw_patterns.zero_blanks(np.array([[0, 0, 1]]), 0.4)[0] == 1.0


@pytest.mark.parametrize("n", [2, 3, 4])
def test_what_rounding_hides_is_what_a_normal_has_below_it(n: int) -> None:
    # n normals of 20 steps written alike, summed over the steps, against chi-square below the sum of squares.
    s, edges = 20.0, np.arange(-100, 101) - 0.5
    shares = [np.diff(stats.norm.cdf((edges - centre) / s)) for centre in np.linspace(0, 1, 11)]
    alike = np.mean([(share**n).sum() for share in shares])
    hidden = raw_patterns._within_a_step(np.array([n - 1.0]))[0]
    assert stats.chi2.cdf(hidden / s**2, n - 1) == pytest.approx(alike, rel=0.01)


def test_the_favoured_digits_are_no_more_often_there_than_stated() -> None:
    k, worst = np.arange(-60, 61), 0.0
    digits = np.abs(k) % 10
    for mean in np.linspace(0, 5, 101):
        p = stats.norm.cdf(k + 0.5, mean, raw_patterns.LEAST_STEPS) - stats.norm.cdf(
            k - 0.5, mean, raw_patterns.LEAST_STEPS
        )
        favoured, beside = (p[np.isin(digits, own)].sum() for own in ((0, 5), (1, 4, 6, 9)))
        worst = max(worst, favoured / (favoured + beside))
    assert 0.3 < worst <= raw_patterns.FAVOURED


def test_a_power_of_ten() -> None:
    ratios = np.array([10.0, 8.1, 7.0, 0.1, 0.0095, 1.0, -10.0, np.nan])
    assert raw_patterns.power_of_ten(ratios).tolist() == [1, 1, 0, -1, -2, 0, 0, 0]


def test_lengths_and_codes_are_examined() -> None:
    with pytest.raises(ValueError, match="one length"):
        layout([0, 1], [0])
    with pytest.raises(ValueError, match="negative"):
        layout([0, -1], [0, 0])


def test_clean_studies_are_seldom_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """The table of docs/questions.md at a small size: each rule in at most 1 of 1000, by 4 standard errors."""
    monkeypatch.setattr(question_rates, "AT_ONCE", 1000)
    for number, (_, sheets, grid, shape) in enumerate(question_rates.CASES):
        own = question_rates.rates(sheets, grid, shape, 99 + number, 1000)
        assert max(own.values()) <= 0.001 + 4 * sqrt(0.001 * 0.999 / 1000)


def test_a_question_in_plain_types() -> None:
    plain = Question("same-run-000000", "same run", "text", "reason", ("P-001",), "file.csv", None).to_dict()
    assert list(plain) == [
        "id", "rule", "text", "reason", "readings", "worksheet", "false_alarm", "answer", "by", "time",
    ]  # fmt: skip
