"""What is known of leakage and bias before a run is fitted, and whether the run contradicts it.

Owns the rule: what a check said is believed until the run's own readings contradict it; then it is let go, and what is
assumed without a check stands in its place. Knows nothing of runs or flags.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from chargebench.processing.drift import Design, Posterior, Prior
from chargebench.processing.outcome import Knowing

__all__ = ["SURE", "Comparison", "DriftPriors", "compared", "known_priors"]

Floats = npt.NDArray[np.float64]

CLOSEST = 1.0 - 1e-6
"""Correlation of two errors above which arithmetic no longer tells them apart."""
SURE = 3.5
"""Standard uncertainties between a check and the run from which on the check is let go: a sound check is hit by it once
in 370 runs, and one that is off by less moves the net charge by little more than its own U95."""


@dataclass(frozen=True)
class DriftPriors:
    """What is known beforehand of leakage rate (1/s) and bias current (nA), and whether from a bench check.

    One check finds both, and hardly tells one from the other: `correlation` is that of their errors. `otherwise` is
    what is assumed where the check is let go; none where nothing was checked.
    """

    leakage: Prior
    bias: Prior
    leakage_from_bench: bool = False
    bias_from_bench: bool = False
    correlation: float = 0.0
    otherwise: DriftPriors | None = None

    @property
    def columns(self) -> dict[str, Prior]:
        """By the names of the columns of the fit."""
        return {"leakage": self.leakage, "bias": self.bias}

    def put_into(self, design: Design) -> Design:
        """The design with these in place of what it knew of leakage and bias."""
        mine = {name: prior for name, prior in self.columns.items() if name in design.columns}
        together = {("leakage", "bias"): self.correlation} if len(mine) == 2 else {}
        return replace(design, priors={**design.priors, **mine}, correlations=together)


def known_priors(known: Mapping[str, Knowing], otherwise: DriftPriors, other_nA: float = 0.0) -> DriftPriors:
    """What checks of a bench found of its leakage and bias, and where there were none, what is assumed.

    Parameters
    ----------
    known : mapping of str to Knowing
        By the keys of `chargebench.runs.run.Knowledge`.
    otherwise : DriftPriors
        What is assumed; it also says whether the leakage rate may be negative.
    other_nA : float
        Standard deviation of a steady current that no check has seen.
    """
    rate, bias, together = map(known.get, ("leakage_rate_per_s", "bias_current_nA", "correlation_rate_bias"))
    leakage, current, correlation = otherwise.leakage, otherwise.bias, 0.0
    if rate is not None:
        leakage = Prior(rate.value, max(rate.u, 1e-9), leakage.positive)
    if bias is not None:
        current = Prior(bias.value, max(math.hypot(bias.u, other_nA), 1e-9))
        if rate is not None and together is not None and rate.source == bias.source == together.source:
            correlation = max(-CLOSEST, min(together.value, CLOSEST)) * min(bias.u / current.u, 1.0)
    return DriftPriors(
        leakage, current, rate is not None, bias is not None and other_nA == 0.0, correlation,
        None if rate is None and bias is None else otherwise,
    )  # fmt: skip


@dataclass(frozen=True)
class Comparison:
    """How far the run's own answer lies from a check.

    Attributes
    ----------
    distance : float
        In standard uncertainties of run and check together, as of one number from another; 0 without a check.
    own : mapping of str to (float, float)
        Value and standard uncertainty by the run alone, by column.
    """

    distance: float = 0.0
    own: Mapping[str, tuple[float, float]] | None = None

    @property
    def contradicts(self) -> bool:
        """Whether the check is not to be believed of this run."""
        return self.distance > SURE


def compared(design: Design, own: Posterior, priors: DriftPriors) -> Comparison:
    """How far the run alone lies from a check.

    Parameters
    ----------
    design : Design
        Its priors are those of the check.
    own : Posterior
        Of the same readings without them.
    priors : DriftPriors
        Of the check: where it says nothing of a column, what it assumes is too wide to be contradicted.
    """
    names = [name for name in priors.columns if name in design.columns]
    at = [design.names.index(name) for name in names]
    precision, mean = design.prior()
    away = own.centre[at] - mean[at]
    together = np.linalg.inv(precision[np.ix_(at, at)]) + own.covariance[np.ix_(at, at)]
    unit = np.sqrt(np.diag(together))
    scaled = np.linalg.solve(together / unit[:, None] / unit, away / unit)
    known = priors.leakage_from_bench + (priors.otherwise is not None and priors.bias.u < priors.otherwise.bias.u)
    distance = _as_one(float(away / unit @ scaled), min(known, len(names)))
    return Comparison(distance, {name: own.moments(own.vector(**{name: 1.0})) for name in names})


def _as_one(chi2: float, dof: int) -> float:
    """The distance of one normal number that is as improbable as a chi-square at one or two degrees of freedom."""
    from scipy.special import ndtri_exp

    if dof < 2:
        return math.sqrt(max(chi2, 0.0))
    return max(-float(ndtri_exp(-0.5 * chi2 - math.log(2.0))), 0.0)
