"""Operators compared: means, scatter, consistency, and what each does with single parts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import chdtrc, fdtrc, fdtri, gammaincinv, ndtr, stdtr, stdtrit

from grr.formulas.arrays import Array, Mask, legendre, quotient
from grr.formulas.average_range import upper_range_limit
from grr.model.errors import StudyError

# How far each operator's mean lies from the others', blocked by part.
# --------------------------------------------------------------------


@dataclass(frozen=True)
class OperatorMeans:
    """Operator means on the same parts, and what their differences are judged by.

    Attributes
    ----------
    parts, operators : int
    means : ndarray, shape (..., operators)
    mean_square : ndarray, shape (...)
        Mean square of the part-by-operator interaction of the cell means: the variance
        of one cell mean about part and operator. It holds the interaction and what the
        repeatability leaves in a cell mean.
    df : int
        (p − 1)(o − 1).
    from_others : ndarray, shape (..., operators)
        Each operator's mean minus the mean of the other operators' means.
    """

    parts: int
    operators: int
    means: Array
    mean_square: Array
    df: int
    from_others: Array

    @property
    def error_of_mean(self) -> Array:
        """Standard error of one operator's mean, part effects excluded."""
        return np.sqrt(self.mean_square / self.parts)

    @property
    def error_from_others(self) -> Array:
        """Standard error of `from_others`: s·√(1 + 1/(o − 1)), s that of one mean."""
        return np.sqrt(self.mean_square / self.parts * self.operators / (self.operators - 1))


def operator_means(cell_means: Array, *, step: float = 0.0) -> OperatorMeans:
    """Compare the operators on the parts that all of them measured.

    Parameters
    ----------
    cell_means : ndarray, shape (..., parts, operators)
        Mean reading of each part by each operator; none missing.
    step : float
        Last digit of the gauge. No mean square is taken as less than that of its rounding,
        step²/12: readings that agree to the digit would give limits without width.

    Raises
    ------
    StudyError
        Fewer than three parts, or one operator.

    Notes
    -----
    The error is the interaction's mean square, whether operators are a sample or not:
    an operator who disagrees with the others on some parts has a mean that is less sure.
    Source: Montgomery, Design and Analysis of Experiments, section 13.3 (two-factor
    mixed model, comparison of the fixed factor's means).
    """
    cells = np.asarray(cell_means, dtype=np.float64)
    *_, p, o = cells.shape
    _refuse_too_few(p, o)
    origin = cells[..., :1, :1]
    deviations = cells - origin
    operator = deviations.mean(axis=-2)
    part = deviations.mean(axis=-1)
    grand = operator.mean(axis=-1)
    rest = deviations - operator[..., None, :] - part[..., None] + grand[..., None, None]
    df = (p - 1) * (o - 1)
    return OperatorMeans(
        parts=p,
        operators=o,
        means=operator + origin[..., 0],
        mean_square=np.maximum(np.square(rest).sum(axis=(-2, -1)) / df, step**2 / 12.0),
        df=df,
        from_others=(operator - grand[..., None]) * o / (o - 1),
    )


def _refuse_too_few(parts: int, operators: int) -> None:
    if parts < 3:
        raise StudyError(
            "Fewer than three parts were measured, which says too little about the operators",
            "Let every operator measure at least three parts, better ten",
            value=f"{parts} parts",
        )
    if operators < 2:
        raise StudyError(
            "Only one operator measured, so there is nobody to compare with",
            "Let at least two operators measure the same parts",
        )


def from_others_limits(found: OperatorMeans, *, level: float = 0.95) -> tuple[Array, Array]:
    """Return the two-sided interval of each operator's difference from the others.

    Each interval by itself holds at ``level``; for all operators at once use `tukey_pairs`
    of their means.

    Notes
    -----
    Source: Student's t; Montgomery, Design and Analysis of Experiments, section 3.5.4.
    """
    reach = stdtrit(found.df, 0.5 + 0.5 * level) * found.error_from_others[..., None]
    return found.from_others - reach, found.from_others + reach


