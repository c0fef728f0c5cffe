"""Bootstrap intervals over groups: against scipy, against promised coverage, and on the edges."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from sigkit.score.bootstrap import bootstrap_interval, bootstrap_share


def clustered(rng, engines=30, firings=12):
    """Return hits whose chance varies from engine to engine, and the engines."""
    chance = rng.beta(8, 2, engines)
    return rng.random((engines, firings)) < chance[:, None], np.repeat(np.arange(engines), firings)


def test_share_agrees_with_scipy_on_the_group_means():
    # With equal groups the share is the mean of the groups' shares, which scipy.stats.bootstrap can draw.
    hits, engine = clustered(np.random.default_rng(1))
    ours = bootstrap_share(hits.ravel(), np.ones(hits.size), engine, np.random.default_rng(2), resamples=4000)
    theirs = scipy.stats.bootstrap(
        (hits.mean(axis=1),), np.mean, n_resamples=4000, method="percentile", rng=np.random.default_rng(3)
    ).confidence_interval
    np.testing.assert_allclose(ours, theirs, atol=0.01)


def test_share_is_the_interval_of_the_same_statistic():
    hits, engine = clustered(np.random.default_rng(4))
    by_sums = bootstrap_share(hits.ravel(), np.ones(hits.size), engine, np.random.default_rng(5))
    by_rows = bootstrap_interval(np.mean, [hits.ravel()], engine, np.random.default_rng(5))
    assert by_sums == pytest.approx(by_rows)


def test_interval_over_engines_covers_as_promised():
    # The law: over repeated studies the 95 % interval holds the true chance, 0.8, in about 95 of 100.
    # A percentile interval of 30 groups is a little narrow; 200 studies have a standard error of 1.5 %.
    rng = np.random.default_rng(6)
    inside = 0
    for _ in range(200):
        hits, engine = clustered(rng)
        low, high = bootstrap_share(hits.ravel(), np.ones(hits.size), engine, rng, resamples=300)
        inside += low <= 0.8 <= high
    assert 0.88 <= inside / 200 <= 0.99


def test_drawing_engines_is_wider_than_drawing_firings():
    hits, engine = clustered(np.random.default_rng(7))
    low, high = bootstrap_share(hits.ravel(), np.ones(hits.size), engine, np.random.default_rng(8))
    low_each, high_each = bootstrap_share(
        hits.ravel(), np.ones(hits.size), np.arange(hits.size), np.random.default_rng(8)
    )
    assert high - low > 1.2 * (high_each - low_each)


def test_paired_columns_are_drawn_together():
    rng = np.random.default_rng(9)
    first = rng.normal(0, 10, 200)
    low, high = bootstrap_interval(lambda a, b: float(np.mean(a - b)), [first, first - 1.0], np.arange(200) // 5, rng)
    assert low == pytest.approx(1.0)
    assert high == pytest.approx(1.0)


def test_names_and_order_of_groups_do_not_matter():
    values = np.array([1.0, 2.0, 5.0, 7.0, 8.0, 9.0])
    named = bootstrap_interval(np.median, [values], ["a", "a", "b", "b", "c", "c"], np.random.default_rng(1))
    numbered = bootstrap_interval(np.median, [values], [1, 1, 2, 2, 3, 3], np.random.default_rng(1))
    assert named == numbered


def test_same_generator_same_interval_and_no_global_state():
    values, groups = np.arange(12.0), np.arange(12) // 3
    np.random.seed(0)  # noqa: NPY002  the global generator must not matter
    one = bootstrap_interval(np.mean, [values], groups, np.random.default_rng(1))
    np.random.seed(1)  # noqa: NPY002
    assert bootstrap_interval(np.mean, [values], groups, np.random.default_rng(1)) == one


def test_edges():
    rng = np.random.default_rng(0)
    assert np.isnan(bootstrap_share([1, 0], [1, 1], ["a", "a"], rng)).all()
    assert np.isnan(bootstrap_share([], [], [], rng)).all()
    assert np.isnan(bootstrap_interval(np.mean, [[1.0]], ["a"], rng)).all()
    # A resample without anything counted is left out.
    assert bootstrap_share([0, 1], [0, 1], ["a", "b"], rng) == (1.0, 1.0)
    with pytest.raises(ValueError, match="one length"):
        bootstrap_share([1, 0], [1, 1], ["a"], rng)
    with pytest.raises(ValueError, match="one length"):
        bootstrap_interval(np.mean, [[1.0, 2.0]], ["a"], rng)
