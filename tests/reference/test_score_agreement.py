"""Agreement of readers against published worked examples and general libraries."""

import itertools

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as formula_api
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats import inter_rater
from statsmodels.stats.anova import anova_lm

from sigkit.score.gauge_study import gauge_study
from sigkit.score.intraclass_correlation import intraclass_correlation
from sigkit.score.kappa import cohen_kappa, fleiss_kappa
from sigkit.score.krippendorff_alpha import krippendorff_alpha
from sigkit.score.limits_of_agreement import limits_of_agreement, repeated_limits_of_agreement
from sigkit.score.reading_precision import reading_precision

# Peak expiratory flow of 17 subjects, l/min, first readings of two meters: Bland and Altman, Lancet
# 1986;1:307-310, as copied by open repositories.
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
WRIGHT_AGAIN = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]


def rng():
    return np.random.default_rng(0)


def test_limits_of_agreement_of_the_flow_meters():
    # The paper (from memory): mean -2.1, SD 38.8, limits -79.7 and 75.5 from the rounded figures and 2 SD;
    # standard error of a limit 16.3, of the bias 9.4; intervals -22.0 to 17.8, -114.3 to -45.1, 40.9 to 110.1.
    # Limits and their intervals were worked from figures rounded to 0.1: 0.05 + 2 x 0.05 for a limit, and for an
    # end of its interval 2.12 x 0.05 on top, the value of t with 16 degrees of freedom being 2.12.
    of_limit, of_end = 0.15, 0.15 + 2.12 * 0.05
    found = limits_of_agreement(WRIGHT, MINI, multiplier=2.0)
    assert found.pairs == 17
    assert round(found.bias.value, 1) == -2.1
    assert round(found.standard_deviation, 1) == 38.8
    assert found.lower.value == pytest.approx(-79.7, abs=of_limit)
    assert found.upper.value == pytest.approx(75.5, abs=of_limit)
    assert round(found.standard_error_of_bias, 1) == 9.4
    assert round(found.standard_error_of_limit, 1) == 16.3
    np.testing.assert_allclose([found.bias.low, found.bias.high], [-22.0, 17.8], atol=0.1)
    np.testing.assert_allclose([found.lower.low, found.lower.high], [-114.3, -45.1], atol=of_end)
    np.testing.assert_allclose([found.upper.low, found.upper.high], [40.9, 110.1], atol=of_end)


def test_limits_of_agreement_with_the_usual_multiplier():
    # Recomputed from the table: -78.10 and 73.86.
    found = limits_of_agreement(WRIGHT, MINI)
    np.testing.assert_allclose([found.lower.value, found.upper.value], [-78.10, 73.86], atol=0.01)


def test_repeatability_of_the_flow_meter():
    # Same paper (from memory): SD of the differences of the Wright meter's two readings about a mean of zero
    # 21.6 l/min (the repeatability coefficient is twice that, 43.2); s_r is it over sqrt(2).
    found = reading_precision(
        [*WRIGHT, *WRIGHT_AGAIN], [*range(17)] * 2, ["wright"] * 34, [*range(17)] * 2, rng()
    )
    assert found.repeatability.value * np.sqrt(2) == pytest.approx(21.6, abs=0.05)
    assert found.repeated_cells == 17
    assert np.isnan(found.reproducibility.value)  # one reader shows no reproducibility


def test_repeated_limits_are_those_of_an_analysis_of_variance():
    # statsmodels' one-way table of unequal groups; parts by the method of moments.
    draw = np.random.default_rng(5)
    engine = np.repeat(np.arange(12), draw.integers(3, 7, 12))
    difference = draw.normal(0, 1.0, 12)[engine] + draw.normal(0.6, 0.4, engine.size)
    found = repeated_limits_of_agreement(difference, np.zeros(engine.size), engine, rng())
    frame = pd.DataFrame({"difference": difference, "engine": engine.astype(str)})
    table = anova_lm(formula_api.ols("difference ~ engine", frame).fit())
    between, within = table["mean_sq"]
    count = np.bincount(engine)
    size = (count.sum() - (count**2).sum() / count.sum()) / 11
    spread = np.sqrt(within + (between - within) / size)
    assert found.within_engine == pytest.approx(np.sqrt(within))
    assert found.standard_deviation == pytest.approx(spread)
    assert found.upper.value == pytest.approx(difference.mean() + 1.96 * spread)
    assert found.bias.low < found.bias.value < found.bias.high