# Tukey's pairwise differences: every pair judged together at one family-wise level.
# ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class PairwiseDifferences:
    """Differences of every pair of means.

    Attributes
    ----------
    first, second : tuple of int
        Places of the two means; the difference is first − second.
    difference : ndarray, shape (..., pairs)
    half_width : ndarray, shape (...)
        What is added and taken off for the simultaneous interval; a difference larger
        than that is significant.
    """

    first: tuple[int, ...]
    second: tuple[int, ...]
    difference: Array
    half_width: Array

    @property
    def lower(self) -> Array:
        """Lower limits of the simultaneous intervals."""
        return self.difference - self.half_width[..., None]

    @property
    def upper(self) -> Array:
        """Upper limits of the simultaneous intervals."""
        return self.difference + self.half_width[..., None]


def tukey_pairs(
    means: Array, error_of_mean: Array | float, df: int, *, level: float = 0.95
) -> PairwiseDifferences:
    """Return all pairwise differences with simultaneous intervals.

    |difference| is compared with q·s, where q is the quantile of the studentized range
    of k means with ``df`` degrees of freedom and s the standard error of one mean.

    Parameters
    ----------
    means : ndarray, shape (..., k)
    error_of_mean : ndarray, shape (...)
        Standard error of one mean, √(mean square / readings behind the mean).
    df : int
        Degrees of freedom of that mean square.
    level : float
        Family-wise confidence.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 3.5.7 (Tukey's test).
    """
    means = np.asarray(means, dtype=np.float64)
    k = means.shape[-1]
    first, second = np.triu_indices(k, 1)
    return PairwiseDifferences(
        first=tuple(int(i) for i in first),
        second=tuple(int(i) for i in second),
        difference=means[..., first] - means[..., second],
        half_width=np.asarray(studentized_range_quantile(level, k, df) * np.asarray(error_of_mean)),
    )


def tukey_p(difference: Array, error_of_mean: Array | float, groups: int, df: int) -> Array:
    """Return the family-wise p value of each difference of two of ``groups`` means."""
    error = np.asarray(error_of_mean, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        q = np.abs(difference) / error
    return studentized_range_above(q, groups, df)


def studentized_range_above(q: Array | float, groups: int, df: int) -> Array:
    """Return the chance that the range of ``groups`` means exceeds q of their standard errors.

    P(Q > q) = ∫f(s)·[1 − P(W ≤ q·s)] ds, s² being χ²/df, and P(W ≤ w) as in
    `grr.formulas.average_range.chance_beyond_limit`; Gauss-Legendre quadrature.
    `scipy.stats.studentized_range` gives the same within 1e-9, but takes fifty times as long, and
    whoever asks first waits half a second until scipy.stats is loaded: so it checks these lines in
    the tests and does not replace them.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments (Tukey's test).
    """
    q = np.asarray(q, dtype=np.float64)
    x, wx = (9.0 * of for of in legendre(72))
    node, weight = legendre(96)
    low, high = np.sqrt(2.0 * gammaincinv(0.5 * df, [1e-15, 1.0 - 1e-15]) / df)
    s = 0.5 * (low + high) + 0.5 * (high - low) * node
    log_chance = (df - 1.0) * np.log(s) - 0.5 * df * s**2
    chance = weight * np.exp(log_chance - log_chance.max())
    chance /= chance.sum()
    w = (q[..., None] * s)[..., None]
    density = groups * wx * np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi)
    within = (density * (ndtr(x + w) - ndtr(x)) ** (groups - 1)).sum(axis=-1)
    above = ((1.0 - within) * chance).sum(axis=-1)
    known = np.where(np.isnan(q), np.nan, np.clip(above, 0.0, 1.0))
    return np.asarray(np.where(q == np.inf, 0.0, known))


@lru_cache(maxsize=64)
def studentized_range_quantile(probability: float, groups: int, df: int) -> float:
    """Return the quantile of the range of ``groups`` means in units of their standard error.

    Notes
    -----
    Source: tables in Montgomery, appendix (Tukey's test). Found by secants on the logarithm.
    """
    goal = math.log(1.0 - probability)

    def apart(q: float) -> float:
        return math.log(max(float(studentized_range_above(q, groups, df)), 1e-300)) - goal

    before, here = 2.0, 3.0
    high = apart(before)
    for _ in range(60):
        now = apart(here)
        if now == high or abs(here - before) < 1e-12 * here:
            break
        before, here, high = here, here - now * (here - before) / (now - high), now
        here = min(max(here, 0.5 * before), 2.0 * before)
    return here


# Consistency statistics h and k: each operator on each part, against the other operators.
# ----------------------------------------------------------------------------------------


