"""The periodic error of a measuring screw: a sinusoid at the thread's pitch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, chndtr, fdtrc

from grr.formulas.arrays import Array
from grr.formulas.bias import t_quantile
from grr.model.errors import StudyError

#: Least share of the information on the sinusoid that blocks at all phases would give.
LEAST_INFORMATION = 0.1


@dataclass(frozen=True)
class PitchError:
    """A line and a sinusoid through block means; arrays have the shape of the stack (...).

    Attributes
    ----------
    pitch : float
    amplitude, lower, upper : ndarray
        Half the swing of the periodic error, and its two-sided interval at ``level``.
    sine, cosine : ndarray
        Coefficients of sin(2πx/pitch) and cos(2πx/pitch).
    slope, intercept : ndarray
        The line under the sinusoid.
    f, p : ndarray
        F test of both coefficients against 0.
    residual_sd : ndarray
    df : float
    information : float
        Information on the sinusoid as a share of what blocks at all phases would give.
    level : float
    """

    pitch: float
    amplitude: Array
    lower: Array
    upper: Array
    sine: Array
    cosine: Array
    slope: Array
    intercept: Array
    f: Array
    p: Array
    residual_sd: Array
    df: float
    information: float
    level: float

    def at(self, x: Array) -> Array:
        """Return the fitted bias, line and sinusoid, at x of shape (m,): shape (..., m)."""
        line = self.intercept[..., None] + self.slope[..., None] * x
        return line + self.periodic(x)

    def periodic(self, x: Array) -> Array:
        """Return the sinusoid alone at x of shape (m,): shape (..., m)."""
        turn = 2.0 * np.pi * x / self.pitch
        return self.sine[..., None] * np.sin(turn) + self.cosine[..., None] * np.cos(turn)


def phase_information(blocks: Array, pitch: float) -> float:
    """Return how well blocks can show a sinusoid at the pitch, 0 (not at all) to about 1.

    The smallest eigenvalue of the sine and cosine columns, with constant and slope taken
    out, over the b/2 that evenly spread phases would give.
    """
    columns = _columns(blocks, pitch)
    line, waves = columns[:, :2], columns[:, 2:]
    left = waves - line @ np.linalg.lstsq(line, waves, rcond=None)[0]
    return float(np.linalg.eigvalsh(left.T @ left)[0] / (len(blocks) / 2.0))


def pitch_error(blocks: Array, means: Array, *, pitch: float, level: float = 0.95) -> PitchError:
    """Fit intercept + slope·x + a·sin(2πx/pitch) + b·cos(2πx/pitch) to block means.

    Parameters
    ----------
    blocks : ndarray, shape (b,)
        Distinct reference values.
    means : ndarray, shape (..., b)
        Mean bias at each.
    pitch : float
        Pitch of the thread, in the unit of ``blocks``; never guessed.
    level : float

    Raises
    ------
    StudyError
        Fewer than six blocks, or blocks that all stop the spindle at about the same
        angles of turn.

    Notes
    -----
    F test: Draper & Smith, Applied Regression Analysis, 3rd ed. (extra sum of squares).
    The amplitude's interval inverts its noncentral chi-square distribution, averaged over
    the standard deviation given its estimate; our own, coverage in ``tests/coverage``.
    """
    x = np.asarray(blocks, dtype=np.float64)
    y = np.asarray(means, dtype=np.float64)
    _refuse_blind_blocks(x, pitch)
    columns = _columns(x, pitch)
    inverse = np.asarray(np.linalg.inv(columns.T @ columns), dtype=np.float64)
    coefficients = y @ columns @ inverse
    residual = y - coefficients @ columns.T
    df = float(len(x) - 4)
    sd = np.sqrt(np.square(residual).sum(axis=-1) / df)
    waves = coefficients[..., 2:]
    explained = np.einsum("...i,ij,...j->...", waves, np.linalg.inv(inverse[2:, 2:]), waves)
    with np.errstate(divide="ignore", invalid="ignore"):
        f = explained / 2.0 / sd**2
    amplitude = np.hypot(waves[..., 0], waves[..., 1])
    shape = np.sqrt(_along_phase(waves, amplitude, inverse[2:, 2:]))
    lower, upper = _amplitude_interval(amplitude, sd * shape, df, level)
    slope = coefficients[..., 1]
    return PitchError(
        pitch=pitch,
        amplitude=amplitude,
        lower=lower,
        upper=upper,
        sine=waves[..., 0],
        cosine=waves[..., 1],
        slope=slope,
        intercept=coefficients[..., 0] - slope * x.mean(),
        f=f,
        p=fdtrc(2.0, df, f),
        residual_sd=sd,
        df=df,
        information=phase_information(x, pitch),
        level=level,
    )


def _columns(x: Array, pitch: float) -> Array:
    turn = 2.0 * np.pi * x / pitch
    return np.column_stack([np.ones_like(x), x - x.mean(), np.sin(turn), np.cos(turn)])


def _refuse_blind_blocks(x: Array, pitch: float) -> None:
    if len(x) < 6:
        raise StudyError(
            "The periodic error of the screw needs at least six blocks",
            "Measure more blocks, at sizes that stop the spindle at different angles of turn",
            value=f"{len(x)} blocks",
        )
    information = phase_information(x, pitch)
    if information < LEAST_INFORMATION:
        raise StudyError(
            f"These blocks stop the spindle at too few angles of turn to show an error with a "
            f"pitch of {pitch:g}",
            "Use sizes that leave different parts of a turn, as 2.5, 5.1, 7.7, 10.3 and 12.9 mm "
            "do at a pitch of 0.5 mm",
            value=", ".join(f"{v:g}" for v in x),
        )


def _along_phase(waves: Array, amplitude: Array, inverse: Array) -> Array:
    """Return the variance factor of the amplitude in the direction of the estimated phase."""
    along: Array = np.einsum("...i,ij,...j->...", waves, inverse, waves)
    some = amplitude > 0.0
    typical = float(np.trace(inverse)) / 2.0
    squared = np.where(some, np.square(amplitude), 1.0)
    return np.asarray(np.where(some, along / squared, typical), dtype=np.float64)


def _amplitude_interval(
    amplitude: Array, unit_error: Array, df: float, level: float
) -> tuple[Array, Array]:
    """Return the amplitudes at which the estimate is the upper and the lower tail's quantile.

    With σ known, (amplitude/σ')² is noncentral chi-square with 2 degrees of freedom; the
    probability is averaged over σ given its estimate, σ = s·√(ν/χ²).
    """
    tail = (1.0 - level) / 2.0
    node, weight = np.polynomial.legendre.leggauss(64)
    error = unit_error[..., None] * np.sqrt(df / chdtri(df, (node + 1.0) / 2.0))
    seen = np.square(amplitude[..., None] / error)

    def below(candidate: Array) -> Array:
        chance = chndtr(seen, 2.0, np.square(candidate[..., None] / error))
        return np.asarray(chance @ weight / 2.0)

    ends = []
    for probability in (1.0 - tail, tail):
        low = np.zeros_like(amplitude)
        high = amplitude + 20.0 * (1.0 + t_quantile(1.0 - tail, df)) * unit_error
        for _ in range(50):
            middle = (low + high) / 2.0
            left = below(middle) < probability
            high, low = np.where(left, middle, high), np.where(left, low, middle)
        ends.append(low)
    return ends[0], ends[1]
