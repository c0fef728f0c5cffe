"""Cramer-Rao bound of an instant in white noise, every local parameter of the waveform unknown.

The models are local and parametric (not the simulator's derivatives: an instant is no free parameter there). They are
fitted to the noise-free waveform; their derivatives are central differences through the recorder's low-pass.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

#: A waveform: times about the first guess of the instant in s, parameters (the first is the instant) -> values.
Model = Callable[[NDArray, NDArray], NDArray]
#: Step of the central differences, share of each parameter's scale (our choice).
STEP = 1e-4


def burn_end_model(time_s: NDArray, p: NDArray) -> NDArray[np.float64]:
    """Return a burn line that runs into a damped swing about a level.

    Parameters: instant; value, slope, curvature of the line at the instant; slope of the swing there; level; angular
    frequency; decay rate. Times in 10 us, so that all are of like size.
    """
    end, value, slope, bend, swing, level, omega, decay = p
    s = time_s / 1e-5 - end
    after = np.maximum(s, 0.0)
    before = np.minimum(s, 0.0)
    height = value - level
    wave = height * np.cos(omega * after) + (swing + decay * height) / omega * np.sin(omega * after)
    return np.where(s < 0, value + slope * before + bend * before**2, level + np.exp(-decay * after) * wave)


def breakdown_model(time_s: NDArray, p: NDArray) -> NDArray[np.float64]:
    """Return a curved rise that collapses exponentially to a straight burn line.

    Parameters: instant; value, slope, curvature of the rise at the instant; value and slope of the burn line there;
    logarithm of the time constant of the collapse. Times in 10 us.
    """
    begin, top, slope, bend, burn, tilt, log_constant = p
    s = time_s / 1e-5 - begin
    before, after = np.minimum(s, 0.0), np.maximum(s, 0.0)
    fall = (top - burn) * np.exp(-after / np.exp(log_constant))
    return np.where(s < 0, top + slope * before + bend * before**2, burn + tilt * after + fall)


def fit_model(model: Model, time_s: NDArray, values: NDArray, start: NDArray) -> tuple[NDArray, float]:
    """Return least-squares parameters and the rms residual."""
    from scipy.optimize import least_squares

    found = least_squares(lambda p: model(time_s, p) - values, start, x_scale=np.maximum(np.abs(start), 0.1))
    return found.x, float(np.sqrt(np.mean(found.fun**2)))


def bound_s(
    model: Model, p: NDArray, time_s: NDArray, noise: float, kept: Callable[[NDArray], NDArray] = lambda y: y
) -> float:
    """Return the least standard deviation of any unbiased estimate of the instant, seconds.

    Parameters
    ----------
    model : callable
    p : ndarray
        Parameters; the first is the instant in 10 us.
    time_s : ndarray
        Where the model is computed.
    noise : float
        Standard deviation of the white noise of a sample.
    kept : callable
        From values of the model to the recorded samples (low-pass, sampling), linear.

    Examples
    --------
    A kink of known height c rises behind an unknown instant: var = noise**2 / (c**2 * samples behind it).

    >>> t = (np.arange(200) - 99.5) * 1e-6
    >>> round(bound_s(lambda t, p: 2.0 * np.maximum(t / 1e-5 - p[0], 0), np.zeros(1), t, 0.1) / 1e-5, 6)
    0.005
    """
    columns = []
    for place in range(p.size):
        step = STEP * max(abs(float(p[place])), 1.0)
        up, down = p.copy(), p.copy()
        up[place] += step
        down[place] -= step
        columns.append((kept(model(time_s, up)) - kept(model(time_s, down))) / (2.0 * step))
    derivative = np.column_stack(columns)
    # What the nuisance parameters cannot imitate of the change with the instant.
    first, rest = derivative[:, 0], derivative[:, 1:]
    if rest.shape[1]:
        scale = np.linalg.norm(rest, axis=0)
        rest = rest[:, scale > 0] / scale[scale > 0]
        first = first - rest @ np.linalg.lstsq(rest, first, rcond=1e-12)[0]
    information = float(first @ first) / noise**2
    return 1e-5 / np.sqrt(information) if information > 0 else np.inf