def h_statistic(cell_means: Array) -> Array:
    """Return h: how far an operator's mean of a part lies from all operators' mean of it.

    h = (x̄ij − x̄i)/s(x̄i), with s(x̄i) the standard deviation of the operators' means of
    that part; 0 where they do not differ at all.

    Parameters
    ----------
    cell_means : ndarray, shape (..., parts, operators)

    Returns
    -------
    ndarray, shape (..., parts, operators)

    Raises
    ------
    StudyError
        One operator.

    Notes
    -----
    Source: ASTM E691, between-laboratory consistency statistic; ISO 5725-2, Mandel's h
    (clause 7.3.1, edition of 1994, from memory). |h| cannot exceed (o − 1)/√o, see `h_ceiling`.
    """
    cells = np.asarray(cell_means, dtype=np.float64)
    if cells.shape[-1] < 2:
        raise StudyError("One operator has nobody to be consistent with", "Add an operator")
    cells = cells - cells[..., :1]
    deviations = cells - cells.mean(axis=-1, keepdims=True)
    sd = np.sqrt(np.square(deviations).sum(axis=-1, keepdims=True) / (cells.shape[-1] - 1))
    return quotient(deviations, sd, 0.0)


def k_statistic(cell_variances: Array, df: Array) -> Array:
    """Return k: an operator's scatter on a part, in units of all operators' scatter on it.

    k = sij/sri, with sri² the operators' variances on that part pooled; NaN where nobody's
    readings of that part scatter, or one was taken once only.

    Parameters
    ----------
    cell_variances : ndarray, shape (..., parts, operators)
        Variance of the repeats; anything where ``df`` is 0.
    df : ndarray, shape (..., parts, operators)
        Repeats in the cell less one.

    Notes
    -----
    Source: ASTM E691, within-laboratory consistency statistic; ISO 5725-2, Mandel's k.
    """
    df = np.asarray(df, dtype=np.float64)
    some = df > 0
    sums = np.where(some, df * np.where(some, cell_variances, 0.0), 0.0).sum(-1, keepdims=True)
    total = df.sum(axis=-1, keepdims=True)
    pooled = sums / np.maximum(total, 1.0)
    usable = some & (pooled > 0.0)
    variances = np.where(usable, cell_variances, np.nan)
    return np.sqrt(variances / np.where(pooled > 0.0, pooled, 1.0))


def h_ceiling(operators: int) -> float:
    """Return (o − 1)/√o, which |h| cannot exceed: 1.155 with three operators."""
    return (operators - 1) / math.sqrt(operators)


def h_limit(operators: int, level: float = 0.99) -> float:
    """Return the limit of |h| at a two-sided level; the ceiling with two operators.

    h = (o − 1)·t/√(o·(t² + o − 2)), t the quantile with o − 2 degrees of freedom.

    Notes
    -----
    Source: ISO 5725-2, table of indicators for Mandel's h; ASTM E691, formula for the
    critical value of h.
    """
    if operators < 3:
        return h_ceiling(operators)
    t = float(stdtrit(operators - 2, 0.5 + 0.5 * level))
    return (operators - 1) * t / math.sqrt(operators * (t * t + operators - 2))


def k_limit(operators: int, trials: int, level: float = 0.99) -> float:
    """Return the limit of k: √(o/(1 + (o − 1)/F)), F with r − 1 and (o − 1)(r − 1) df.

    Notes
    -----
    Source: ISO 5725-2, table of indicators for Mandel's k; ASTM E691, formula for the
    critical value of k.
    """
    df = trials - 1
    f = float(fdtri(df, (operators - 1) * df, level))
    return math.sqrt(operators / (1.0 + (operators - 1) / f))


# Whether several variances are equal: Bartlett's test and Cochran's C.
# ---------------------------------------------------------------------


def bartlett(variances: Array, df: Array) -> tuple[Array, Array]:
    """Return Bartlett's statistic and its p value.

    Parameters
    ----------
    variances : ndarray, shape (..., k)
        Pooled within-cell variances, in the unit of the readings squared.
    df : ndarray, shape (..., k)
        Degrees of freedom of each, at least 1.

    Returns
    -------
    statistic, p : ndarray, shape (...)
        A variance of 0 beside others above it makes the statistic infinite and p 0; all
        0 gives NaN.

    Raises
    ------
    StudyError
        Fewer than two variances.

    Notes
    -----
    Source: Bartlett, Proceedings of the Royal Society A 160 (1937), 268-282; Montgomery,
    Design and Analysis of Experiments, section 3.4.3.
    """
    variances, df = _checked(variances, df)
    k = variances.shape[-1]
    total = df.sum(axis=-1)
    pooled = (df * variances).sum(axis=-1) / total
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = total * np.log(pooled) - (df * np.log(variances)).sum(axis=-1)
    correction = 1.0 + ((1.0 / df).sum(axis=-1) - 1.0 / total) / (3.0 * (k - 1))
    statistic = spread / correction
    return statistic, chdtrc(k - 1, np.maximum(statistic, 0.0))