def test_precision_by_iso_5725_2():
    # Sulfur in coal, level 1, eight laboratories: ISO 5725-2 annex B (data and results from memory):
    # m 0.690, s_r 0.015, s_R 0.026; further digits recomputed.
    level = [[0.71, 0.71, 0.70, 0.71], [0.69, 0.67, 0.68], [0.66, 0.65, 0.69], [0.67, 0.65, 0.66],
             [0.70, 0.69, 0.66, 0.71, 0.69], [0.73, 0.74, 0.73], [0.71, 0.71, 0.69], [0.70, 0.65, 0.68]]  # fmt: skip
    laboratory = np.repeat(np.arange(8), [len(row) for row in level])
    values = np.concatenate(level)
    found = reading_precision(values, ["coal"] * 27, laboratory, ["x"] * 27, rng())
    assert round(found.mean, 3) == 0.690
    assert round(found.repeatability.value, 3) == 0.015
    assert round(found.reproducibility.value, 3) == 0.026
    assert found.between_readers.value == pytest.approx(0.0216, abs=1e-4)
    assert found.reproducibility_limit.value == pytest.approx(2.8 * found.reproducibility.value)


def test_limits_of_iso_5725_are_2_8_standard_deviations():
    # Published example (a test house's page on the standard): s_r 0.021 and s_R 0.057 give r 0.059, R 0.160.
    from sigkit.score.reading_precision import LIMIT_FACTOR

    assert round(LIMIT_FACTOR * 0.021, 3) == 0.059
    assert round(LIMIT_FACTOR * 0.057, 3) == 0.160


def test_gauge_study_of_a_textbook():
    # 20 parts, 3 operators, 2 measurements each: Montgomery, Design and Analysis of Experiments, chapter on
    # random factors. Data and mean squares (62.391, 1.308, 0.712, 0.992) and part variance 10.28 from memory.
    text = (
        "21 20 20 20 19 21|24 23 24 24 23 24|20 21 19 21 20 22|27 27 28 26 27 28|19 18 19 18 18 21|"
        "23 21 24 21 23 22|22 21 22 24 22 20|19 17 18 20 19 18|24 23 25 23 24 24|25 23 26 25 24 25|"
        "21 20 20 20 21 20|18 19 17 19 18 19|23 25 25 25 25 25|24 24 23 25 24 25|29 30 30 28 31 30|"
        "26 26 25 26 25 27|20 20 19 20 20 20|19 21 19 19 21 23|25 26 25 24 25 25|19 19 18 17 19 17"
    )
    table = np.array([row.split() for row in text.split("|")], dtype=float).reshape(20, 3, 2)
    part, operator, _ = np.indices(table.shape)
    found = gauge_study(table.ravel(), part.ravel(), operator.ravel(), part.ravel(), rng())
    published = {"item": 62.391, "reader": 1.308, "interaction": 0.712, "repeat": 0.992}
    assert {name: round(square, 3) for name, square in found.mean_squares.items()} == published
    assert round(found.item.value**2, 2) == 10.28
    assert found.interaction.value == 0.0  # its estimate is negative there

    frame = pd.DataFrame({"y": table.ravel(), "p": part.ravel().astype(str), "o": operator.ravel().astype(str)})
    theirs = anova_lm(formula_api.ols("y ~ p * o", frame).fit())["mean_sq"]
    np.testing.assert_allclose([*found.mean_squares.values()], theirs[["p", "o", "p:o", "Residual"]])


def test_intraclass_correlations_of_shrout_and_fleiss():
    # Six targets, four judges: Shrout and Fleiss, Psychol. Bull. 1979;86:420-428, tables 2 and 4 (from memory).
    # The intervals are those usually printed for these data by statistics packages (from memory).
    table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    found = intraclass_correlation(table, range(6), rng()).by_theory
    published = {
        "ICC(1,1)": (0.17, -0.13, 0.72), "ICC(2,1)": (0.29, 0.02, 0.76), "ICC(3,1)": (0.71, 0.34, 0.95),
        "ICC(1,k)": (0.44, -0.88, 0.91), "ICC(2,k)": (0.62, 0.07, 0.93), "ICC(3,k)": (0.91, 0.68, 0.99),
    }  # fmt: skip
    shown = {form: (round(one.value, 2), round(one.low, 2), round(one.high, 2)) for form, one in found.items()}
    assert shown == published


def test_interval_of_the_one_way_correlation_covers_as_promised():
    # The law: under normal errors the interval of the F distribution holds the true 0.5 in 95 of 100 studies.
    draw = np.random.default_rng(8)
    inside = 0
    for _ in range(400):
        table = draw.normal(size=(12, 1)) + draw.normal(size=(12, 3))
        one = intraclass_correlation(table, np.zeros(12), draw).by_theory["ICC(1,1)"]
        inside += one.low <= 0.5 <= one.high
    assert 0.92 <= inside / 400 <= 0.98


