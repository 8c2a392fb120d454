"""Several arms against a control: Dunnett's own example and R's PlantGrowth; Holm's adjustment."""

from __future__ import annotations

import numpy as np
import pytest

from chargebench.study.treatments import dunnett_p, holm

# C. W. Dunnett, J. Am. Stat. Assoc. 50 (1955) 1096, blood counts; data and p values from memory.
CONTROL = (7.40, 8.50, 7.20, 8.24, 9.84, 8.32)
DRUG_A = (9.76, 8.80, 7.68, 9.36)
DRUG_B = (12.80, 9.68, 12.16, 9.20, 10.55)

# R datasets, PlantGrowth (Dobson 1983); p values of multcomp's glht, from memory.
PLANT = (4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14)
PLANT_1 = (4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69)
PLANT_2 = (6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26)


def test_blood_counts() -> None:
    """p 0.620 and 0.0058."""
    found = dunnett_p([np.array(DRUG_A), np.array(DRUG_B)], np.array(CONTROL), seed=1)
    assert found[0] == pytest.approx(0.620, abs=2e-3)
    assert found[1] == pytest.approx(0.0058, abs=2e-4)


def test_plant_growth() -> None:
    """p 0.323 and 0.153."""
    found = dunnett_p([np.array(PLANT_1), np.array(PLANT_2)], np.array(PLANT), seed=1)
    assert found == pytest.approx([0.323, 0.153], abs=1.5e-3)


def test_same_seed_same_p() -> None:
    """The integral is drawn by chance, so the seed fixes the answer."""
    one, two = (dunnett_p([np.array(DRUG_A)], np.array(CONTROL), seed=3) for _ in range(2))
    assert one == two


def test_holm() -> None:
    """p 0.01, 0.04, 0.03, 0.005 become 0.03, 0.06, 0.06, 0.02 (S. Holm, Scand. J. Stat. 6 (1979) 65: step down)."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
