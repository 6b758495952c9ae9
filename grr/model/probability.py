"""Probabilities of tests as a person reads them."""

from __future__ import annotations

import math


def p_text(p: float) -> str:
    """Return "p under 0.001", "p 0.023" or "p 0.45"."""
    if not math.isfinite(p):
        return "p not known"
    if p < 0.001:
        return "p under 0.001"
    return f"p {p:.3f}" if p < 0.1 else f"p {p:.2f}"
