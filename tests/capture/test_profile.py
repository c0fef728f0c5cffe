"""Profiles: kept as TOML, checked, found by what they match, applied beneath file and sidecar."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from sigkit.capture.apply_profile import apply_profile, find_profile
from sigkit.capture.open_captures import open_captures, plan_opening
from sigkit.capture.profile import ENDING, Profile, list_profiles, profile_folder, read_profile, write_profile
from sigkit.capture.source_reference import Rejection
from sigkit.cli.profile import app
from sigkit.errors import ProfileError
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

FULL = Profile(
    "heron", engine="Heron", ignition_type="shared_coil", cylinders=("1", "2", "3", "4"),
    channel_kinds=("secondary_voltage",), firing_order=("1", "3", "4", "2"), shared_coil_pairs=(("1", "4"), ("2", "3")),
    pickup_ratio=1000.0, pickup_time_constant_ms=20.0, full_scale_V=10.0, match_capture="heron/*", match_channels=4,
    note='calm "warm" \\ ok',
)  # fmt: skip


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("SIGKIT_PROFILES", str(tmp_path / "own"))
    return tmp_path / "own"


def capture_of(count: int, name: str = "heron/a.csv", **settings: Any) -> Capture:
    channels = tuple(Channel(f"c{k}", np.arange(9.0) + k, 1e5, unit="V") for k in range(count))
    return Capture(name, channels, **settings)


def test_written_and_read_back(tmp_path: Path) -> None:
    path = tmp_path / "new" / f"heron{ENDING}"
    write_profile(FULL, path)
    assert read_profile(path) == FULL
    assert [item.name for item in path.parent.iterdir()] == [path.name]


@settings(max_examples=60, deadline=None)
@given(note=st.text(max_size=40).filter(lambda text: max(text, default="a") < "\ud800" or max(text) > "\udfff"))
def test_any_text_is_valid_toml(note: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Python's own TOML reader is the judge."""
    path = tmp_path_factory.mktemp("p") / f"x{ENDING}"
    write_profile(Profile("x", note=note), path)
    assert tomllib.loads(path.read_text(encoding="utf-8")).get("note", "") == note


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name = ", "cannot be read as TOML"),
        ("speed = 3", "unknown key speed; known: channel_kinds"),
        ("pickup_ratio = -1", "pickup_ratio must be a positive number"),
        ("pickup_ratio = nan", "pickup_ratio must be a positive number"),
        ("pickup_ratio = true", "pickup_ratio must be a positive number"),
        ("pickup_ratio = inf", "pickup_ratio must be a positive number"),
        ("pickup_time_constant_ms = 0", "pickup_time_constant_ms must be a positive number or inf"),
        ("pickup_time_constant_ms = nan", "pickup_time_constant_ms must be a positive number or inf"),
        ("ignition_type = 'magneto'", "ignition_type is 'magneto'"),
        ("channel_kinds = ['spark']", "unknown channel kind 'spark'"),
        ("cylinders = '1234'", "cylinders must be a list"),
        ("cylinders = [[1]]", "cylinders must be a list of names"),
        ("cylinders = [1, 1]", "cylinders names 1 twice"),
        ("cylinders = [1, 2]\nfiring_order = [1, 3]", "firing_order names 3, which is not among the cylinders 1, 2"),
        ("shared_coil_pairs = [[1, 4, 2]]", "must be a list of pairs"),
        ("shared_coil_pairs = [[1, 4], [4, 2]]", "shared_coil_pairs names 4 twice"),
        ("match_channels = 0", "whole number from 1"),
        ("name = '../up'", "must be letters"),
    ],
)
def test_faults_are_named(text: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / f"x{ENDING}"
    path.write_text(text)
    with pytest.raises(ProfileError, match=words) as caught:
        read_profile(path)
    assert str(path) in str(caught.value)
    [(_, listed)] = list_profiles([tmp_path])
    assert isinstance(listed, ProfileError)


def test_found_by_name_by_pattern_by_engine_and_by_channels() -> None:
    by_name, by_engine = Profile("plain"), Profile("engine", match_engine="Ott*")
    profiles = [by_name, by_engine, FULL]
    assert find_profile(capture_of(4), profiles) is FULL
    assert find_profile(capture_of(3), profiles) is None
    assert find_profile(capture_of(3, engine="Otter"), profiles) is by_engine
    assert find_profile(capture_of(3, profile="plain"), profiles) is by_name
    assert find_profile(capture_of(4), profiles, "plain") is by_name
    with pytest.raises(ProfileError, match="no profile 'x'; known: engine, heron, plain"):
        find_profile(capture_of(4, profile="x"), profiles)


def test_two_that_match_are_not_chosen_between() -> None:
    with pytest.raises(ProfileError, match="profiles heron, other all match"):
        find_profile(capture_of(4), [FULL, Profile("other", match_channels=4)])


def test_applied_beneath_what_file_and_sidecar_say() -> None:
    plain = apply_profile(capture_of(4), FULL)
    assert (plain.engine, plain.ignition_type, plain.profile) == ("Heron", "shared_coil", "heron")
    assert plain.firing_order == ("1", "3", "4", "2")
    assert plain.shared_coil_pairs == (("1", "4"), ("2", "3"))
    assert [(c.cylinder, c.lead, c.kind, c.pickup_ratio, c.full_scale) for c in plain.channels] == [
        (lead, lead, "secondary_voltage", 1000.0, (-10.0, 10.0)) for lead in "1234"]  # fmt: skip
    said = capture_of(4, engine="Own", ignition_type="distributor")
    said = said.with_(channels=(said.channels[0].with_(kind="synchronising_pulse"), *said.channels[1:]))
    kept = apply_profile(said, FULL)
    assert (kept.engine, kept.ignition_type) == ("Own", "distributor")
    assert (kept.channels[0].kind, kept.channels[0].pickup_ratio) == ("synchronising_pulse", None)
    assert [channel.cylinder for channel in kept.channels] == ["", "", "", ""]
    assert any("4 cylinders are not dealt to the 3 channels" in warning for warning in kept.warnings)


def test_a_time_constant_is_of_the_pickups_on_the_leads(tmp_path: Path) -> None:
    path = tmp_path / f"flat{ENDING}"
    write_profile(Profile("flat", pickup_time_constant_ms=float("inf")), path)
    mixed = capture_of(2)
    mixed = mixed.with_(channels=(mixed.channels[0], mixed.channels[1].with_(kind="primary_voltage")))
    for profile, seconds in ((FULL, 0.02), (read_profile(path), float("inf"))):
        told = apply_profile(mixed, profile)
        assert [channel.pickup_time_constant_s for channel in told.channels] == [seconds, None]


def test_full_scale_makes_volts_of_wav_fractions_only() -> None:
    channel = Channel("a", np.arange(9.0), 1e5, scale=0.1)
    wav = apply_profile(Capture("a", (channel,), format="wav"), Profile("p", full_scale_V=20.0))
    assert (wav.channels[0].unit, wav.channels[0].scale) == ("V", 2.0)
    other = apply_profile(Capture("a", (channel,), format="numpy"), Profile("p", full_scale_V=20.0))
    assert (other.channels[0].unit, other.channels[0].scale) == ("", 0.1)
    assert "no fractions" in other.warnings[0]


def test_profiles_beside_the_captures_and_by_folder(tmp_path: Path) -> None:
    folder = tmp_path / "pier" / "heron"
    folder.mkdir(parents=True)
    (folder / "a.csv").write_text("time (ms),U (V)\n" + "".join(f"{k / 100:.2f},{k % 7}\n" for k in range(50)))
    write_profile(Profile("beside", match_engine="heron", ignition_type="coil_on_plug"), folder / f"beside{ENDING}")
    [capture] = open_captures([str(tmp_path / "pier")])
    assert isinstance(capture, Capture)
    assert (capture.profile, capture.ignition_type, capture.engine) == ("beside", "coil_on_plug", "heron")
    (folder / "captures.csv").write_text("capture,profile\na.csv,missing\n")
    [refused] = open_captures([str(tmp_path / "pier")])
    assert isinstance(refused, Rejection)
    assert "no profile 'missing'; known: beside" in refused.reason


def test_a_profile_asked_for_must_exist_and_be_sound(tmp_path: Path, own_folder: Path) -> None:
    (tmp_path / "a.csv").write_text("time (ms),U (V)\n0,1\n1,2\n2,1\n")
    with pytest.raises(ProfileError, match="no profile 'heron'"):
        plan_opening([str(tmp_path / "a.csv")], profile="heron")
    own_folder.mkdir()
    (own_folder / f"heron{ENDING}").write_text("pickup_ratio = 0")
    with pytest.raises(ProfileError, match="pickup_ratio must be"):
        plan_opening([str(tmp_path / "a.csv")], profile="heron")
    assert any("pickup_ratio must be" in warning for warning in plan_opening([str(tmp_path / "a.csv")]).warnings)


def test_command_makes_lists_and_shows(own_folder: Path) -> None:
    run = CliRunner().invoke
    made = run(app, ["new", "heron", "--cylinders", "1,2,3,4", "--firing-order", "1,3,4,2", "--shared-coil-pairs",
                     "1-4,2-3", "--ignition-type", "shared_coil", "--pickup-ratio", "1000", "--channel-kinds",
                     "secondary_voltage", "--match-engine", "heron*", "--note", "calm"])  # fmt: skip
    assert made.exit_code == 0, made.output
    assert profile_folder() == own_folder
    held = read_profile(own_folder / f"heron{ENDING}")
    assert held.shared_coil_pairs == (("1", "4"), ("2", "3"))
    assert (held.pickup_ratio, held.match_engine, held.note) == (1000.0, "heron*", "calm")
    assert "heron: shared_coil" in run(app, ["list"]).output
    assert 'firing_order = ["1", "3", "4", "2"]' in run(app, ["show", "heron"]).output
    again = run(app, ["new", "heron"])
    assert "exists already" in str(again.exception)
    assert "known: heron" in str(run(app, ["show", "otter"]).exception)


def test_command_refuses_what_cannot_be_used_and_writes_nothing(own_folder: Path) -> None:
    run = CliRunner().invoke
    for arguments in (["new", "../up"], ["new", "a", "--pickup-ratio", "-3"], ["new", "a", "--shared-coil-pairs", "1"]):
        result = run(app, arguments)
        assert isinstance(result.exception, ProfileError), arguments
    assert not own_folder.exists()
