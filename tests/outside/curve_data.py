"""Open data sets with published fits, and their layout as runs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from chargebench.study.curves import Curve
from chargebench.study.fit import Fit, fit_curve
from chargebench.study.rows import Points
from chargebench.study.scatter import Whitened, whiten


def unweighted(x: Sequence[float], y: Sequence[float]) -> Whitened:
    """Data as runs of equal weight without blocks."""
    n = len(x)
    return whiten(Points(np.array(x), np.array(y), np.zeros(n), np.zeros(n, dtype=np.int64)), "none", even=True)


def plain_fit(curve: Curve, x: Sequence[float], y: Sequence[float]) -> Fit:
    """Ordinary least squares from the program's own starts."""
    return fit_curve(curve, unweighted(x, y))
