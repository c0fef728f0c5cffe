"""WaveletEnergy against Parseval, tones of known frequency and bursts of known time."""

from __future__ import annotations

import numpy as np
import pytest
import pywt
from sklearn.utils.estimator_checks import parametrize_with_checks

from sigkit.contracts.feature_extractor import FeatureExtractor
from sigkit.errors import SettingsError
from sigkit.features.wavelet_energy import CHUNK_ROWS, VARIANTS, WaveletEnergy

ALL = (0.0, 500_000.0)
OCTAVES = ((0.0, 15_625.0), (15_625.0, 125_000.0), (125_000.0, 500_000.0))


@parametrize_with_checks([WaveletEnergy(), WaveletEnergy(variant="packet", output="share"),
                          WaveletEnergy(variant="stationary", windows_s=((0.0, 3e-6),))])
def test_meets_the_checks_of_scikit_learn(estimator, check):
    check(estimator)


def test_meets_the_contract():
    assert isinstance(WaveletEnergy(), FeatureExtractor)


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("samples", [64, 1000, 4097])
def test_bands_that_cover_everything_add_up_to_the_energy_of_the_row(variant, samples):
    rows = np.random.default_rng(3).normal(size=(5, samples))
    energy = WaveletEnergy(sample_rate_Hz=1e6, bands_Hz=OCTAVES, variant=variant).fit_transform(rows)
    np.testing.assert_allclose(energy.sum(axis=1), np.sum(rows**2, axis=1) / 1e6, rtol=1e-12)


def test_levels_equal_the_energies_of_pywavelets_own_decomposition():
    rows = np.random.default_rng(4).normal(size=(3, 1024))
    bands = ((0.0, 62_500.0), (62_500.0, 125_000.0), (125_000.0, 250_000.0), (250_000.0, 500_000.0))
    energy = WaveletEnergy(bands_Hz=bands, sample_rate_Hz=1e6).fit_transform(rows)
    parts = pywt.wavedec(rows, "db4", mode="periodization", level=3, axis=-1)
    expected = np.stack([np.sum(part**2, axis=1) for part in parts], axis=1) / 1e6
    np.testing.assert_allclose(energy, expected, rtol=1e-12)


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("sample_rate_Hz", [20e3, 44.1e3, 100e3, 250e3, 333_333.3, 1e6, 5e6])
def test_a_tone_means_the_same_at_every_sample_rate(variant, sample_rate_Hz):
    time_s = np.arange(round(0.02 * sample_rate_Hz)) / sample_rate_Hz
    tone = np.sin(2 * np.pi * 2800.0 * time_s) * np.sin(np.pi * time_s / 0.02) ** 2
    extractor = WaveletEnergy(sample_rate_Hz=sample_rate_Hz, variant=variant)
    energy = extractor.fit_transform(tone[None])[0]
    # Energy of sin(wt) sin^2(pi t/T): T * 1/2 * 3/8, closed form. What db4 leaks into the neighbours is the
    # same everywhere: the band holds the same share at every rate as at the highest.
    closed_form = 0.02 * 3 / 16
    fine_s = np.arange(200_000) / 10e6
    fine = np.sin(2 * np.pi * 2800.0 * fine_s) * np.sin(np.pi * fine_s / 0.02) ** 2
    reference = WaveletEnergy(sample_rate_Hz=10e6, variant=variant).fit_transform(fine[None])[0]
    assert energy[2] == pytest.approx(reference[2], rel=0.05)
    assert energy[2] == np.nanmax(energy)
    assert energy[2] > 0.8 * closed_form
    assert np.nansum(energy) == pytest.approx(closed_form, rel=0.01)
    tops_Hz = [float(name.split("_")[3]) for name in extractor.get_feature_names_out()]
    above = np.array(tops_Hz) > sample_rate_Hz / 2
    np.testing.assert_array_equal(np.isnan(energy), above)


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("frequency_Hz", [3_000.0, 24_000.0, 90_000.0])
def test_a_burst_lies_in_the_window_it_was_put_in(variant, frequency_Hz):
    time_s = np.arange(5000) / 1e6 - 0.5e-3
    burst = np.exp(-0.5 * ((time_s - 1.75e-3) / 0.15e-3) ** 2) * np.cos(2 * np.pi * frequency_Hz * time_s)
    windows = ((-0.5e-3, 1.0e-3), (1.0e-3, 2.5e-3), (2.5e-3, 4.5e-3))
    share = WaveletEnergy(sample_rate_Hz=1e6, row_start_s=-0.5e-3, bands_Hz=(ALL,), windows_s=windows,
                          variant=variant, output="share").fit_transform(burst[None])[0]
    assert share[1] > 0.98
    assert share.sum() <= 1 + 1e-12