@pytest.mark.parametrize(
    ("scale", "expected"), [("nominal", 0.7434), ("ordinal", 0.8154), ("interval", 0.8491), ("ratio", 0.7974)]
)
def test_alpha_of_krippendorffs_example(scale, expected):
    # Four coders, twelve units with gaps: Krippendorff, Content Analysis, as copied by open test suites, which
    # print 0.815 ordinal and 0.797 ratio; the text's nominal and interval figures are 0.743 and 0.849 (memory).
    gap = np.nan
    ratings = [[1, 2, 3, 3, 2, 1, 4, 1, 2, gap, gap, gap], [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, gap, 3],
               [gap, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, gap], [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, gap]]  # fmt: skip
    found = krippendorff_alpha(ratings, range(12), rng(), scale=scale)
    assert found.value == pytest.approx(expected, abs=1e-4)
    assert found.low < found.value < found.high


@pytest.mark.parametrize("scale", ["nominal", "interval", "ratio"])
def test_alpha_by_its_definition_pair_by_pair(scale):
    draw = np.random.default_rng(2)
    ratings = draw.integers(1, 5, (4, 9)).astype(float)
    ratings[draw.random(ratings.shape) < 0.2] = np.nan
    apart = {
        "nominal": lambda a, b: float(a != b),
        "interval": lambda a, b: (a - b) ** 2,
        "ratio": lambda a, b: ((a - b) / (a + b)) ** 2,
    }[scale]
    units = [column[~np.isnan(column)] for column in ratings.T]
    units = [unit for unit in units if unit.size > 1]
    pooled = np.concatenate(units)
    observed = sum(sum(itertools.starmap(apart, itertools.permutations(u, 2))) / (u.size - 1) for u in units)
    expected = sum(itertools.starmap(apart, itertools.permutations(pooled, 2))) / (pooled.size - 1)
    found = krippendorff_alpha(ratings, range(9), rng(), scale=scale)
    assert found.value == pytest.approx(1 - observed / expected)


def test_fleiss_kappa_of_his_own_data():
    # 30 patients, six raters, five diagnoses: Fleiss, Psychol. Bull. 1971;76:378-382, as copied by open
    # packages, one of which prints 0.4302445 (0.430 in the paper, from memory).
    text = (
        "444444 222555 233335 555555 222444 113333 333355 113334 114444 555555 144444 124444 222333 144444 224445 "
        "333335 111455 111112 224444 133555 555555 244444 224555 114444 144445 222224 111155 224444 133333 555555"
    )
    counts = [[patient.count(diagnosis) for diagnosis in "12345"] for patient in text.split()]
    assert fleiss_kappa(counts, range(30), rng()).value == pytest.approx(0.4302445, abs=1e-7)


def test_fleiss_kappa_of_an_example_and_of_a_library():
    # Ten subjects, fourteen raters, five classes: an encyclopedia's example, 0.210.
    text = "0 0 0 0 14|0 2 6 4 2|0 0 3 5 6|0 3 9 2 0|2 2 8 1 1|7 7 0 0 0|3 2 6 3 0|2 5 3 2 2|6 5 2 1 0|0 2 2 3 7"
    counts = np.array([row.split() for row in text.split("|")], dtype=int)
    found = fleiss_kappa(counts, range(10), rng())
    assert round(found.value, 3) == 0.210
    assert found.value == pytest.approx(inter_rater.fleiss_kappa(counts, method="fleiss"))


def test_cohen_kappa_of_an_example_and_of_two_libraries():
    # 2 x 2 table 20 5 / 10 15, an encyclopedia's example: 0.4.
    first = np.repeat(["yes", "yes", "no", "no"], [20, 5, 10, 15])
    second = np.repeat(["yes", "no", "yes", "no"], [20, 5, 10, 15])
    assert cohen_kappa(first, second, np.arange(50), rng()).value == pytest.approx(0.4)
    draw = np.random.default_rng(1)
    one = draw.integers(0, 4, 400)
    other = np.where(draw.random(400) < 0.6, one, draw.integers(0, 4, 400))
    for weights in ("none", "linear", "quadratic"):
        ours = cohen_kappa(one, other, np.arange(400), rng(), weights=weights)
        theirs = cohen_kappa_score(one, other, weights=None if weights == "none" else weights)
        assert ours.value == pytest.approx(theirs)
    # With every row an engine of its own the interval is near the large-sample one of statsmodels.
    table = np.zeros((4, 4))
    np.add.at(table, (one, other), 1)
    theirs = inter_rater.cohens_kappa(table)
    ours = cohen_kappa(one, other, np.arange(400), rng())
    np.testing.assert_allclose([ours.low, ours.high], [theirs.kappa_low, theirs.kappa_upp], atol=0.015)
