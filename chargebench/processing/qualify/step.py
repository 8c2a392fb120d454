"""A charge put on the cup in one go: the step of the display, drift and leakage taken out.

Owns nothing but the way into the fit that corrects runs, so that what a check finds means the same there.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from chargebench.processing.charge import ChargeFit, charge_fit
from chargebench.processing.drift import Prior
from chargebench.processing.integral import block_sums, integral_steps
from chargebench.processing.priors import DriftPriors
from chargebench.processing.series import Series
from chargebench.processing.stretches import Stretches

__all__ = ["BROAD", "fit_step"]

BROAD: Final = DriftPriors(leakage=Prior(0.0, 1.0), bias=Prior(0.0, 100.0))
"""Time constants of 1 s and more, bias currents of 100 nA and less: nothing is known beforehand. That 1/τ is never
negative is left to the runs: cut off here as well, a bench that does not leak would seem to leak a little, and its bias
current would be off by what that takes away."""

BLOCK_S: Final = 0.1
FIT: Final[Mapping[str, float | str]] = {
    "blocks_for_fit": 120.0,
    "block_s": BLOCK_S,
    "alias_ratio": 40.0,
    "alias_cycles": 3.0,
    "drift_model": "leakage",
    "curved_log_odds": 5.0,
}


def fit_step(
    series: Series, before_s: tuple[float, float], after_s: tuple[float, float], priors: DriftPriors = BROAD
) -> ChargeFit:
    """Joint fit of the quiet stretches on both sides of a step.

    Parameters
    ----------
    series : Series
        Charge in nC.
    before_s, after_s : (float, float)
        Start and end of the stretches.
    priors : DriftPriors
        What is known of leakage and bias.

    Raises
    ------
    ValueError
        When a stretch is too short, or there is a break within them.
    """
    span = (before_s[0], after_s[1])
    broken = next((b for b in series.breaks if b.end_s > span[0] and b.start_s < span[1]), None)
    if broken is not None:
        raise ValueError(f"step: {broken.kind} at {broken.start_s:.3f} s; allowed is a charge trace without a break")
    fit = None
    if len(series):
        steps, bridges = integral_steps(series)
        fine = block_sums(series, steps, max(BLOCK_S, 2.0 * series.step_s))
        stretches = Stretches(before_s, after_s, (before_s[1], after_s[0]), how="marks")
        fit = charge_fit(series, fine, bridges, stretches, priors, FIT)
    if fit is None:
        lengths = f"{before_s[1] - before_s[0]:.1f} s before and {after_s[1] - after_s[0]:.1f} s after"
        raise ValueError(
            f"step: {lengths} it with {len(series)} readings; both must hold a second of readings and more"
        )
    return fit
