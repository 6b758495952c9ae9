"""Published data sets and results, for the self-check and the tests.

The data were typed from memory and then checked: each gives the published results to the
digits printed.
"""

from __future__ import annotations

import numpy as np

from grr.formulas.arrays import Array

#: AIAG, Measurement Systems Analysis Reference Manual, 4th ed. (2010), chapter III section
#: B: 10 parts × 3 operators × 3 trials, deviations from nominal; one line an operator.
_GAUGE_STUDY = """
0.29 0.41 0.64 -0.56 -0.68 -0.58 1.34 1.17 1.27 0.47 0.50 0.64 -0.80 -0.92 -0.84 0.02 -0.11 -0.21 \
0.59 0.75 0.66 -0.31 -0.20 -0.17 2.26 1.99 2.01 -1.36 -1.25 -1.31
0.08 0.25 0.07 -0.47 -1.22 -0.68 1.19 0.94 1.34 0.01 1.03 0.20 -0.56 -1.20 -1.28 -0.20 0.22 0.06 \
0.47 0.55 0.83 -0.63 0.08 -0.34 1.80 2.12 2.19 -1.68 -1.62 -1.50
0.04 -0.11 -0.15 -1.38 -1.13 -0.96 0.88 1.09 0.67 0.14 0.20 0.11 -1.46 -1.07 -1.45 -0.29 -0.67 \
-0.49 0.02 0.01 0.21 -0.46 -0.56 -0.49 1.77 1.45 1.87 -1.49 -1.77 -2.16
"""

#: AIAG MSA, 4th ed., bias example: 15 readings of a part with the reference value 6.00.
BIAS_READINGS = (5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1, 6.2, 5.6, 6.0)
BIAS_REFERENCE = 6.0

#: AIAG MSA, 4th ed., linearity example: twelve readings at each reference value.
LINEARITY_READINGS = {
    2.0: (2.7, 2.5, 2.4, 2.5, 2.7, 2.3, 2.5, 2.5, 2.4, 2.4, 2.6, 2.4),
    4.0: (5.1, 3.9, 4.2, 5.0, 3.8, 3.9, 3.9, 3.9, 3.9, 4.0, 4.1, 3.8),
    6.0: (5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1),
    8.0: (7.6, 7.7, 7.8, 7.7, 7.8, 7.8, 7.8, 7.7, 7.8, 7.5, 7.6, 7.7),
    10.0: (9.1, 9.3, 9.5, 9.3, 9.4, 9.5, 9.5, 9.5, 9.6, 9.2, 9.3, 9.4),
}

#: Bland & Altman, Lancet 1986; i: 307-310: peak flow of 17 subjects by two meters.
PEAK_FLOW = (
    (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427),
    (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451),
)

#: JCGM 100:2008 (GUM), example H.1: contributions in nm and their degrees of freedom.
END_GAUGE = ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))


def gauge_study() -> Array:
    """Return the manual's gauge study, shape (10 parts, 3 operators, 3 trials)."""
    lines = [line.split() for line in _GAUGE_STUDY.strip().splitlines()]
    by_operator = np.array(lines, dtype=np.float64).reshape(3, 10, 3)
    return by_operator.transpose(1, 0, 2)


def linearity_table() -> tuple[Array, Array]:
    """Return the reference value and the bias of each reading of the linearity example."""
    reference = np.repeat(list(LINEARITY_READINGS), 12)
    readings = np.concatenate([np.array(row) for row in LINEARITY_READINGS.values()])
    return reference, readings - reference


def peak_flow_differences() -> Array:
    """Return the differences between the two meters."""
    first, second = (np.array(row, dtype=np.float64) for row in PEAK_FLOW)
    return first - second
