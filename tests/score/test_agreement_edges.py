"""Agreement figures on edges and by their laws: what readings cannot show is missing, never zero."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from sigkit.score.gauge_study import gauge_study
from sigkit.score.intraclass_correlation import intraclass_correlation
from sigkit.score.kappa import cohen_kappa, fleiss_kappa
from sigkit.score.krippendorff_alpha import krippendorff_alpha
from sigkit.score.limits_of_agreement import limits_of_agreement, repeated_limits_of_agreement
from sigkit.score.reading_precision import reading_precision


def rng():
    return np.random.default_rng(0)


def readings(draw, items=400, readers=3, repeats=2, within=15.0, between=10.0, interaction=8.0):
    """Return readings with known spreads (between readers as many as there are), items, readers, engines."""
    item, reader, _ = np.indices((items, readers, repeats))
    bias = draw.normal(0, between, readers)
    value = draw.normal(1000, 300, items)[item] + bias[reader]
    value = value + draw.normal(0, interaction, (items, readers))[item, reader] + draw.normal(0, within, item.shape)
    return value.ravel(), item.ravel(), reader.ravel(), item.ravel() // 20, bias


def test_known_spreads_of_readers_are_recovered():
    value, item, reader, engine, bias = readings(np.random.default_rng(1))
    spread = np.sqrt(bias.var(ddof=1) + 8.0**2)
    precision = reading_precision(value, item, reader, engine, rng())
    assert precision.repeatability.value == pytest.approx(15.0, rel=0.05)
    assert precision.between_readers.value == pytest.approx(spread, rel=0.1)
    study = gauge_study(value, item, reader, engine, rng())
    assert study.repeatability.value == pytest.approx(precision.repeatability.value)
    assert study.reader.value == pytest.approx(bias.std(ddof=1), rel=0.1)
    assert study.interaction.value == pytest.approx(8.0, rel=0.15)
    assert study.reproducibility.value == pytest.approx(precision.between_readers.value, rel=1e-3)
    truth = value.reshape(400, 6).mean(axis=1).std(ddof=1)  # the events' own spread, and a little of the readings'
    assert study.item.value == pytest.approx(truth, rel=0.01)
    assert study.item.low < truth < study.item.high


def test_single_readings_show_reproducibility_only():
    # Variance over readers of single readings, event by event, averaged.
    table = rng().normal(size=(30, 4))
    item, reader = np.indices(table.shape)
    found = reading_precision(table.ravel(), item.ravel(), reader.ravel(), item.ravel() // 3, rng())
    assert np.isnan([found.repeatability.value, found.between_readers.value]).all()
    assert found.reproducibility.value == pytest.approx(np.sqrt(table.var(axis=1, ddof=1).mean()))


def test_one_reader_makes_no_claim_of_reproducibility():
    value, item, reader, engine, _ = readings(np.random.default_rng(2), readers=1)
    precision = reading_precision(value, item, reader, engine, rng())
    study = gauge_study(value, item, reader, engine, rng())
    assert np.isnan([precision.between_readers.value, precision.reproducibility.value]).all()
    assert np.isnan([study.reader.value, study.interaction.value, study.reproducibility.value]).all()
    assert study.gauge == study.repeatability
    ends = [(one.value, one.low, one.high) for one in (study.repeatability, precision.repeatability)]
    assert ends[0] == pytest.approx(ends[1])


def test_gauge_study_leaves_out_what_is_not_crossed_and_says_so():
    value, item, reader, engine, _ = readings(np.random.default_rng(3), items=20)
    whole = gauge_study(value[6:], item[6:], reader[6:], engine[6:], rng())
    value[0] = np.nan  # one reading of the first event could not be made
    found = gauge_study(value, item, reader, engine, rng())
    assert (found.items, found.items_left_out) == (19, 1)
    assert found.mean_squares == whole.mean_squares
    with pytest.raises(ValueError, match="at least two events"):
        gauge_study([1.0, 2.0], ["a", "b"], ["r", "r"], ["x", "x"], rng())


def test_names_of_events_may_repeat_between_engines():
    value, item, reader, engine, _ = readings(np.random.default_rng(4), items=40)
    for figures in (reading_precision, gauge_study):
        again, once = (figures(value, name, reader, engine, rng()) for name in (item % 20, item))
        for name in ("repeatability", "reproducibility"):
            ours, theirs = getattr(again, name), getattr(once, name)
            assert (ours.value, ours.low, ours.high) == pytest.approx((theirs.value, theirs.low, theirs.high))


def test_engines_are_drawn_not_events():
    # The spread of readings differs from engine to engine, not within: drawing whole engines is far wider.
    draw = np.random.default_rng(9)
    spread = np.repeat(draw.uniform(5, 40, 12), 50)
    value = (draw.normal(0, spread, (2, 600)) + 1000).ravel()
    item, engine = np.tile(np.arange(600), 2), np.tile(np.arange(600) // 50, 2)
    by_engine, by_event = (reading_precision(value, item, ["r"] * 1200, group, rng()).repeatability
                           for group in (engine, item))  # fmt: skip
    assert by_engine.high - by_engine.low > 1.5 * (by_event.high - by_event.low)
    study = gauge_study(value, item, ["r"] * 1200, engine, rng()).repeatability
    assert (study.low, study.high) == pytest.approx((by_engine.low, by_engine.high))


def test_perfect_agreement_is_one_and_a_constant_is_undefined():
    truth = np.array(["a", "b", "b", "c"])
    assert cohen_kappa(truth, truth, range(4), rng()).value == 1.0
    assert fleiss_kappa([[3, 0], [0, 3]], range(2), rng()).value == 1.0
    assert krippendorff_alpha([truth, truth], range(4), rng()).value == 1.0
    assert np.isnan(krippendorff_alpha([["a", "a"], ["a", "a"]], range(2), rng()).value)
    assert np.isnan(cohen_kappa(["a"], ["a"], ["x"], rng()).value)


def test_chance_agreement_is_near_nothing():
    draw = np.random.default_rng(6)
    one, other = draw.integers(0, 5, (2, 4000)).astype(float)
    kappa, alpha = cohen_kappa(one, other, range(4000), rng()), krippendorff_alpha([one, other], range(4000), rng())
    assert kappa.value == pytest.approx(0, abs=0.03)
    assert alpha.value == pytest.approx(0, abs=0.03)
    assert not kappa.excludes(kappa.value)


def test_ordinal_texts_need_their_order():
    first, second = ["low", "low", "mid", "high"], ["low", "high", "mid", "high"]
    order = ["low", "mid", "high"]
    found = krippendorff_alpha([first, second], range(4), rng(), scale="ordinal", values=order)
    ranks = [[order.index(one) for one in row] for row in (first, second)]
    assert found.value == pytest.approx(krippendorff_alpha(ranks, range(4), rng(), scale="ordinal").value)
    wrong = krippendorff_alpha([first, second], range(4), rng(), scale="ordinal")
    assert wrong.value != pytest.approx(found.value)


def test_limits_of_one_pair_an_engine_are_the_plain_ones():
    first, second = rng().normal(size=(2, 40))
    repeated = repeated_limits_of_agreement(first, second, np.arange(40), rng())
    plain = limits_of_agreement(first, second)
    assert repeated.lower.value == pytest.approx(plain.lower.value)
    assert repeated.standard_deviation == pytest.approx(plain.standard_deviation)


def test_limits_hold_the_share_they_promise():
    # The law: over studies 95 % of further differences of normal errors (variance 1 + 1) lie between the limits.
    draw = np.random.default_rng(7)
    engine = np.arange(1000) // 10
    shares = []
    for _ in range(200):
        difference = draw.normal(2, 1, 100)[engine] + draw.normal(0, 1, 1000)
        found = repeated_limits_of_agreement(difference, np.zeros(1000), engine, draw, resamples=2)
        upper, lower = (norm.cdf(limit.value, 2, np.sqrt(2)) for limit in (found.upper, found.lower))
        shares.append(upper - lower)
    assert np.mean(shares) == pytest.approx(0.95, abs=0.006)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: krippendorff_alpha([["a"]], ["x", "y"], rng()), "engine"),
        (lambda: krippendorff_alpha([[1.0, 2.0]], ["x", "y"], rng(), scale="odd"), "scale is odd"),
        (lambda: krippendorff_alpha([[-1.0], [1.0]], ["x"], rng(), scale="ratio"), "0 or more"),
        (lambda: krippendorff_alpha([["a"], ["b"]], ["x"], rng(), values=["a"]), "not among the values: b"),
        (lambda: krippendorff_alpha([range(200)] * 2, range(200), rng(), scale="ordinal"), "use interval"),
        (lambda: cohen_kappa(["a"], ["b"], ["x"], rng(), classes=["a"]), "not among the classes: b"),
        (lambda: cohen_kappa(["a"], ["b"], ["x"], rng(), weights="odd"), "weights is odd"),
        (lambda: cohen_kappa(["a"], ["b", "c"], ["x"], rng()), "one length"),
        (lambda: fleiss_kappa([[3, 0], [1, 1]], ["x", "y"], rng()), "same number of readers"),
        (lambda: intraclass_correlation([[1.0], [2.0]], ["x", "y"], rng()), "two readers"),
        (lambda: intraclass_correlation([[1.0, np.nan], [2.0, 1.0]], ["x", "y"], rng()), "two or more"),
        (lambda: limits_of_agreement([1.0], [1.0, 2.0]), "one length"),
        (lambda: repeated_limits_of_agreement([1.0], [1.0], ["a", "b"], rng()), "one engine a pair"),
        (lambda: reading_precision([1.0], ["a"], ["r"], ["x", "y"], rng()), "one length"),
    ],
)
def test_bad_input_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
