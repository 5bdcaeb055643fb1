"""Repeatability: what counts as a replicate. The statistics and what both chapters share stand in test_precision.py."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats
from small_study import precision_study, small_study

from validation.characteristics import intermediate_precision, repeatability
from validation.figures import intermediate_precision as run_figures
from validation.figures import repeatability as repeat_figures
from validation.figures.style import svg_text
from validation.notebook import open_chapter
from validation.stats.precision import against_published, precision
from validation.stats.precision_forms import FORMULAS, SdForm, choose, precision_forms


def test_preparations_change_what_a_replicate_is():
    runs = [[1.00, 1.01, 1.20, 1.21], [1.40, 1.41, 1.10, 1.11]]
    names = ["a", "a", "b", "b", "c", "c", "d", "d"]
    plain, nested = precision_study(runs), precision_study(runs, preparation=names)
    s_plain = repeatability.evaluate(plain).get("repeatability.s_r", 4.0)
    s_nested = repeatability.evaluate(nested).get("repeatability.s_r", 4.0)
    assert any("no preparation column" in note for note in s_plain.notes)
    # By hand: variances of the preparation means 0.02 and 0.045, of the readings 5e-5, two readings a preparation.
    assert s_nested.value**2 == pytest.approx(0.0325 - 5e-5 / 2 + 5e-5, rel=1e-9)
    assert s_plain.degrees_of_freedom == 6
    assert s_nested.degrees_of_freedom < 2.1
    assert any("not replicates" in note for note in s_nested.notes)


def test_preparation_read_in_several_runs_is_said():
    study = precision_study([[1.0, 1.2], [1.1, 1.3]], preparation=["a", "b", "a", "b"])
    assert any("more than one run" in note for note in repeatability.evaluate(study).notes)


def test_single_readings_leave_repeatability_missing_and_s_I_present():
    study = precision_study([[1.0], [2.0], [3.0]])
    repeat = repeatability.evaluate(study)
    assert not repeat.quantities
    assert "Replicates within a run would supply it" in repeat.missing
    inter = intermediate_precision.evaluate(study)
    assert [q.key for q in inter.quantities] == ["intermediate_precision.s_I"]
    assert inter.quantities[0].value == pytest.approx(1.0)
    assert inter.quantities[0].degrees_of_freedom == 2
    assert any("single reading" in note for note in inter.quantities[0].notes)


# Against a published repeatability limit ---------------------------------------------------------------------------


def with_published(study, published):
    data = study.experiments["precision"]
    return replace(study, experiments={"precision": replace(data, settings={"published_r": published})})


RUNS = [[4.02, 4.31, 3.95], [4.11, 3.82, 4.05], [3.91, 4.08, 4.22], [4.15, 3.97, 3.74]]


def test_ratio_to_published_is_a_chi_square_test_of_the_variance():
    # scipy.stats on the readings themselves: nu s^2 / sigma^2 is chi-square; sigma = r / (1.96 sqrt(2)), ISO 5725-6.
    published = 0.3
    study = with_published(precision_study(RUNS), published)
    evaluation = repeatability.evaluate(study)
    q = evaluation.get("repeatability.ratio_to_published", 4.0)
    pooled, df = float(np.mean([np.var(run, ddof=1) for run in RUNS])), 8
    sigma = published / (1.96 * np.sqrt(2))
    statistic = df * pooled / sigma**2
    assert q.value == pytest.approx(np.sqrt(pooled) / sigma, rel=1e-9)
    assert (q.unit, q.degrees_of_freedom, q.n) == ("1", 8, 12)
    ends = [np.sqrt(statistic / stats.chi2.ppf(share, df)) for share in (0.975, 0.025)]
    assert q.interval == pytest.approx(ends, rel=1e-9)
    # The one-sided bound at 95 % is the end of the judged interval.
    assert q.judged_interval[1] == pytest.approx(np.sqrt(statistic / stats.chi2.ppf(0.05, df)), rel=1e-9)
    (table,) = [table for table in evaluation.display.tables if table.name == "published"]
    (row,) = table.rows
    found = dict(zip(table.head, row, strict=True))
    assert found["chi-square"] == pytest.approx(statistic, rel=1e-9)
    assert found["critical value"] == pytest.approx(stats.chi2.ppf(0.95, df), rel=1e-12)
    assert found["p"] == pytest.approx(stats.chi2.sf(statistic, df), rel=1e-9)


@pytest.mark.parametrize(
    ("published", "said"), [(0.2, "does not reach the published repeatability"), (0.9, "does not exceed it by more")]
)
def test_the_comparison_is_told_in_words(published, said):
    evaluation = repeatability.evaluate(with_published(precision_study(RUNS), published))
    (sentence,) = [s for s in repeatability.in_words(evaluation, "%") if "published r" in s]
    assert sentence.startswith("At 4 % s_r is ")
    assert said in sentence


def test_published_limits_by_level_go_to_their_level():
    study = with_published(precision_study(RUNS), {"4": 0.3, "9.0": 0.5})
    evaluation = repeatability.evaluate(study)
    assert [q.at for q in evaluation.quantities if q.key == "repeatability.ratio_to_published"] == [4.0]
    assert any(note.startswith("The plan states a published r at 9.0") for note in evaluation.notes)
    absent = repeatability.evaluate(precision_study(RUNS))
    assert absent.get("repeatability.ratio_to_published", 4.0) is None
    labelled = with_published(precision_study(RUNS, level="OG-N"), {"OG-N": 0.3})
    assert repeatability.evaluate(labelled).get("repeatability.ratio_to_published", "OG-N").unit == "1"


def test_a_published_limit_that_is_not_positive_is_refused():
    s_r = precision([[[value] for value in run] for run in RUNS]).s_r
    with pytest.raises(ValueError, match="must be positive; got 0"):
        against_published(s_r, 0)


def test_alike_readings_claim_no_ratio():
    study = with_published(precision_study([[1.0, 1.0], [1.0, 1.0]]), 0.3)
    q = repeatability.evaluate(study).get("repeatability.ratio_to_published", 4.0)
    assert (q.value, q.interval) == (0.0, None)


# Forms of s(x) -----------------------------------------------------------------------------------------------------

TRUTHS = {
    "constant": lambda x: 0.05 + 0 * x,
    "proportional": lambda x: 0.03 * x,
    "linear": lambda x: 0.03 + 0.02 * x,
    "root-sum-square": lambda x: np.sqrt(0.05**2 + (0.03 * x) ** 2),
}
X = np.array([0.5, 1, 2, 4, 7.5, 10])


@pytest.mark.parametrize("name", list(TRUTHS))
def test_the_form_that_made_the_data_is_found_again(name):
    # Simulated truth, 20000 degrees of freedom a level: parameters within five standard errors, about 2 %.
    rng = np.random.default_rng(11)
    sds = TRUTHS[name](X) * np.sqrt(rng.chisquare(20000, X.size) / 20000)
    result = precision_forms(X, sds, [20000] * X.size)
    assert result.chosen.name == name
    assert result.chosen.at(X) == pytest.approx(TRUTHS[name](X), rel=0.02)
    truth = {
        "constant": (0.05, None),
        "proportional": (None, 0.03),
        "linear": (0.03, 0.02),
        "root-sum-square": (0.05, 0.03),
    }
    for found, known in zip((result.chosen.constant, result.chosen.slope), truth[name], strict=True):
        assert found is None if known is None else found == pytest.approx(known, rel=0.02)


def test_forms_match_gamma_regressions_with_their_likelihoods():
    # statsmodels GLM: a variance is Gamma with mean s(x)^2, dispersion 2, weights df. Identity link on x^2 for the
    # root-sum-square, square-root link on x for the others.
    import statsmodels.api as sm

    s, df = np.array([0.050, 0.052, 0.075, 0.11, 0.21, 0.26]), np.array([16, 16, 12.5, 16, 14, 16])
    one = np.ones_like(X)
    designs = {
        "constant": (one[:, None], 0.5),
        "proportional": (X[:, None], 0.5),
        "linear": (np.column_stack([one, X]), 0.5),
        "root-sum-square": (np.column_stack([one, X**2]), 1.0),
    }
    result = {form.name: form for form in precision_forms(X, s, df).forms}
    likelihoods = {}
    for name, (design, power) in designs.items():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            family = sm.families.Gamma(link=sm.families.links.Power(power), check_link=False)
            fit = sm.GLM(s**2, design, family=family, var_weights=df).fit(tol=1e-13, maxiter=300)
        wanted = np.sqrt(fit.params) if power == 1.0 else fit.params
        found = [part for part in (result[name].constant, result[name].slope) if part is not None]
        assert found == pytest.approx(list(wanted), rel=1e-6), name
        likelihoods[name] = fit.model.loglike(fit.params, scale=2.0)
    # What all forms share is left out of ours: the differences agree.
    for name in FORMULAS:
        ours = result[name].log_likelihood - result["linear"].log_likelihood
        assert ours == pytest.approx(likelihoods[name] - likelihoods["linear"], abs=1e-7)


@pytest.mark.parametrize("x", [X, np.array([0.0, 0.2, 1.0, 5.0, 6.0, 9.0])])
def test_root_sum_square_matches_a_search_by_brute_force(x):
    # scipy.optimize on the same density, scipy.stats.chi2, from a grid of starts.
    s, df = np.array([0.041, 0.052, 0.047, 0.14, 0.19, 0.31]), np.array([8, 4, 8, 6, 8, 3])

    def objective(parts):
        variance = parts[0] ** 2 + (parts[1] * x) ** 2
        return -float(np.sum(stats.chi2.logpdf(df * s**2 / variance, df) + np.log(df / variance)))

    best = optimize.minimize(
        objective,
        optimize.brute(objective, ((0.005, 0.2), (0.002, 0.1)), Ns=40, finish=None),
        method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-12},
    )
    (form,) = [form for form in precision_forms(x, s, df).forms if form.name == "root-sum-square"]
    assert (form.constant, form.slope) == pytest.approx(tuple(best.x), rel=1e-5)


def test_one_parameter_pays_the_optimism_of_the_likelihood():
    # Chi-square algebra: -2 log L of N new contrasts under the fitted variance exceeds that of the old by
    # N^2 / (N - 2) - N = 2 N / (N - 2) on average, since E[1 / chi-square(N)] = 1 / (N - 2).
    (form,) = [f for f in precision_forms([1, 2, 4], [0.1, 0.1, 0.2], [3, 2, 3]).forms if f.name == "constant"]
    assert form.aicc + 2 * form.log_likelihood == pytest.approx(2 * 8 / 6, rel=1e-12)


def scored(*scores):
    return [SdForm(name, 1.0, 1.0, 0.0, score) for name, score in zip(FORMULAS, scores, strict=True)]


@pytest.mark.parametrize(
    ("scores", "name"),
    [
        ((9.0, 1.9, 1.0, 0.0), "proportional"),  # fewer parameters within 2
        ((1.5, 1.9, 1.0, 0.0), "constant"),  # of equal ones the smaller
        ((9.0, 2.1, 1.9, 0.0), "linear"),  # then the line
        ((9.0, 2.1, 2.1, 0.0), "root-sum-square"),
        ((None, None, None, None), "linear"),  # nothing to compare
        ((5.0, None, 3.5, 3.4), "constant"),
    ],
)
def test_the_rule_chooses(scores, name):
    assert choose(scored(*scores)).name == name


def test_a_level_of_zero_rules_the_proportional_form_out():
    result = precision_forms([0, 1, 2, 4], [0.01, 0.05, 0.1, 0.2], [10] * 4)
    (form,) = [form for form in result.forms if form.name == "proportional"]
    assert (form.constant, form.slope, form.log_likelihood, form.aicc) == (None, None, None, None)
    assert result.chosen.name != "proportional"
    assert any("no scatter at level 0" in note for note in result.notes)


def test_unit_and_order_do_not_matter_and_a_level_without_scatter_is_borne():
    s, df = np.array([0.0, 0.05, 0.06, 0.12, 0.2, 0.3]), np.array([4, 8, 4, 8, 8, 3])
    one, two = precision_forms(X, s, df), precision_forms(X[::-1] * 1e4, s[::-1] * 1e4, df[::-1])
    assert one.chosen.name == two.chosen.name
    assert one.forms[3].at(X) * 1e4 == pytest.approx(two.forms[3].at(X * 1e4), rel=1e-10)
    gaps = [[form.aicc - r.forms[0].aicc for form in r.forms] for r in (one, two)]
    assert gaps[0] == pytest.approx(gaps[1], abs=1e-8)


def test_what_cannot_be_fitted_is_refused():
    for levels, sds, said in (
        ([1, 2], [0.1, 0.2], "three levels or more; got 2"),
        ([-1, 2, 3], [0.1, 0.2, 0.3], "0 or above; got -1"),
        ([1, 2, 3], [0, 0, 0], "zero throughout"),
    ):
        with pytest.raises(ValueError, match=said):
            precision_forms(levels, sds, [8] * len(levels))


def over_levels(name, published=None):
    rng = np.random.default_rng(5)
    rows = [
        (x, f"R{run}", f"{x + rng.normal(0, float(TRUTHS[name](x))):.5f}")
        for run in range(15)
        for x in (0.5, 2.0, 5.0, 10.0)
        for _ in range(12)
    ]
    level, run, result = zip(*rows, strict=True)
    study = small_study("precision", {"level": level, "run": run, "result": result})
    return study if published is None else with_published(study, published)


@pytest.mark.parametrize("name", list(TRUTHS))
def test_chapters_show_name_and_draw_the_chosen_form(name):
    study = over_levels(name)
    for module, figures, symbol in (
        (repeatability, repeat_figures, "s_r"),
        (intermediate_precision, run_figures, "s_I"),
    ):
        evaluation = module.evaluate(study)
        (table,) = [t for t in evaluation.display.tables if t.caption == f"Forms of {symbol}(x)"]
        chosen = [row for row in table.rows if row[-1] == "yes"]
        assert [row[0].partition(":")[0] for row in chosen] == [name]
        # The linear row is the model of the reported keys.
        line = [evaluation.get(f"{module.NAME}.model_{part}").value for part in ("constant", "slope")]
        assert table.rows[2][1:3] == pytest.approx(line, rel=1e-12)
        assert any(note.startswith(f"The {name} form of {symbol}(x) is chosen") for note in evaluation.notes)
        assert any(f"the {name} one is chosen" in sentence for sentence in module.in_words(evaluation, "%"))
        x, s = evaluation.display.view.form.curve
        assert s[-1] == pytest.approx(TRUTHS[name](x[-1]), rel=0.15)
        assert name in svg_text(figures.sd_by_level(evaluation, study))


def test_too_few_levels_leave_the_forms_out():
    for module in (repeatability, intermediate_precision):
        display = module.evaluate(precision_study(RUNS)).display
        assert display.view.form is None
        assert not [table for table in display.tables if table.name == "forms"]


@pytest.mark.parametrize("published", [None, 0.5])
def test_a_chapter_finds_its_tables_by_name(published):
    chapter = open_chapter("repeatability")
    chapter.study = over_levels("linear", published)
    assert "log likelihood" in chapter.table("forms").columns
    assert chapter.table("published").empty is (published is None)
    chapter = open_chapter("repeatability")
    chapter.study = with_published(precision_study(RUNS), 0.3)
    assert chapter.table("forms").empty
    assert "published r" in chapter.table("published").columns
