"""Find the profile of a capture and give the capture what it says."""

from __future__ import annotations

from collections.abc import Sequence
from fnmatch import fnmatchcase
from typing import Any

from sigkit.capture.assign_leads import LEAD_KINDS
from sigkit.capture.full_scale import with_full_scale
from sigkit.capture.profile import Profile
from sigkit.errors import ProfileError
from sigkit.types.capture import Capture


def find_profile(capture: Capture, profiles: Sequence[Profile], wanted: str = "") -> Profile | None:
    """Return the profile asked for, else the one named by the sidecar, else the one that matches.

    A profile matches when all its patterns (capture name, engine) and its channel count do; one without any never
    does. Of several profiles of one name the first counts.

    Parameters
    ----------
    capture : Capture
    profiles : sequence of Profile
    wanted : str
        Name asked for.

    Returns
    -------
    Profile or None

    Raises
    ------
    ProfileError
        When the profile named does not exist, or several match and none is named.

    Examples
    --------
    >>> find_profile(Capture("heron/a.csv", ()), [Profile("h", match_capture="heron/*")]).name
    'h'
    """
    name = wanted or capture.profile
    if name:
        for profile in profiles:
            if profile.name == name:
                return profile
        known = ", ".join(sorted({profile.name for profile in profiles})) or "none"
        raise ProfileError(f"there is no profile {name!r}; known: {known}")
    matching = {profile.name: profile for profile in reversed(profiles) if _matches(capture, profile)}
    if len(matching) > 1:
        raise ProfileError(f"profiles {', '.join(sorted(matching))} all match; name one in the column profile of "
                           "captures.csv or with --profile")  # fmt: skip
    return next(iter(matching.values()), None)


def _matches(capture: Capture, profile: Profile) -> bool:
    if not (profile.match_capture or profile.match_engine or profile.match_channels):
        return False
    return (
        (not profile.match_capture or fnmatchcase(capture.name, profile.match_capture))
        and (not profile.match_engine or fnmatchcase(capture.engine, profile.match_engine))
        and profile.match_channels in (None, len(capture.channels))
    )


def apply_profile(capture: Capture, profile: Profile, cylinders: bool = True) -> Capture:
    """Return the capture with what the profile says; what the file or sidecar says already stays.

    Parameters
    ----------
    capture : Capture
    profile : Profile
    cylinders : bool
        Whether the profile may name the leads. It does so only where the capture has as many channels that can show
        a lead as the profile has cylinders.

    Returns
    -------
    Capture
    """
    warnings = list(capture.warnings)
    kinds = profile.channel_kinds
    count = len(capture.channels)
    if len(kinds) not in (0, 1, count) or "channels_in_file" in capture.metadata:
        if len(kinds) > 1:
            warnings.append(f"profile {profile.name}: channel_kinds are for {len(kinds)} channels and not used for "
                            f"this capture of {count}")  # fmt: skip
            kinds = ()
    channels = []
    for position, channel in enumerate(capture.channels):
        changes: dict[str, Any] = {}
        kind = kinds[0] if len(kinds) == 1 else (kinds[position] if kinds else "")
        if kind and channel.kind == "unknown":
            changes["kind"] = kind
        if profile.pickup_ratio and channel.pickup_ratio is None and changes.get("kind", channel.kind) in LEAD_KINDS:
            changes["pickup_ratio"] = profile.pickup_ratio
        # What is clipped to a lead, not what is wired to the primary.
        told = channel.pickup_time_constant_s is not None
        if profile.pickup_time_constant_ms and not told and (
            changes.get("kind", channel.kind) in ("secondary_voltage", "unknown")
        ):
            changes["pickup_time_constant_s"] = profile.pickup_time_constant_ms * 1e-3
        channel = channel.with_(**changes)
        if profile.full_scale_V and (channel.full_scale is None or channel.unit == ""):
            channel, warning = with_full_scale(channel, profile.full_scale_V, capture.format)
            if warning and channel.unit != "A":
                warnings.append(f"profile {profile.name}: {warning}")
        channels.append(channel)
    if cylinders and profile.cylinders:
        shown = [number for number, channel in enumerate(channels) if channel.kind in LEAD_KINDS]
        if len(shown) == len(profile.cylinders) and "channels_in_file" not in capture.metadata:
            for number, cylinder in zip(shown, profile.cylinders, strict=True):
                if not channels[number].cylinder:
                    channels[number] = channels[number].with_(cylinder=cylinder, lead=channels[number].lead or cylinder)
        elif len(shown) > 1:
            warnings.append(f"profile {profile.name}: its {len(profile.cylinders)} cylinders are not dealt to the "
                            f"{len(shown)} channels of this capture")  # fmt: skip
    return capture.with_(
        channels=tuple(channels), profile=profile.name, engine=capture.engine or profile.engine,
        ignition_type=capture.ignition_type or profile.ignition_type,
        firing_order=capture.firing_order or profile.firing_order,
        shared_coil_pairs=capture.shared_coil_pairs or profile.shared_coil_pairs, warnings=tuple(warnings),
    )  # fmt: skip
