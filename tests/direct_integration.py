"""Chances of true value and reading by QUADPACK, independent of the package."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy import integrate
from scipy.special import ndtr


def by_adaptive_quadrature(true, reading, k):
    """Return P(true and reading between their limits); sd of the true value 1, of the error k."""
    low, high = max(true[0], -40.0), min(true[1], 40.0)

    def integrand(t):
        a, b = (reading[0] - t) / k, (reading[1] - t) / k
        chance = ndtr(-a) - ndtr(-b) if a > 0 else ndtr(b) - ndtr(a)
        return np.exp(-0.5 * t * t) / np.sqrt(2.0 * np.pi) * chance

    scale = k / np.sqrt(1.0 + k * k)
    centres = [c for c in (*true, *reading, 0.0) if np.isfinite(c)]
    steps = [s * j for s in (scale, 1.0) for j in range(-8, 9, 2)]
    cuts = np.unique(np.clip([c + step for c in centres for step in steps], low, high))
    return sum(
        integrate.quad(integrand, a, b, epsabs=0.0, epsrel=1e-11)[0] for a, b in pairwise(cuts)
    )
