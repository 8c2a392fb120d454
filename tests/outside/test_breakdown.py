"""The air-breakdown bound of charge-to-mass.

Source: CODATA electric constant times 3 MV/m (common handbook value of the breakdown field of air) is 26.56 uC/m2; a
sphere of diameter d and density rho then holds at most 6 sigma / (rho d).
"""

from __future__ import annotations

import pytest
from scipy.constants import epsilon_0

from chargebench.processing.step_answer import BREAKDOWN_V_PER_M, VACUUM_PERMITTIVITY, breakdown_bound


@pytest.mark.parametrize(("diameter_um", "bound"), [(100, 1594), (300, 531), (500, 319), (1000, 159)])
def test_bound(diameter_um: float, bound: float) -> None:
    """At 1000 kg/m3 the bound rounds to the tabulated nC/g."""
    assert round(breakdown_bound(diameter_um, 1000.0)) == bound


def test_surface_charge() -> None:
    """The electric constant is scipy's CODATA one, the surface charge 26.56 uC/m2."""
    assert pytest.approx(epsilon_0, rel=1e-8) == VACUUM_PERMITTIVITY
    assert round(1e6 * VACUUM_PERMITTIVITY * BREAKDOWN_V_PER_M, 2) == 26.56