def test_the_packet_variant_separates_bands_that_no_level_fits():
    time_s = np.arange(8192) / 1.024e6
    tone = np.sin(2 * np.pi * 104_000.0 * time_s)[None]
    bands = ((1000.0, 96_000.0), (96_000.0, 112_000.0), (112_000.0, 512_000.0))
    settings = {"sample_rate_Hz": 1.024e6, "bands_Hz": bands, "output": "share", "wavelet": "db16"}
    packet = WaveletEnergy(variant="packet", **settings).fit_transform(tone)[0]
    discrete = WaveletEnergy(**settings).fit_transform(tone)[0]
    assert packet[1] > 0.9
    assert discrete[1] < 0.5


def test_the_stationary_variant_does_not_change_with_a_shift():
    burst = np.zeros((2, 2048))
    shape = np.sin(2 * np.pi * 0.03 * np.arange(400)) * np.hanning(400)
    burst[0, 800:1200] = shape
    burst[1, 801:1201] = shape
    energy = WaveletEnergy(variant="stationary").fit_transform(burst)
    np.testing.assert_allclose(energy[0], energy[1], rtol=1e-9)


def test_gain_multiplies_energy_by_its_square_and_leaves_shares_alone():
    rows = np.random.default_rng(5).normal(size=(4, 600))
    energy = WaveletEnergy().fit(rows)
    share = WaveletEnergy(output="share").fit(rows)
    np.testing.assert_allclose(energy.transform(-3 * rows), 9 * energy.transform(rows), rtol=1e-12)
    np.testing.assert_allclose(share.transform(-3 * rows), share.transform(rows), rtol=1e-10)


def test_samples_that_were_not_recorded_make_their_window_missing_and_no_other():
    rows = np.random.default_rng(6).normal(size=(2, 1000))
    rows[1, 700:] = np.nan
    windows = ((0.0, 0.5e-3), (0.5e-3, 1e-3), (0.5e-3, 2e-3))
    out = WaveletEnergy(bands_Hz=(ALL,), windows_s=windows).fit_transform(rows)
    np.testing.assert_array_equal(np.isnan(out), [[False, False, True], [False, True, True]])


def test_a_row_without_energy_has_no_shares():
    assert np.isnan(WaveletEnergy(output="share").fit_transform(np.zeros((2, 64)))).all()


def test_more_rows_than_a_chunk_change_nothing():
    rows = np.random.default_rng(7).normal(size=(CHUNK_ROWS + 9, 128))
    whole = WaveletEnergy().fit_transform(rows)
    one_by_one = np.concatenate([WaveletEnergy().fit_transform(row[None]) for row in rows])
    np.testing.assert_allclose(whole, one_by_one, rtol=1e-12)


@pytest.mark.parametrize(("settings", "words"), [
    ({"sample_rate_Hz": 0.0}, "must be positive"),
    ({"variant": "other"}, "variant must be one of"),
    ({"output": "power"}, "output must be one of"),
    ({"bands_Hz": ((2.0, 1.0),)}, "lower < upper"),
    ({"windows_s": ((2.0, 1.0),)}, "begin < end"),
    ({"wavelet": "bior2.2"}, "orthogonal wavelet"),
])
def test_settings_that_contradict_each_other_are_refused(settings, words):
    with pytest.raises(SettingsError, match=words):
        WaveletEnergy(**settings).fit(np.zeros((2, 64)))
