"""Long records: two looks find what one close look finds, however the samples are stored."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.detect import look_closely
from sigkit.detect.active_spans import quiet_limit, stand_out
from sigkit.detect.block_activity import BlockActivityDetector
from sigkit.detect.fine_blocks import Level, fine_blocks
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.release_pages import release_pages
from sigkit.simulate.simulated_capture import simulate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

RATE_HZ = 1e6
PERIOD = 30_000
FIRINGS = 60


@pytest.fixture(scope="module")
def long_record():
    """A firing each 30 ms, the recorder's noise between them: 1.8 s at 1 MS/s."""
    recipe = StudyRecipe(
        engines=1, cylinders=(1,), ignition_types=("coil_on_plug",), firings_per_lead=6, sample_rates_Hz=(RATE_HZ,),
        bits=(12,), recordings=("sweeps",), channel_sets=("secondary",), faulty_share=0.0, cut_share=0.0,
        range_shares=(1.0, 0.0, 0.0), missing_share=0.0,
    )  # fmt: skip
    sweeps = [np.asarray(made.capture.channels[0].samples) for made in simulate_captures(recipe, 81)]
    top = max(float(np.abs(sweep).max()) for sweep in sweeps)
    rng = np.random.default_rng(82)
    parts = []
    for number in range(FIRINGS):
        sweep = np.rint(sweeps[number % len(sweeps)] * (2047 / top)).astype(np.int16)
        part = sweep[rng.integers(0, 400, PERIOD)]
        part[: sweep.size] = sweep
        parts.append(part)
    return np.concatenate(parts)


def _found(samples, **kind):
    return BlockActivityDetector().detect(Capture("a", (Channel("1", samples, RATE_HZ, **kind),)))[0]


def test_quiet_spans_are_left_out_and_every_firing_is_found_where_one_close_look_finds_it(long_record, monkeypatch):
    channel = Channel("1", long_record, RATE_HZ)
    assert look_closely.is_long(channel)
    monkeypatch.setattr(look_closely, "SAMPLED_SPANS", 64)
    blocks, _ = look_closely.look_closely(channel)
    looked = int((blocks.runs[:, 1] - blocks.runs[:, 0]).sum())
    assert looked < 0.8 * blocks.mean.size
    two_looks = _found(long_record)
    assert len(two_looks) == FIRINGS
    monkeypatch.setattr("sigkit.detect.block_activity.is_long", lambda channel: False)
    np.testing.assert_array_equal(two_looks.position, _found(long_record).position)


def test_turning_scaling_and_shifting_the_zero_change_signs_only(long_record):
    plain = _found(long_record)
    for scale, zero in ((-1.0, 0.0), (1e-3, 700.0), (-40.0, -1e5)):
        turned = _found(long_record, scale=scale, zero=zero)
        np.testing.assert_array_equal(turned.position, plain.position)
        np.testing.assert_array_equal(turned.polarity, plain.polarity * np.sign(scale))


@pytest.mark.parametrize("dtype", ["int32", "float32", "float64", ">i2"])
def test_the_stored_type_changes_nothing(long_record, dtype):
    np.testing.assert_array_equal(_found(long_record.astype(dtype)).position, _found(long_record).position)


def test_a_memory_map_and_a_column_of_a_table_read_like_an_array(long_record, tmp_path):
    np.save(tmp_path / "a.npy", long_record)
    mapped = np.load(tmp_path / "a.npy", mmap_mode="r")
    column = np.stack([long_record, long_record[::-1]], axis=1)[:, 0]
    assert not column.flags.c_contiguous
    for samples in (mapped, column):
        np.testing.assert_array_equal(_found(samples).position, _found(long_record).position)


def test_a_later_beginning_shifts_the_firings(long_record):
    away = 3000
    later = np.concatenate([long_record[PERIOD - away : PERIOD], long_record])
    np.testing.assert_array_equal(_found(later).position, _found(long_record).position + away)


@pytest.mark.parametrize("signal", ["dead", "noise", "dead with a blip"])
def test_long_records_without_ignition_give_no_firing(signal):
    samples = np.zeros(1_500_017, dtype=np.int16)
    if signal == "noise":
        samples = np.rint(np.random.default_rng(3).normal(size=samples.size) * 300).astype(np.int16)
    elif signal == "dead with a blip":
        samples[700_000:700_005] = 9
    assert len(_found(samples)) == 0


def test_a_ripple_makes_every_span_worth_a_look(long_record):
    wave = np.rint(60 * np.sin(2 * np.pi * 2846.0 * np.arange(long_record.size) / RATE_HZ)).astype(np.int16)
    blocks, noise = look_closely.look_closely(Channel("1", long_record + wave, RATE_HZ))
    assert (blocks.runs[:, 1] - blocks.runs[:, 0]).sum() == blocks.mean.size
    quiet = blocks.mean[20_500 // 50 : 29_500 // 50]
    assert np.ptp(quiet) < 30
    assert noise < 60 / np.sqrt(2)


@pytest.mark.parametrize("dtype", ["int16", "uint16", "int32", "float32"])
@pytest.mark.parametrize("length", [25, 50])
def test_fine_blocks_are_those_of_the_summary(dtype, length):
    samples = np.random.default_rng(4).integers(0, 30_000, 40 * length).astype(dtype)
    want = summarise_blocks(Channel("1", samples, length / 50e-6))
    low, high, mean, scatter = fine_blocks(samples.reshape(-1, length), Level(15_000.0, 1.0, 1))
    np.testing.assert_array_equal(low, want.minimum - 15_000)
    np.testing.assert_array_equal(high, want.maximum - 15_000)
    np.testing.assert_allclose(mean, want.mean - 15_000, atol=0.1)
    np.testing.assert_allclose(scatter, np.sqrt(want.mean_square - want.mean**2), rtol=1e-4)
    turned = fine_blocks(samples.reshape(-1, length), Level(15_000.0, 1.0, -1))
    np.testing.assert_allclose(turned, [-high, -low, -mean, scatter], rtol=1e-6)


def test_noise_that_may_hide_firings_is_looked_at_everywhere():
    rng = np.random.default_rng(5)
    width = 10 + rng.random(400)
    assert not stand_out(width, float(width.max()), quiet_limit(width, 1.0))
    # Active, but hardly wider than the noise.
    width[::10] = 25.0
    assert not stand_out(width, float(width.max()), quiet_limit(width, 1.0))


def test_sampled_spans_do_not_fall_in_step_with_a_period():
    spans = look_closely.spread_spans(20_480, 512)
    assert np.diff(spans).min() >= 1
    for period in (20, 40, 60):
        share = np.bincount(spans % period, minlength=period) / spans.size
        assert share.max() < 3 / period


def test_pages_of_a_map_that_may_be_written_are_kept(tmp_path):
    np.save(tmp_path / "a.npy", np.zeros(100_000, dtype=np.int16))
    held = np.load(tmp_path / "a.npy", mmap_mode="c")
    held[:] = 7
    release_pages(held)
    release_pages(np.load(tmp_path / "a.npy", mmap_mode="r"))
    assert (held == 7).all()
