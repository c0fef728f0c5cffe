"""Recordings as drawn: what a recipe fixes, and that nothing else moves when it does."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from sigkit.errors import SettingsError
from sigkit.simulate.engine import draw_engine
from sigkit.simulate.recording_plan import RecordingPlan, draw_plan
from sigkit.simulate.simulated_capture import simulate_captures
from sigkit.simulate.study_recipe import StudyRecipe

#: Knobs that fix one property, and a value of each.
FIXED = {
    "noise": 0.004, "crosstalk": 4.0, "bandwidth_Hz": 40e3, "pickup_time_constant_s": 2e-3,
    "ratio_known_share": 1.0, "full_scale_known_share": 0.0,
}  # fmt: skip


def _draw(recipe: StudyRecipe, count: int = 40) -> tuple[list[RecordingPlan], float]:
    rng = np.random.default_rng(2026)
    plans = [draw_plan(recipe, draw_engine(recipe, rng, "engine"), rng) for _ in range(count)]
    return plans, float(rng.random())


def _plain(plan: RecordingPlan) -> dict:
    told = dataclasses.asdict(plan)
    told["crosstalk"] = {name: np.asarray(value).tolist() for name, value in told["crosstalk"].items()}
    return told


def test_usual_draws_are_what_they_were_before_anything_could_be_fixed() -> None:
    # Drawn by the version that had no such entries; committed results rest on these numbers.
    plans, after = _draw(StudyRecipe(), 3)
    found = [
        (one.instrument.bandwidth_Hz, one.instrument.noise, one.lead_pickups[-1].time_constant_s,
         float(one.crosstalk.scaled.sum()), one.ratio_known, one.full_scale_known, one.sweep_after_s)
        for one in plans
    ]  # fmt: skip
    expected = [
        (705890.296205544, 0.003423412725170161, 0.005340345437657481, 0.09567238723332103, False, False,
         0.000886888305179359),
        (43605.99005931034, 0.00294078006828038, 0.026422804604339392, 0.0, False, True, 0.011846951016173729),
        (500018.0982613389, 0.0030972760641866798, 0.04118678418908303, 0.0033749793955049445, False, True,
         0.0053547358689029385),
    ]  # fmt: skip
    assert np.allclose(np.array(found, dtype=float), np.array(expected, dtype=float), rtol=1e-12, atol=0.0)
    assert after == 0.6591013850540004


@pytest.mark.parametrize("name", FIXED)
def test_fixing_one_property_moves_nothing_else(name: str) -> None:
    (usual, after), (fixed, after_fixed) = _draw(StudyRecipe()), _draw(StudyRecipe(**{name: FIXED[name]}))
    assert after == after_fixed
    changed: set[str] = set()
    for before, now in zip(map(_plain, usual), map(_plain, fixed), strict=True):
        for part in before:
            if part == "instrument":
                changed |= {key for key in before[part] if before[part][key] != now[part][key]}
            elif part == "lead_pickups":
                pairs = zip(before[part], now[part], strict=True)
                changed |= {key for one, other in pairs for key in one if one[key] != other[key]}
            elif before[part] != now[part]:
                changed.add(part)
    expected = {"pickup_time_constant_s": "time_constant_s", "ratio_known_share": "ratio_known",
                "full_scale_known_share": "full_scale_known"}.get(name, name)  # fmt: skip
    assert changed == {expected}


def test_fixed_values_are_those_of_every_plan() -> None:
    plans, _ = _draw(StudyRecipe(**FIXED))
    assert {one.instrument.noise for one in plans} == {0.004}
    assert {one.instrument.bandwidth_Hz for one in plans} == {40e3}
    assert {pickup.time_constant_s for one in plans for pickup in one.lead_pickups} == {2e-3}
    assert all(one.ratio_known and not one.full_scale_known for one in plans)
    assert max(one.crosstalk.scaled.max() for one in plans) > 0.05
    assert max(one.crosstalk.scaled.max() for one in _draw(StudyRecipe(crosstalk=0.0))[0]) == 0.0


def test_captures_are_recorded_with_what_is_fixed() -> None:
    recipe = StudyRecipe(
        engines=1, cylinders=(2,), firings_per_lead=2, sample_rates_Hz=(1e5,), channel_sets=("secondary",),
        pickup_time_constant_s=float("inf"), bandwidth_Hz=30e3, ratio_known_share=0.0,
    )  # fmt: skip
    made = simulate_captures(recipe, 7)
    for one in made:
        assert set(one.truth["pickup_time_constant_s"]) == {np.inf}
        assert set(one.truth["bandwidth_Hz"]) == {30e3}
        assert all(channel.pickup_ratio is None for channel in one.capture.channels)


@pytest.mark.parametrize(
    ("name", "value"),
    [("noise", 0.3), ("noise", -0.1), ("crosstalk", 11.0), ("bandwidth_Hz", 1e3), ("bandwidth_Hz", 5e6),
     ("pickup_time_constant_s", 0.0), ("pickup_time_constant_s", float("nan")), ("ratio_known_share", 1.5),
     ("full_scale_known_share", -0.5)],
)  # fmt: skip
def test_what_lies_outside_its_range_is_refused(name: str, value: float) -> None:
    with pytest.raises(SettingsError, match=name):
        StudyRecipe(**{name: value})
