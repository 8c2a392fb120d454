"""Published samples as arms of a study."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from chargebench.study.treatments import Arm


def arm(name: str, values: Sequence[float], blocks: Sequence[str] | None = None) -> Arm:
    """One sample."""
    return Arm(name, name, 0.0, np.array(values), tuple(blocks or [""] * len(values)))