def cochran_c(variances: Array) -> Array:
    """Return Cochran's C: the largest variance divided by the sum of all; NaN where all are 0.

    Notes
    -----
    Source: ISO 5725-2, clause 7.3.3 (edition of 1994, from memory).
    """
    variances = np.asarray(variances, dtype=np.float64)
    total = variances.sum(axis=-1)
    return quotient(variances.max(axis=-1), total)


def cochran_limit(groups: int, df: float, level: float = 0.95) -> float:
    """Return the value that Cochran's C exceeds with probability 1 − level at most.

    C is that of the F distribution: C = 1/(1 + (k − 1)/F), with F the quantile at
    (1 − level)/k of ``df`` and (k − 1)·``df`` degrees of freedom.

    Parameters
    ----------
    groups : int
        How many variances, k.
    df : float
        Degrees of freedom of each of them, p(r − 1) for operators.
    level : float

    Notes
    -----
    Source: ISO 5725-2, table of Cochran's critical values; the formula with F is
    't Lam, Computational Statistics & Data Analysis 54 (2010), 525-533.
    """
    f = fdtri(df, (groups - 1) * df, 1.0 - (1.0 - level) / groups)
    return float(1.0 / (1.0 + (groups - 1) / f))


def largest_against_rest(variances: Array, df: Array) -> tuple[Array, Array]:
    """Return each variance divided by that of the others pooled, and its one-sided p value.

    Compared with (1 − level)/k, the p value of the largest one is Cochran's test; here it
    also serves where degrees of freedom differ.

    Parameters
    ----------
    variances, df : ndarray, shape (..., k)

    Returns
    -------
    ratio, p : ndarray, shape (..., k)
        NaN where neither varies; infinite and 0 where only the others do not.

    Notes
    -----
    Source: 't Lam (2010), as for `cochran_limit` (unequal degrees of freedom).
    """
    variances, df = _checked(variances, df)
    sums = df * variances
    rest_df = df.sum(axis=-1, keepdims=True) - df
    rest = (sums.sum(axis=-1, keepdims=True) - sums) / rest_df
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = variances / rest
    return ratio, fdtrc(df, rest_df, ratio)


def _checked(variances: Array, df: Array) -> tuple[Array, Array]:
    variances = np.asarray(variances, dtype=np.float64)
    df = np.broadcast_to(np.asarray(df, dtype=np.float64), variances.shape)
    if variances.shape[-1] < 2:
        raise StudyError("One variance has nothing to be compared with", "Give at least two")
    if (df < 1).any():
        raise StudyError(
            "Someone measured nothing twice, so their repeatability is unknown",
            "Measure each part at least twice",
        )
    return variances, df


# Readings seen from their part's mean, and ranges of repeats against their limit.
# --------------------------------------------------------------------------------

#: A band of so many standard deviations to either side holds 99.7 % of normal values.
SIGMAS = 3.0


@dataclass(frozen=True)
class TrialRanges:
    """Ranges of the repeats of one study.

    Attributes
    ----------
    ranges : ndarray, shape (parts, operators)
        NaN where a cell has fewer readings than the fullest one: a range of fewer
        readings is smaller by nature and cannot be held against the same limit.
    mean, limit : float
        Mean range and D4 × mean range.
    factor : float
        D4.
    beyond : ndarray of bool, shape (parts, operators)
        Beyond the limit, and by more than one step of the last digit: two readings on the
        edge of a digit differ by one step whatever the gauge does.
    """

    ranges: Array
    mean: float
    limit: float
    factor: float
    beyond: Mask


