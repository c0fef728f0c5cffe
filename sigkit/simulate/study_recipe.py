"""What a simulated study is made of: engines, conditions, instruments; anything may be fixed or drawn."""

from __future__ import annotations

from dataclasses import dataclass

from sigkit.errors import SettingsError
from sigkit.types.firing_table import CONDITIONS

#: What a capture can record: leads only, with the primary side, or the primary side only.
CHANNEL_SETS = (
    "secondary", "secondary+primary", "secondary+primary+current", "primary", "primary+current",
)  # fmt: skip
IGNITION_TYPES = ("shared_coil", "coil_on_plug")
RECORDINGS = ("continuous", "sweeps")


@dataclass(frozen=True)
class StudyRecipe:
    """How to draw simulated engines and the captures made of them.

    Where an entry is a tuple of choices, each engine draws one with equal chance; a tuple of one fixes
    it. Where it is a pair, values are drawn between the two. All ranges are our choice and span what
    recorders and engines of the trade offer.

    Attributes
    ----------
    engines : int
        Number of engines; one recorder set-up each.
    captures_per_engine : int
        Captures of each engine, at speeds and loads of their own (ignored for sweeps).
    firings_per_lead : int
        Firings recorded of each lead and capture, or sweeps in the recording.
    cylinders : tuple of int
        1 to 6. Shared coils need 2, 4 or 6; other numbers get a coil on each plug.
    ignition_types : tuple of str
        From `IGNITION_TYPES`.
    engine_speed_rpm : tuple of float
        Lowest and highest.
    load : tuple of float
        Share of full load, 0 to 1.
    sample_rates_Hz, bits : tuple
    recordings : tuple of str
        From `RECORDINGS`.
    channel_sets : tuple of str
        From `CHANNEL_SETS`.
    max_channels : int
        Inputs of the recorder; leads come first.
    conditions : tuple of str
        Conditions that may be drawn (``"normal"`` needs no mention).
    faulty_share : float
        Share of leads with a drawn condition (for conditions of a coil: of coils).
    second_share : float
        Share of faulty leads with a second condition.
    severity : tuple of float
        Lowest and highest severity of drawn conditions, 0 to 1.
    reversed_share, missing_share : float
        Share of coils with reversed polarity; share of engines with missing firings.
    cut_share : float
        Share of records that begin or end within a firing.
    nuisance : float
        Multiplies noise, impulses, ripple, drift and crosstalk; 0 is a clean recorder.
    noise : float or None
        Root mean square of the noise of every recorder, share of half the span, 0 to 0.2; None draws it.
    crosstalk : float or None
        Multiplies the crosstalk instead of ``nuisance``, 0 to 10; None leaves it to ``nuisance``.
    bandwidth_Hz : float or None
        Bandwidth of every recorder, 15 kHz to 2 MHz; None draws it by the sample rate.
    pickup_time_constant_s : float or None
        Time constant of the leads' pickups, 10 us to inf (no droop); None draws it.
    ratio_known_share, full_scale_known_share : float
        Share of captures that say the pickups' ratio, and the range of their channels.
    sync_share : float
        Share of captures with a synchronising pulse of cylinder 1.
    structure_share : float
        Share of engines of other structure than the usual, see `sigkit.simulate.vary_structure`.
    quantised : bool
        False keeps unquantised float samples.
    range_shares : tuple of float
        Shares of sensible, too small (clipping) and too big ranges.
    max_samples : int
        Most samples a channel and capture; continuous captures get fewer firings to fit.
    name : str
        Start of engine and capture names.

    Raises
    ------
    SettingsError
        When an entry is outside its range.

    Examples
    --------
    >>> StudyRecipe(engines=2, bits=(8,)).bits
    (8,)
    """

    engines: int = 8
    captures_per_engine: int = 1
    firings_per_lead: int = 8
    cylinders: tuple[int, ...] = (1, 2, 3, 4, 5, 6)
    ignition_types: tuple[str, ...] = IGNITION_TYPES
    engine_speed_rpm: tuple[float, float] = (600.0, 6000.0)
    load: tuple[float, float] = (0.05, 1.0)
    sample_rates_Hz: tuple[float, ...] = (20e3, 50e3, 100e3, 200e3, 500e3, 1e6, 2e6, 5e6)
    bits: tuple[int, ...] = (8, 10, 12, 14, 16)
    recordings: tuple[str, ...] = RECORDINGS
    channel_sets: tuple[str, ...] = CHANNEL_SETS[:3]
    max_channels: int = 8
    conditions: tuple[str, ...] = CONDITIONS[1:]
    faulty_share: float = 0.5
    second_share: float = 0.1
    severity: tuple[float, float] = (0.0, 1.0)
    reversed_share: float = 0.05
    missing_share: float = 0.05
    cut_share: float = 0.2
    nuisance: float = 1.0
    noise: float | None = None
    crosstalk: float | None = None
    bandwidth_Hz: float | None = None
    pickup_time_constant_s: float | None = None
    ratio_known_share: float = 0.6
    full_scale_known_share: float = 0.7
    sync_share: float = 0.1
    structure_share: float = 0.0
    quantised: bool = True
    range_shares: tuple[float, float, float] = (0.8, 0.1, 0.1)
    max_samples: int = 2_000_000
    name: str = "engine"

    def __post_init__(self) -> None:
        _within("engines", self.engines, 1, 1_000_000)
        _within("captures_per_engine", self.captures_per_engine, 1, 1000)
        _within("firings_per_lead", self.firings_per_lead, 1, 100_000)
        _within("max_channels", self.max_channels, 1, 64)
        _within("max_samples", self.max_samples, 1000, 1_000_000_000)
        _within("nuisance", self.nuisance, 0.0, 10.0)
        for name, low, high in (
            ("noise", 0.0, 0.2), ("crosstalk", 0.0, 10.0), ("bandwidth_Hz", 15e3, 2e6),
            ("pickup_time_constant_s", 10e-6, float("inf")),
        ):  # fmt: skip
            if getattr(self, name) is not None:
                _within(name, getattr(self, name), low, high)
        for name in ("faulty_share", "second_share", "reversed_share", "missing_share", "cut_share",
                     "sync_share", "ratio_known_share", "full_scale_known_share", "structure_share"):
            _within(name, getattr(self, name), 0.0, 1.0)
        for name, low, high in (
            ("severity", 0.0, 1.0), ("load", 0.0, 1.0), ("engine_speed_rpm", 300.0, 8000.0),
        ):  # fmt: skip
            pair = getattr(self, name)
            _within(name, min(pair), low, high)
            _within(name, max(pair), low, high)
            if pair[0] > pair[1]:
                raise SettingsError(f"{name}: the first number, {pair[0]}, exceeds the second, {pair[1]}.")
        for name, low, high in (
            ("cylinders", 1, 6), ("sample_rates_Hz", 5e3, 20e6), ("bits", 4, 16), ("range_shares", 0.0, 1.0),
        ):  # fmt: skip
            if not getattr(self, name):
                raise SettingsError(f"{name} is empty. Give at least one value.")
            for value in getattr(self, name):
                _within(name, value, low, high)
        for name, known in (
            ("ignition_types", IGNITION_TYPES), ("recordings", RECORDINGS), ("channel_sets", CHANNEL_SETS),
            ("conditions", CONDITIONS),
        ):  # fmt: skip
            wrong = [value for value in getattr(self, name) if value not in known]
            if wrong:
                raise SettingsError(f"{name}: {wrong[0]!r} is unknown. Choose from {', '.join(known)}.")
        for name in ("ignition_types", "recordings", "channel_sets"):
            if not getattr(self, name):
                raise SettingsError(f"{name} is empty. Give at least one value.")


def _within(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise SettingsError(f"{name} is {value}; it must lie between {low:g} and {high:g}.")
