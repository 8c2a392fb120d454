"""Whether the charge still relaxes when the quiet stretch after the grind begins, and since when it no longer does.

Owns the test: a decay at the beginning of the stretch, beside everything else the fit knows of, under the noise that
the fit found likeliest. Grounds that fall late make one, and so does a cup that was touched. Knows nothing of masses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from chargebench.processing.drift import Design, Posterior, whitened
from chargebench.processing.noise import covariance

__all__ = ["Fading", "Relaxing", "calm_since_s", "relaxing"]

Floats = npt.NDArray[np.float64]

DECAYS_S = (0.5, 1.0, 2.0, 4.0)
"""Time constants that are tried."""
SURE = 3.2
"""Standard uncertainties beyond which a decay is there: of four tried, quiet stretches show one once in a hundred."""
CALM = 2.0
"""Standard uncertainties below which what is left of it is sought no further."""
LEFT = 4.0
"""Times the height and its uncertainty, found where the decay no longer shows, that may be left: the noise was taken to
be what it is with the decay in it."""
STEP_S = 0.5
"""By how much the beginning is put off at a time."""


@dataclass(frozen=True)
class Relaxing:
    """A decay at the beginning of the quiet stretch after the grind.

    Attributes
    ----------
    distance : float
        Its height in standard uncertainties.
    height_nC : float
        At the beginning of the stretch.
    decay_s : float
        Time constant that shows it best.
    """

    distance: float
    height_nC: float
    decay_s: float


@dataclass(frozen=True)
class Fading:
    """What may be left of a decay when the stretch begins: its time constant, and its standard deviation in nC.

    It fades with that time constant and, grounds being no law of nature, with twice that.
    """

    decay_s: float
    u_nC: float


def relaxing(design: Design, posterior: Posterior, since_s: float) -> Relaxing:
    """The decay that stands out most from the time `since_s` (as the bias column counts it) on."""
    t = design.columns["bias"]
    use = np.flatnonzero((t < 0.0) | (t >= since_s))
    shape, scale2 = posterior.shape[posterior.best], float(posterior.scale2[posterior.best])
    V = covariance(shape, design.grid)[np.ix_(use, use)] * scale2
    start_s = float(np.min(t[use][t[use] > 0.0]))
    decays = [np.where(t[use] > 0.0, np.exp(-np.maximum(t[use] - start_s, 0.0) / d), 0.0) for d in DECAYS_S]
    X = np.column_stack([design.columns[name][use] for name in design.names])
    white, _ = whitened(V, np.column_stack((X, design.y[use], *decays)))
    p = X.shape[1]
    X, y, r = white[:, :p], white[:, p], white[:, p + 1 :]
    precision, mean = design.prior()
    M, cross = X.T @ X + precision, X.T @ r
    unit = np.maximum(np.sqrt(np.diag(M)), 1e-300)
    told = np.column_stack((X.T @ y + precision @ mean, cross)) / unit[:, None]
    solved = np.linalg.solve(M / unit[:, None] / unit + 1e-12 * np.eye(p), told) / unit[:, None]
    beta, left = solved[:, 0], np.sum(r * r, axis=0) - np.sum(cross * solved[:, 1:], axis=0)
    height = (r.T @ (y - X @ beta)) / np.maximum(left, 1e-300)
    distance = height * np.sqrt(np.maximum(left, 0.0))
    i = int(np.argmax(np.abs(distance)))
    return Relaxing(float(distance[i]), float(height[i]), DECAYS_S[i])


def calm_since_s(design: Design, posterior: Posterior, longest_s: float) -> tuple[Relaxing, float, Fading | None]:
    """The decay at the beginning of the stretch, since when, from there on, it no longer shows, and what is left of it.

    The time is 0 where no decay is there, and never beyond `longest_s`. What is left when the decay sinks into the
    noise dies away for one more time constant.
    """
    first = left = relaxing(design, posterior, 0.0)
    if abs(first.distance) <= SURE:
        return first, 0.0, None
    t = design.columns["bias"]
    start_s = float(np.min(t[t > 0.0]))
    later_s = 0.0
    while abs(left.distance) > CALM and later_s < longest_s:
        later_s += STEP_S
        left = relaxing(design, posterior, start_s + later_s)
    u_nC = abs(left.height_nC) / max(abs(left.distance), 1e-3)
    later_s = min(later_s + min(first.decay_s, 2.0), longest_s)
    return first, later_s, Fading(first.decay_s, LEFT * (abs(left.height_nC) + u_nC))
