"""Scores of detections, intervals, conditions and comparisons against general libraries and brute force."""

import itertools

import mir_eval
import numpy as np
import pandas as pd
import pytest
import scipy.stats
import sklearn.metrics as sk
import statsmodels.formula.api as formula_api
from mapie.metrics.regression import regression_mean_width_score, regression_mwi_score
from scipy.optimize import linear_sum_assignment
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.weightstats import DescrStatsW

from sigkit.score.accuracy_time_front import accuracy_time_front
from sigkit.score.average_ranks import average_ranks
from sigkit.score.classification import calibration_error, macro_f1
from sigkit.score.classification_score import score_classification
from sigkit.score.detection import score_detection
from sigkit.score.group_draws import GroupDraws
from sigkit.score.holm import holm_correction
from sigkit.score.interval_quality import interval_quality
from sigkit.score.paired_difference import paired_difference
from sigkit.score.prediction_sets import score_sets
from sigkit.score.reliability import reliability_curve
from sigkit.score.risk_coverage import risk_coverage


def rng():
    return np.random.default_rng(0)


def events(seed):
    draw = np.random.default_rng(seed)
    truth = np.sort(draw.uniform(0, 1, 60))
    found = np.r_[truth[10:] + draw.normal(0, 4e-3, 50), draw.uniform(0, 1, 15)]
    return truth, found


def test_detection_of_one_capture_is_that_of_mir_eval():
    # mir_eval.onset.f_measure: a general library's largest one-to-one matching, tolerance inclusive.
    truth, found = events(1)
    ours = score_detection(truth, ["c"] * truth.size, found, ["c"] * found.size, {"c": "e"}, 5e-3, rng())
    f1, precision, recall = mir_eval.onset.f_measure(truth, np.sort(found), window=5e-3)
    assert (ours.f1.value, ours.precision.value, ours.recall.value) == pytest.approx((f1, precision, recall))


def test_detection_and_timing_over_captures_are_the_optimum_of_an_assignment():
    # scipy's assignment on each capture by itself: most pairs first, then the least total error.
    captures = {f"c{number}": f"e{number // 2}" for number in range(6)}
    truth, found, hits, total = [], [], 0, 0.0
    for number, name in enumerate(captures):
        true, seen = events(10 + number)
        truth += [(time, name) for time in true]
        found += [(time, name) for time in seen]
        distance = np.abs(true[:, None] - seen)
        value = np.where(distance <= 5e-3, 1e3 - distance, 0)
        rows, columns = linear_sum_assignment(value, maximize=True)
        kept = value[rows, columns] > 0
        hits, total = hits + int(kept.sum()), total + distance[rows, columns][kept].sum()
    found = [found[place] for place in np.random.default_rng(3).permutation(len(found))]
    score = score_detection(*zip(*truth), *zip(*found), captures, 5e-3, rng())
    assert score.hits == hits
    assert np.abs(score.error_s).sum() == pytest.approx(total, abs=1e-7)  # matched on a grid of 1 ns
    assert all(truth[i][1] == found[j][1] for i, j in zip(score.truth_row, score.found_row))
    assert sum(one["hits"] for one in score.by_engine.values()) == hits
    assert score.f1.low < score.f1.value < score.f1.high


def test_weighted_quantiles_are_those_of_the_rows_drawn():
    # NumPy's quantile of each resample written out row by row.
    values, groups = rng().normal(size=90), np.repeat(np.arange(9), 10)
    draws = GroupDraws.draw(groups, rng(), resamples=50)
    (ours,) = draws.of_quantiles(values, [0.3])
    written_out = [np.quantile(np.repeat(values, times[groups]), 0.3) for times in draws.times]
    assert (ours.low, ours.high) == pytest.approx(draws.interval(np.array(written_out)))
    # statsmodels' weighted spread of the first resample is the formula's.
    spread = DescrStatsW(values, weights=draws.times[0][groups].astype(float), ddof=1).std
    assert np.std(np.repeat(values, draws.times[0][groups]), ddof=1) == pytest.approx(spread)