def trial_ranges(readings: Array, step: float | None = None) -> TrialRanges | None:
    """Return the ranges of the repeats with their upper limit; None where nothing was repeated.

    Parameters
    ----------
    readings : ndarray, shape (parts, operators, trials)
        NaN where missing.
    step : float, optional
        The gauge's last digit.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B (range chart, D4).
    """
    counts = np.isfinite(readings).sum(axis=2)
    most = int(counts.max())
    if most < 2:
        return None
    full = counts == most
    spans = np.fmax.reduce(readings, axis=2) - np.fmin.reduce(readings, axis=2)
    ranges = np.where(full, spans, np.nan)
    mean, factor = float(np.nanmean(ranges)), upper_range_limit(most)
    limit = factor * mean
    # 1.01: differences of decimals such as 10.01 − 10.00 miss a step by rounding
    least = limit if step is None else max(limit, 1.01 * step)
    return TrialRanges(ranges, mean, limit, factor, np.nan_to_num(ranges) > least)


def cell_means(readings: Array) -> Array:
    """Return the mean of each part by each operator; NaN where there is no reading."""
    there = np.isfinite(readings)
    counts = there.sum(axis=2)
    total = np.where(there, readings, 0.0).sum(axis=2)
    return np.where(counts > 0, total / np.maximum(counts, 1), np.nan)


def from_part_mean(readings: Array) -> Array:
    """Return each reading minus its part's mean, every operator weighing alike.

    Parameters
    ----------
    readings : ndarray, shape (parts, operators, trials)
        NaN where missing; every part has at least one reading.
    """
    first = np.array([part[np.isfinite(part)][0] for part in readings])[:, None, None]
    near = readings - first
    centre = np.nanmean(cell_means(near), axis=1)
    return np.asarray(near - centre[:, None, None], dtype=np.float64)


def repeatability_bands(ev_sd: float, operators: int, trials: int) -> tuple[float, float]:
    """Return how far readings, and means of ``trials`` of them, lie from the part's mean.

    Half widths that hold 99.7 % (3 standard deviations) where only repeatability acts. The
    part's mean holds the reading itself, so the variance of a reading minus that mean is
    EV²·(1 − 1/(o·r)), and of an operator's mean EV²·(1 − 1/o)/r.

    Notes
    -----
    Source: the variance of a deviation from a mean, Searle, Linear Models (Wiley 1971),
    section 3.7; 3 standard deviations as on control charts (common practice).
    """
    reading = SIGMAS * ev_sd * math.sqrt(1.0 - 1.0 / (operators * trials))
    return reading, SIGMAS * ev_sd * math.sqrt((1.0 - 1.0 / operators) / trials)


@dataclass(frozen=True)
class Offsets:
    """Deviations from the part's mean, and the bands that repeatability alone would fill.

    Attributes
    ----------
    readings : ndarray, shape (parts, operators, trials)
        Readings minus their part's mean, in their own unit.
    means : ndarray, shape (parts, operators)
        Their means.
    single : bool
        Whether every part was measured by one operator only.
    reading_band, mean_band : float
        Half widths of the bands of a reading and of a mean.
    outside : ndarray of bool, shape (parts, operators)
        Where a mean lies outside its band.
    """

    readings: Array
    means: Array
    single: bool
    reading_band: float
    mean_band: float
    outside: Mask


def operator_offsets(values: Array, repeatability: float, trials: int) -> Offsets:
    """Return every reading and every operator's mean as distances from the part's mean.

    Parameters
    ----------
    values : ndarray, shape (parts, operators, trials)
        Readings, NaN where none was taken.
    repeatability : float
        Standard deviation of repeats.
    trials : int
        Readings of a part by an operator.

    Notes
    -----
    Bands: `repeatability_bands`.
    """
    readings = from_part_mean(values)
    means = cell_means(readings)
    operators = int(np.isfinite(means).sum(axis=1).max())
    reading_band, mean_band = repeatability_bands(repeatability, operators, trials)
    noise = 1e-9 * float(np.nanmax(np.abs(readings)))
    outside = np.abs(np.nan_to_num(means)) > mean_band + noise
    return Offsets(readings, means, operators == 1, reading_band, mean_band, outside)


