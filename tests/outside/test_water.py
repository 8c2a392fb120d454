"""Water, microlitres to grams, against the published formula's table, a reference library and ISO 8655."""

from __future__ import annotations

import pytest

from chargebench.processing.qualify.water import density_g_per_mL, uL_per_weighed_mg


@pytest.mark.parametrize(
    ("temperature_C", "kg_per_m3"),
    [(15, 999.1026), (20, 998.2067), (22, 997.7730), (25, 997.0470), (30, 995.6488)],
)
def test_density_table(temperature_C: float, kg_per_m3: float) -> None:
    """Metrologia 38 (2001) 301, recommended table: all printed digits."""
    assert round(1000.0 * density_g_per_mL(temperature_C), 4) == kg_per_m3


@pytest.mark.parametrize("temperature_C", [0.5, 4.0, 10.0, 21.3, 37.0, 40.0])
def test_density_against_iapws95(temperature_C: float) -> None:
    """Within 3e-6 of the IAPWS-95 formulation at 101.325 kPa, by a reference library."""
    iapws = pytest.importorskip("iapws")
    reference = iapws.IAPWS95(T=temperature_C + 273.15, P=0.101325).rho
    assert 1000.0 * density_g_per_mL(temperature_C) == pytest.approx(reference, rel=3e-6)


@pytest.mark.parametrize(
    ("temperature_C", "factor"),
    [(15, 1.0020), (20, 1.0029), (25, 1.0040), (30, 1.0054)],
)
def test_z_factor(temperature_C: float, factor: float) -> None:
    """ISO 8655-6 conversion factors Z at 101 kPa, in µL/mg (from memory), to the printed fourth decimal."""
    assert uL_per_weighed_mg(temperature_C) == pytest.approx(factor, abs=0.6e-4)


@pytest.mark.parametrize("temperature_C", [-0.1, 40.1, float("nan")])
def test_outside_the_table_there_is_no_density(temperature_C: float) -> None:
    """The formula is refused where its source does not hold."""
    with pytest.raises(ValueError, match="0 to 40"):
        density_g_per_mL(temperature_C)