def test_interval_score_and_width_are_those_of_mapie():
    draw = rng()
    truth = draw.normal(size=300)
    low, high = truth + draw.normal(-1, 1, 300), truth + 3 + draw.exponential(1, 300)
    ours = interval_quality(truth, low, high, np.arange(300) // 10, rng(), stated_level=0.9)
    bands = np.stack([low, high], axis=1)[:, :, None]
    assert ours.interval_score.value == pytest.approx(float(regression_mwi_score(truth, bands, 0.9)))
    assert ours.mean_width.value == pytest.approx(float(np.ravel(regression_mean_width_score(bands))[0]))
    assert ours.coverage.value == np.mean((low <= truth) & (truth <= high))


CLASSES = ("worn", "sound", "fouled")  # not in sorted order


def judged(seed=4, size=240):
    draw = np.random.default_rng(seed)
    truth = draw.integers(0, 3, size)
    chances = draw.dirichlet([1, 1, 1], size)
    chances[np.arange(size), truth] += 0.7
    chances /= chances.sum(axis=1, keepdims=True)
    names = np.array(CLASSES)
    return names[truth], names[chances.argmax(axis=1)], chances, np.arange(size) // 12


def test_scores_of_conditions_are_those_of_scikit_learn():
    truth, answer, chances, engines = judged()
    found = score_classification(truth, answer, CLASSES, engines, rng(), probability=chances)
    order = np.argsort(CLASSES)
    assert found.accuracy.value == pytest.approx(sk.accuracy_score(truth, answer))
    assert found.macro_f1.value == pytest.approx(sk.f1_score(truth, answer, average="macro"))
    assert found.macro_f1.value == pytest.approx(macro_f1(truth, answer, CLASSES))
    assert found.balanced_accuracy.value == pytest.approx(sk.balanced_accuracy_score(truth, answer))
    assert found.log_loss.value == pytest.approx(sk.log_loss(truth, chances[:, order], labels=sorted(CLASSES)))
    expected = sk.brier_score_loss(truth, chances[:, order], labels=sorted(CLASSES), scale_by_half=False)
    assert found.brier_score.value == pytest.approx(expected)
    assert found.calibration_error.value == pytest.approx(calibration_error(chances.max(axis=1), truth == answer))
    precision, recall, f1, support = sk.precision_recall_fscore_support(truth, answer, labels=CLASSES)
    for place, name in enumerate(CLASSES):
        ours = (found.precision[name].value, found.recall[name].value, found.f1[name].value)
        assert ours == pytest.approx((precision[place], recall[place], f1[place]))
        assert found.support[name] == support[place]
    np.testing.assert_array_equal(found.confusion[:, :3], sk.confusion_matrix(truth, answer, labels=CLASSES))


def test_resampled_scores_are_those_of_the_rows_drawn():
    # scikit-learn on each resample written out: the interval of macro-F1, draw by draw.
    truth, answer, _, engines = judged(size=60)
    found = score_classification(truth, answer, CLASSES, engines, rng(), resamples=60)
    draws = GroupDraws.draw(engines, rng(), resamples=60)
    written_out = []
    for times in draws.times:
        rows = np.repeat(np.arange(60), times[draws.number])
        written_out.append(sk.f1_score(truth[rows], answer[rows], labels=np.unique(truth[rows]), average="macro"))
    assert (found.macro_f1.low, found.macro_f1.high) == pytest.approx(draws.interval(np.array(written_out)))


def test_reliability_curve_is_that_of_scikit_learn():
    from sklearn.calibration import calibration_curve

    draw = rng()
    chance = draw.uniform(0.02, 0.98, 500)
    right = draw.random(500) < chance
    found = reliability_curve(chance, right, np.arange(500) // 25, rng(), bins=8)
    shares, stated = calibration_curve(right, chance, n_bins=8)
    np.testing.assert_allclose(found.share_correct, shares)
    np.testing.assert_allclose(found.mean_probability, stated)
    assert found.count.sum() == 500
    assert (found.low <= found.share_correct).all()


def test_set_figures_are_those_of_mapie():
    from mapie.metrics.classification import classification_coverage_score, classification_mean_width_score

    truth, _, chances, engines = judged()
    members = chances >= 0.2
    found = score_sets(truth, members, CLASSES, engines, rng())
    place = np.array([CLASSES.index(name) for name in truth])
    theirs = classification_coverage_score(place, members[:, :, None])
    assert found.coverage.value == pytest.approx(float(np.ravel(theirs)[0]))
    assert found.mean_size.value == pytest.approx(
        float(np.ravel(classification_mean_width_score(members[:, :, None]))[0])
    )


def test_area_under_risk_and_coverage_is_the_mean_over_all_orders_of_ties():
    # Brute force: every order that the confidences allow, the surest first.
    sure, lost = np.array([3, 2, 2, 2, 1, 1]), np.array([0.0, 1.0, 0.0, 0.0, 1.0, 0.0])
    orders = [
        order for order in itertools.permutations(range(6)) if all(np.diff(sure[list(order)]) <= 0)
    ]
    areas = [np.mean(np.cumsum(lost[list(order)]) / np.arange(1, 7)) for order in orders]
    best = np.mean(np.cumsum(np.sort(lost)) / np.arange(1, 7))
    found = risk_coverage(sure, lost, range(6), rng())
    assert found.area.value == pytest.approx(np.mean(areas))
    assert found.excess_area.value == pytest.approx(np.mean(areas) - best)
    np.testing.assert_allclose(found.coverage, [1 / 6, 4 / 6, 1])
    np.testing.assert_allclose(found.risk, [0, 1 / 4, 2 / 6])


def test_resampled_area_is_that_of_the_rows_drawn():
    draw = rng()
    sure, lost, groups = draw.random(40).round(1), draw.random(40) < 0.3, np.arange(40) // 4
    found = risk_coverage(sure, lost, groups, rng(), resamples=40)
    draws = GroupDraws.draw(groups, rng(), resamples=40)
    areas = []
    for times in draws.times:
        rows = np.repeat(np.arange(40), times[groups])
        areas.append(risk_coverage(sure[rows], lost[rows], np.zeros(rows.size), rng()).area.value)
    assert (found.area.low, found.area.high) == pytest.approx(draws.interval(np.array(areas)))


def test_holm_by_the_rule_of_the_paper():
    # Holm 1979, step by step, on p-values of one's own: max over the steps so far of (n - step) p.
    chances = np.array([0.04, 0.001, np.nan, 0.03, 0.2])
    ordered = [0.001, 0.03, 0.04, 0.2]
    steps = np.minimum(np.maximum.accumulate([(4 - step) * one for step, one in enumerate(ordered)]), 1)
    np.testing.assert_allclose(holm_correction(chances), [steps[2], steps[0], np.nan, steps[1], steps[3]])


def test_ranks_and_tests_are_those_of_scipy_and_of_an_analysis_of_variance():
    draw = rng()
    table = draw.normal(size=(14, 4)) + [0, 0.2, 0.9, 1.0]
    found = average_ranks(table, ["w", "x", "y", "z"], rng())
    ranks = scipy.stats.rankdata(-table, axis=1)
    assert [found.rank[name].value for name in "wxyz"] == pytest.approx(ranks.mean(axis=0))
    theirs = scipy.stats.friedmanchisquare(*table.T)
    assert (found.friedman_statistic, found.friedman_p) == pytest.approx(theirs)
    # Iman and Davenport's statistic is the F of a two-way analysis of variance of the ranks.
    block, algorithm = np.indices(table.shape)
    frame = pd.DataFrame({"r": ranks.ravel(), "b": block.ravel().astype(str), "a": algorithm.ravel().astype(str)})
    squares = anova_lm(formula_api.ols("r ~ a + b", frame).fit())["mean_sq"]
    assert found.iman_davenport_statistic == pytest.approx(squares["a"] / squares["Residual"])


def test_critical_difference_of_four_algorithms_on_fourteen_data_sets():
    # Demsar, JMLR 2006;7:1-30 (from memory): q 2.569 for four algorithms at 0.05, CD 1.25; 2.291 at 0.10, CD 1.12.
    table = rng().normal(size=(14, 4))
    at_5, at_10 = (average_ranks(table, "wxyz", rng(), alpha=alpha).critical_difference for alpha in (0.05, 0.10))
    scale = np.sqrt(4 * 5 / (6 * 14))
    assert at_5 / scale == pytest.approx(2.569, abs=6e-4)
    assert at_10 / scale == pytest.approx(2.291, abs=6e-4)
    assert (round(at_5, 2), round(at_10, 2)) == (1.25, 1.12)


def test_paired_differences_against_scipy_and_all_signs():
    draw = rng()
    engines = np.repeat(np.arange(9), 8)
    first = draw.normal(0.6, 1, 72) + draw.normal(0, 0.5, 9)[engines]
    second = draw.normal(0, 1, 72)
    found = paired_difference(first, second, engines, rng())
    apart = np.array([(first - second)[engines == engine].mean() for engine in range(9)])
    assert found.difference.value == pytest.approx(apart.mean())
    # All 512 sign patterns by brute force.
    means = np.array([np.mean(apart * signs) for signs in itertools.product([-1, 1], repeat=9)])
    assert found.p_value == pytest.approx(np.mean(np.abs(means) >= abs(apart.mean()) - 1e-12))
    # scipy's signed-rank statistic is the smaller rank sum; t over sqrt(n) is the effect size before correction.
    smaller = scipy.stats.wilcoxon(apart).statistic
    assert abs(found.rank_biserial.value) == pytest.approx(1 - 2 * smaller / 45)
    effect = scipy.stats.ttest_1samp(apart, 0).statistic / 3
    assert found.effect_size.value == pytest.approx(effect * (1 - 3 / (4 * 8 - 1)))
    assert found.difference.low < found.difference.value < found.difference.high


def test_front_by_trying_every_pair():
    draw = rng()
    score, seconds = draw.integers(0, 8, 40) / 8, draw.integers(1, 9, 40).astype(float)
    found = accuracy_time_front(score, seconds)
    for place in range(40):
        beaten = [
            other for other in range(40)
            if score[other] >= score[place] and seconds[other] <= seconds[place]
            and (score[other] > score[place] or seconds[other] < seconds[place])
        ]  # fmt: skip
        assert found.beaten_by[place] == tuple(beaten)
        assert found.on_front[place] == (not beaten)