# Which operators, and which part–operator pairs, carry the interaction.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class InteractionCells:
    """What is left of each cell mean once part and operator are taken off.

    Attributes
    ----------
    residual : ndarray, shape (..., parts, operators)
        In the unit of the readings.
    error : ndarray, shape (..., operators)
        Standard error that repeatability alone gives an operator's residuals.
    df : ndarray, shape (..., operators)
        Degrees of freedom of that error.
    limit : ndarray, shape (..., operators)
        Family-wise limit of |residual|: without interaction, no residual of the whole
        study exceeds it, at the level asked for.
    p : ndarray, shape (..., parts, operators)
        Family-wise p value of each residual (Bonferroni).
    share : ndarray, shape (..., operators)
        How much of the interaction's sum of squares each operator carries.
    operator_ratio, operator_p : ndarray, shape (..., operators)
        F of each operator's own part of the interaction against repeatability, and its p
        value times the number of operators.
    """

    residual: Array
    error: Array
    df: Array
    limit: Array
    p: Array
    share: Array
    operator_ratio: Array
    operator_p: Array

    @property
    def beyond(self) -> Mask:
        """Which cells lie beyond the limit."""
        return np.asarray(np.abs(self.residual) > self.limit[..., None, :])


def interaction_cells(
    cell_means: Array,
    trials: Array | float,
    ms_error: Array,
    df_error: Array,
    *,
    level: float = 0.95,
) -> InteractionCells:
    """Judge each residual of the cell means, and each operator's residuals together.

    Every operator's repeatability counts by itself: pooled, it would make the one who
    scatters look as if he depended on the part. Without interaction an operator's
    residuals before the part means are taken off have the variance
    V = [(1 − 1/o)²·σj² + Σ σk²/o²]/r, the sum over the others; a residual has V·(p − 1)/p,
    and Σd²/(p − 1) is V times χ²/(p − 1). Degrees of freedom by Satterthwaite.

    Parameters
    ----------
    cell_means : ndarray, shape (..., parts, operators)
    trials : float or ndarray, shape (...)
        Readings in a cell; their harmonic mean where numbers differ.
    ms_error : ndarray, shape (..., operators)
        Each operator's repeatability variance of a single reading.
    df_error : ndarray, shape (..., operators)
    level : float
        Family-wise confidence.

    Raises
    ------
    StudyError
        Somebody repeated nothing, or fewer than two parts or operators.

    Notes
    -----
    Source: Stefansky, Technometrics 14 (1972), 469-479 (residuals of a two-way layout,
    limits from the Bonferroni inequality); Satterthwaite, Biometrics Bulletin 2 (1946),
    110-114. Unequal repeatabilities and the operator's own F are this project's.
    """
    cells = np.asarray(cell_means, dtype=np.float64)
    *_, p, o = cells.shape
    df_error = np.asarray(df_error, dtype=np.float64)
    if (df_error < 1).any() or p < 2 or o < 2:
        raise StudyError(
            "The interaction cannot be told from repeatability here",
            "Let at least two operators measure at least two parts, each part twice or more",
        )
    deviations = cells - cells[..., :1, :1]
    rest = (
        deviations
        - deviations.mean(axis=-1, keepdims=True)
        - deviations.mean(axis=-2, keepdims=True)
        + deviations.mean(axis=(-2, -1), keepdims=True)
    )
    variance, df = _expected(np.asarray(ms_error, dtype=np.float64), df_error, o)
    variance = variance / np.asarray(trials)[..., None]
    error = np.sqrt(variance * (p - 1) / p)
    # with two operators, or two parts, the residuals come in pairs of opposite sign
    tests = 1 if o == p == 2 else p if o == 2 else o if p == 2 else p * o
    squares = np.square(rest).sum(axis=-2)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.abs(rest) / error[..., None, :]
        ratio = squares / (p - 1) / variance
        share = squares / squares.sum(axis=-1, keepdims=True)
    return InteractionCells(
        residual=rest,
        error=error,
        df=df,
        limit=stdtrit(df, 1.0 - 0.5 * (1.0 - level) / tests) * error,
        p=np.minimum(1.0, tests * 2.0 * stdtr(df[..., None, :], -t)),
        share=share,
        operator_ratio=ratio,
        operator_p=np.minimum(1.0, (o if o > 2 else 1) * fdtrc(p - 1, df, ratio)),
    )


def _expected(ms_error: Array, df_error: Array, operators: int) -> tuple[Array, Array]:
    """Return what repeatability gives one operator's residuals (one trial), and its df."""
    weights = np.full((operators, operators), 1.0 / operators**2)
    np.fill_diagonal(weights, (1.0 - 1.0 / operators) ** 2)
    variance = ms_error @ weights
    spent = np.square(ms_error) / df_error @ np.square(weights)
    some = spent > 0.0
    df = np.where(
        some, np.square(variance) / np.where(some, spent, 1.0), df_error.sum(-1)[..., None]
    )
    return variance, df
