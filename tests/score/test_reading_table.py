"""The table of events by readers: where each reading goes, and that the agreement figures take it."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.score.kappa import fleiss_kappa
from sigkit.score.krippendorff_alpha import krippendorff_alpha
from sigkit.score.reading_table import reading_table


def test_first_reading_stays_and_gaps_are_missing():
    found = reading_table([1.0, 2.0, 3.0, 4.0], ["b", "b", "a", "b"], ["r1", "r2", "r2", "r1"])
    assert found.item.tolist() == ["a", "b"]
    assert found.reader.tolist() == ["r1", "r2"]
    np.testing.assert_array_equal(found.table, [[np.nan, 3.0], [1.0, 2.0]])


def test_every_reading_of_a_full_table_comes_back():
    rng = np.random.default_rng(1)
    table = rng.choice(["sound", "worn"], (30, 4))
    item, reader = (place.ravel() for place in np.indices(table.shape))
    shuffled = rng.permutation(item.size)
    names = np.array([f"e{place:02d}" for place in item])
    found = reading_table(table.ravel()[shuffled], names[shuffled], reader[shuffled])
    np.testing.assert_array_equal(found.table, table)
    engines = np.arange(30) // 3
    kappa = fleiss_kappa(found.counts(["sound", "worn"]), engines, np.random.default_rng(0)).value
    alpha = krippendorff_alpha(found.table.T, engines, np.random.default_rng(0)).value
    # Krippendorff: nominal alpha without gaps is Fleiss's kappa corrected for few ratings, n = 120 here.
    assert alpha == pytest.approx(1 - (1 - kappa) * (120 - 1) / 120)


def test_bad_input_is_refused():
    with pytest.raises(ValueError, match="one length"):
        reading_table([1.0], ["a", "b"], ["r"])
