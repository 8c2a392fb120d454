"""The family of dose curves: how charge-to-mass may fall with water, each linear in its levels once a shape is given.

Owns the shapes and the ranges their shape parameters are searched over. Fits nothing.

Every curve is ``dry * g(d) + plateau * (1 - g(d)) [+ slope * (1 - g(d)) * d]`` with ``g(0) = 1`` falling to 0, so the
levels follow from linear least squares for any shape, and only one or two shape parameters have to be searched.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from chargebench.study.rows import Floats

__all__ = ["CURVES", "EXPONENTIAL", "EXPONENTIAL_PLATEAU", "HINGE", "LOG_LOGISTIC", "RISE", "Curve"]

Shape = Callable[[Floats, Floats], Floats]


@dataclass(frozen=True)
class Curve:
    """One member of the family.

    Attributes
    ----------
    name : str
    shape : callable
        ``g(dose (n,), theta (G, k)) -> (G, n)``.
    shape_names : tuple of str
        Names of the ``k`` shape parameters, units in the name.
    levels : tuple of str
        Which of ``dry``, ``plateau``, ``slope`` are free.
    inverse : callable
        Dose at which ``g`` has come down to a value: ``(value (B,), theta (B, k)) -> (B,)``.
    ranges : callable
        Distinct positive doses -> for each shape parameter its lowest and highest value worth trying.
    """

    name: str
    shape: Shape
    inverse: Shape
    shape_names: tuple[str, ...]
    levels: tuple[str, ...]
    ranges: Callable[[Floats], tuple[tuple[float, float], ...]]

    @property
    def parameter_names(self) -> tuple[str, ...]:
        """Levels, then shape parameters."""
        units = {"dry": "dry_nC_per_g", "plateau": "plateau_nC_per_g", "slope": "slope_nC_per_g_per_uL_per_g"}
        return tuple(units[level] for level in self.levels) + self.shape_names

    @property
    def parameters(self) -> int:
        """Number of free parameters of the mean."""
        return len(self.levels) + len(self.shape_names)

    def columns(self, dose_uL_per_g: Floats, theta: Floats) -> Floats:
        """Columns of the linear problem.

        Parameters
        ----------
        dose_uL_per_g : array (n,)
        theta : array (G, k)
            Shape parameters.

        Returns
        -------
        array (G, n, q)
            One column for each level.
        """
        return np.stack(self._columns(dose_uL_per_g, theta), axis=-1)

    def _columns(self, dose_uL_per_g: Floats, theta: Floats) -> list[Floats]:
        g = self.shape(dose_uL_per_g, theta)
        column = {"dry": g, "plateau": 1 - g, "slope": (1 - g) * dose_uL_per_g}
        return [column[level] for level in self.levels]

    def mean(self, dose_uL_per_g: Floats, parameters: Floats) -> Floats:
        """Charge-to-mass in nC/g at doses (n,), for parameters in the order of `parameter_names`."""
        q = len(self.levels)
        theta = np.asarray(parameters[q:], dtype=float)[None, :]
        columns = self._columns(np.asarray(dose_uL_per_g, dtype=float), theta)
        found: Floats = sum(level * column[0] for level, column in zip(parameters[:q], columns, strict=True))
        return found

    def grid(self, bounds: tuple[tuple[float, float], ...], sizes: tuple[int, ...]) -> Floats:
        """Shape parameters evenly spaced in their logarithm, shape (prod(sizes), k)."""
        axes = [np.geomspace(low, high, size) for (low, high), size in zip(bounds, sizes, strict=True)]
        return np.stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")], axis=-1)


def _exponential(dose: Floats, theta: Floats) -> Floats:
    return np.exp(-dose / theta[:, :1])


def _log_logistic(dose: Floats, theta: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        exponent = theta[:, 1:2] * (np.log(dose) - np.log(theta[:, :1]))
    found: Floats = 1 / (1 + np.exp(np.clip(exponent, -700, 700)))
    return found


def _hinge(dose: Floats, theta: Floats) -> Floats:
    found: Floats = np.clip(1 - dose / theta[:, :1], 0, None)
    return found


def _exponential_inverse(value: Floats, theta: Floats) -> Floats:
    found: Floats = -theta[:, 0] * np.log(value)
    return found


def _log_logistic_inverse(value: Floats, theta: Floats) -> Floats:
    found: Floats = theta[:, 0] * (1 / value - 1) ** (1 / theta[:, 1])
    return found


def _hinge_inverse(value: Floats, theta: Floats) -> Floats:
    found: Floats = theta[:, 0] * (1 - value)
    return found


def _scale_range(doses: Floats) -> tuple[tuple[float, float], ...]:
    """From a curve that is over long before the first dose to one that has hardly begun at the last.

    The low end must lie where the runs can no longer tell: otherwise a dose read off the curve seems bounded below.
    """
    return ((doses[0] / 100, doses[-1] * 3),)


def _log_logistic_range(doses: Floats) -> tuple[tuple[float, float], ...]:
    return (*_scale_range(doses), (0.5, 12.0))


EXPONENTIAL: Final = Curve(
    "exponential to zero", _exponential, _exponential_inverse, ("decay_uL_per_g",), ("dry",), _scale_range
)
EXPONENTIAL_PLATEAU: Final = Curve(
    "exponential to a plateau",
    _exponential,
    _exponential_inverse,
    ("decay_uL_per_g",),
    ("dry", "plateau"),
    _scale_range,
)
LOG_LOGISTIC: Final = Curve(
    "log-logistic",
    _log_logistic,
    _log_logistic_inverse,
    ("half_dose_uL_per_g", "steepness"),
    ("dry", "plateau"),
    _log_logistic_range,
)
HINGE: Final = Curve("hinge", _hinge, _hinge_inverse, ("knee_uL_per_g",), ("dry", "plateau"), _scale_range)
RISE: Final = Curve(
    "exponential with a rise",
    _exponential,
    _exponential_inverse,
    ("decay_uL_per_g",),
    ("dry", "plateau", "slope"),
    _scale_range,
)
CURVES: Final = (EXPONENTIAL_PLATEAU, EXPONENTIAL, LOG_LOGISTIC, HINGE, RISE)
"""In the order in which ties are broken."""
