"""Energy of firings in bands of frequency and windows of time, by wavelets.

Bands are in hertz and windows in seconds about the switching-off of the coil, so a column means the same at
every sample rate. A wavelet level covers an octave of the sample rate, so the levels of a recorder at 20
kS/s and of one at 5 MS/s lie apart. Rows are therefore first put on a grid whose rate is the lowest band
edge times a power of two, at or above their own rate, by extending their spectrum with zeros (nothing is cut
off, and the energy stays): then the levels are the same octaves for every recorder. Bands that are not such
octaves share a level's energy by their overlap in hertz; the packet variant goes on splitting where a band
edge cuts a node.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache

import numpy as np
import pywt
from numpy.typing import NDArray

from sigkit.errors import SettingsError
from sigkit.features.named_columns import NamedColumns

VARIANTS = ("discrete", "stationary", "packet")
OUTPUTS = ("energy", "share")

#: Octaves from below the ring of a coil (3 to 20 kHz, common practice, no source) to a workshop recorder's
#: limit. Our choice.
DEFAULT_BANDS_HZ = (
    (0.0, 1000.0), (1000.0, 2000.0), (2000.0, 4000.0), (4000.0, 8000.0), (8000.0, 16000.0),
    (16000.0, 32000.0), (32000.0, 64000.0), (64000.0, 128000.0),
)

#: Rows worked on at a time: whole arrays fall out of the cache (measured: 1.5 times slower).
CHUNK_ROWS = 256
#: Values held at once by the stationary variant, which keeps every level at full length. Our choice (128 MB).
STATIONARY_VALUES = 16_000_000
#: A packet node is split on while a band edge cuts it and it is wider than this share of the narrowest band
#: it touches. Our choice.
PACKET_RESOLUTION = 1 / 8
MAX_LEVEL = 16


#: Coefficients, lower and upper edge in hertz, step and shift in samples.
Node = tuple[NDArray, float, float, int, float]


class WaveletEnergy(NamedColumns):
    """Energy in bands of frequency and windows of time.

    Parameters
    ----------
    sample_rate_Hz : float
        Sample rate of the rows, hertz, positive.
    row_start_s : float
        Time of the first sample of a row about coil_off, seconds.
    bands_Hz : tuple of tuple of float
        Lower and upper edge of each band, hertz. A band whose upper edge lies above half the sample rate is
        missing (NaN).
    windows_s : tuple of tuple of float or None
        Begin and end of each time window about coil_off, seconds; None for the whole row. A window that the
        row does not cover, or in which samples are NaN, is missing.
    variant : {"discrete", "stationary", "packet"}
        Decimated transform; undecimated (does not change with a shift by a sample, more costly); packets
        (closest to the band edges).
    wavelet : str
        An orthogonal wavelet of PyWavelets (default ``"db4"``; our choice: short, and its four vanishing
        moments keep a burn line out of the upper bands).
    output : {"energy", "share"}
        Energy in V2s (square of the row's unit times second), or its share of the row's energy over all
        frequencies and times (0 to 1; missing for a row without energy).

    Raises
    ------
    sigkit.errors.SettingsError
        From ``fit``, for settings that contradict each other.

    Notes
    -----
    Rows are extended with zeros to a multiple of two to the power of the levels, and transformed with
    periodic extension: the transform is then orthogonal and the energies of all levels add up to that of the
    row (Parseval). A wavelet is not a brick wall: near a band edge part of a tone's energy shows next door.

    Examples
    --------
    >>> import numpy as np
    >>> time_s = np.arange(4096) / 1e6
    >>> rows = np.sin(2 * np.pi * 3000.0 * time_s)[None]
    >>> share = WaveletEnergy(sample_rate_Hz=1e6, output="share").fit_transform(rows)
    >>> int(np.argmax(share))  # the band from 2 to 4 kHz
    2
    """

    def __init__(
        self,
        sample_rate_Hz: float = 1e6,
        row_start_s: float = 0.0,
        bands_Hz: tuple[tuple[float, float], ...] = DEFAULT_BANDS_HZ,
        windows_s: tuple[tuple[float, float], ...] | None = None,
        variant: str = "discrete",
        wavelet: str = "db4",
        output: str = "energy",
    ) -> None:
        self.sample_rate_Hz = sample_rate_Hz
        self.row_start_s = row_start_s
        self.bands_Hz = bands_Hz
        self.windows_s = windows_s
        self.variant = variant
        self.wavelet = wavelet
        self.output = output

    def _check_settings(self) -> None:
        if not self.sample_rate_Hz > 0:
            raise SettingsError(f"sample_rate_Hz must be positive, got {self.sample_rate_Hz}")
        if self.variant not in VARIANTS:
            raise SettingsError(f"variant must be one of {', '.join(VARIANTS)}; got {self.variant!r}")
        if self.output not in OUTPUTS:
            raise SettingsError(f"output must be one of {', '.join(OUTPUTS)}; got {self.output!r}")
        if not self.bands_Hz or any(not 0 <= low < high for low, high in self.bands_Hz):
            raise SettingsError(f"bands_Hz needs pairs with 0 <= lower < upper; got {self.bands_Hz}")
        if self.windows_s is not None and any(not low < high for low, high in self.windows_s):
            raise SettingsError(f"windows_s needs pairs with begin < end; got {self.windows_s}")
        if self.wavelet not in pywt.wavelist(kind="discrete") or not pywt.Wavelet(self.wavelet).orthogonal:
            raise SettingsError(f"wavelet must be an orthogonal wavelet of PyWavelets; got {self.wavelet!r}")

    def _names(self) -> list[str]:
        unit = "_V2s" if self.output == "energy" else ""
        names = []
        for window in self.windows_s or (None,):
            where = "" if window is None else f"_from_{window[0] * 1e3:g}_to_{window[1] * 1e3:g}_ms"
            what = f"{self.variant}_{self.output}"
            names += [f"{what}_{low:g}_{high:g}_Hz{where}{unit}" for low, high in self.bands_Hz]
        return names

    def _grid(self, samples: int) -> tuple[int, int, int, float]:
        """Return levels, padded length in samples, length on the grid, and the rate of the grid in hertz."""
        lowest = min(edge for band in self.bands_Hz for edge in band if edge > 0)
        # Whole octaves from half the lowest edge up: as many as reach the rate of the rows.
        octaves = int(np.ceil(np.log2(self.sample_rate_Hz / lowest) - 1e-9))
        levels = int(np.clip(octaves - 1, 1, MAX_LEVEL))
        ratio = max(lowest * 2.0**octaves / self.sample_rate_Hz, 1.0)
        length = -(-int(np.ceil(samples * ratio - 1e-9)) // 2**levels) * 2**levels
        padded = min(max(round(length / ratio), samples), length)
        return levels, padded, length, self.sample_rate_Hz * length / padded

    def _rows(self, rows: NDArray) -> NDArray:
        levels, _, length, _ = self._grid(rows.shape[1])
        chunk = CHUNK_ROWS
        if self.variant == "stationary":
            chunk = int(np.clip(STATIONARY_VALUES // (length * (levels + 1)), 1, CHUNK_ROWS))
        return np.concatenate([self._chunk(rows[at : at + chunk]) for at in range(0, rows.shape[0], chunk)])

    def _chunk(self, rows: NDArray) -> NDArray:
        levels, padded, length, rate_Hz = self._grid(rows.shape[1])
        lost = np.isnan(rows)
        filled = np.zeros((rows.shape[0], padded), dtype=rows.dtype)
        filled[:, : rows.shape[1]] = np.where(lost, 0, rows)
        filled = _extend_spectrum(filled, length)
        variants = {"discrete": self._discrete, "stationary": self._stationary, "packet": self._packet}
        windows = self._windows_in_samples(rate_Hz)
        energy = np.zeros((rows.shape[0], len(windows), len(self.bands_Hz)))
        for coefficients, low_Hz, high_Hz, step, shift in variants[self.variant](filled, levels, rate_Hz):
            shares = np.array([_overlap(low_Hz, high_Hz, band) for band in self.bands_Hz])
            if shares.any():
                by_window = _energy_by_window(coefficients, step, shift, length, windows)
                energy += by_window[:, :, None] * shares
        if self.output == "energy":
            energy /= rate_Hz
        else:
            total = np.sum(np.square(filled, dtype=np.float64), axis=1)
            with np.errstate(invalid="ignore", divide="ignore"):
                energy = np.where(total[:, None, None] > 0, energy / total[:, None, None], np.nan)
        windows = self._windows_in_samples(self.sample_rate_Hz)
        return self._take_out_missing(energy, lost, windows).reshape(rows.shape[0], -1)

    def _windows_in_samples(self, rate_Hz: float) -> list[tuple[float, float] | None]:
        if self.windows_s is None:
            return [None]
        starts = np.array(self.windows_s, dtype=float) - self.row_start_s
        return [(float(begin), float(end)) for begin, end in starts * rate_Hz]

    def _take_out_missing(self, energy: NDArray, lost: NDArray, windows: list) -> NDArray:
        samples = lost.shape[1]
        for number, window in enumerate(windows):
            begin, end = (0, samples) if window is None else window
            # Half a sample of grace: window edges are rounded to the grid.
            if begin < -0.5 or end > samples + 0.5:
                energy[:, number] = np.nan
                continue
            part = lost[:, max(round(begin), 0) : max(round(end), round(begin) + 1)]
            energy[part.any(axis=1), number] = np.nan
        above = np.array([high for _, high in self.bands_Hz]) > self.sample_rate_Hz / 2 * (1 + 1e-9)
        energy[:, :, above] = np.nan
        return energy

    def _discrete(self, rows: NDArray, levels: int, rate_Hz: float) -> Iterator[Node]:
        shift_low, shift_high = _filter_shifts(self.wavelet)
        shift, approximation = 0.0, rows
        for level in range(levels):
            approximation, detail = pywt.dwt(approximation, self.wavelet, mode="periodization", axis=-1)
            top = rate_Hz / 2 ** (level + 1)
            yield detail, top / 2, top, 2 ** (level + 1), shift + 2**level * shift_high
            shift += 2**level * shift_low
        yield approximation, 0.0, rate_Hz / 2 ** (levels + 1), 2**levels, shift

    def _stationary(self, rows: NDArray, levels: int, rate_Hz: float) -> Iterator[Node]:
        shift_low, shift_high = _stationary_shifts(self.wavelet)
        parts = pywt.swt(rows, self.wavelet, level=levels, axis=-1, norm=True, trim_approx=True)
        shift = 0.0
        for level, detail in enumerate(reversed(parts[1:])):
            top = rate_Hz / 2 ** (level + 1)
            yield detail, top / 2, top, 1, shift + 2**level * shift_high
            shift += 2**level * shift_low
        yield parts[0], 0.0, rate_Hz / 2 ** (levels + 1), 1, shift

    def _packet(self, rows: NDArray, levels: int, rate_Hz: float) -> Iterator[Node]:
        shifts = _filter_shifts(self.wavelet)
        half = rate_Hz / 2
        # A node: coefficients, level, place in the order of frequency, shift in samples.
        waiting = [(rows, 0, 0, 0.0)]
        while waiting:
            node, level, place, shift = waiting.pop()
            width = half / 2**level
            low, high = place * width, (place + 1) * width
            if level == levels or not self._cut_by_an_edge(low, high):
                yield node, low, high, 2**level, shift
                continue
            pair = pywt.dwt(node, self.wavelet, mode="periodization", axis=-1)
            # Decimation mirrors the frequencies of a node at an odd place, so its high-pass half is the
            # lower.
            order = (0, 1) if place % 2 == 0 else (1, 0)
            for side, which in enumerate(order):
                waiting.append((pair[which], level + 1, 2 * place + side, shift + 2**level * shifts[which]))

    def _cut_by_an_edge(self, low: float, high: float) -> bool:
        touched = [band for band in self.bands_Hz if band[0] < high and band[1] > low]
        edges = {edge for band in touched for edge in band if low < edge < high}
        if not edges:
            return False
        return high - low > PACKET_RESOLUTION * min(band[1] - band[0] for band in touched)


def _extend_spectrum(rows: NDArray, length: int) -> NDArray:
    """Put rows on a finer grid of ``length`` samples over the same time; the energy (times step) is kept."""
    samples = rows.shape[1]
    if length == samples:
        return rows
    spectrum = np.fft.rfft(rows, axis=1)
    if samples % 2 == 0:
        # The bin at half the rate stood once and now stands twice.
        spectrum[:, -1] /= np.sqrt(2.0)
    return (np.fft.irfft(spectrum, n=length, axis=1) * (length / samples)).astype(rows.dtype, copy=False)


def _overlap(low: float, high: float, band: tuple[float, float]) -> float:
    """Return the share of the node ``low`` to ``high`` that lies in the band."""
    return max(0.0, min(high, band[1]) - max(low, band[0])) / (high - low)


def _energy_by_window(
    coefficients: NDArray, step: int, shift: float, padded: int, windows: list[tuple[float, float] | None]
) -> NDArray[np.float64]:
    """Return the energy of each row in each window; a coefficient stands for ``step`` samples."""
    squares = np.square(coefficients, dtype=np.float64)
    if windows == [None]:
        return squares.sum(axis=1, keepdims=True)
    centre = (np.arange(coefficients.shape[1]) * step + shift) % padded
    low, high = centre - step / 2, centre + step / 2
    edges = np.array(windows, dtype=float)
    covered = np.minimum(high[:, None], edges[:, 1]) - np.maximum(low[:, None], edges[:, 0])
    return squares @ np.clip(covered / step, 0.0, 1.0)


def _centre_of_energy(
    respond: Callable[[NDArray], Sequence[NDArray]], samples: int, step: int
) -> tuple[float, float]:
    """Return where the low-pass and high-pass answers to an impulse sit, in samples after it."""
    place = samples // 2
    impulses = np.zeros((2, samples))
    impulses[[0, 1], [place, place + 1]] = 1.0
    shifts = []
    for part in respond(impulses):
        weight = part**2
        found = (weight @ (np.arange(part.shape[1]) * step)) / weight.sum(axis=1)
        shifts.append(float(np.mean(np.array([place, place + 1]) - found)))
    return shifts[0], shifts[1]


@lru_cache(maxsize=32)
def _filter_shifts(wavelet: str) -> tuple[float, float]:
    """Return how far after sample 2k the filters of coefficient k look: (low-pass, high-pass), in samples."""
    return _centre_of_energy(lambda rows: pywt.dwt(rows, wavelet, mode="periodization", axis=-1), 256, 2)


@lru_cache(maxsize=32)
def _stationary_shifts(wavelet: str) -> tuple[float, float]:
    """Return the same for the undecimated transform."""
    return _centre_of_energy(
        lambda rows: pywt.swt(rows, wavelet, level=1, axis=-1, norm=True, trim_approx=True), 256, 1
    )
