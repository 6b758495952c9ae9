"""Two methods that measured the same parts: agreement, difference, ratio, and the choice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtr, stdtrit

from grr.formulas.arrays import Array, quotient
from grr.formulas.confidence_limits import two_sided_limits
from grr.formulas.pivots import (
    DRAWS,
    SEED,
    at_least,
    chi_square_pivot,
    fixed_effects_pivot,
    mean_pivot,
    seeded,
)
from grr.model.errors import StudyError
from grr.model.values import one_of

# Limits of agreement: how far one reading by one method may lie from one by the other.
# -------------------------------------------------------------------------------------

#: Standard deviations to either side that hold 95 % of normal differences.
MULTIPLE = 1.96


@dataclass(frozen=True)
class Agreement:
    """Limits of agreement; arrays have the stack's shape (...), in the unit of the readings.

    Attributes
    ----------
    mean, sd : ndarray
        Of the difference of two single readings.
    lower, upper : ndarray
        mean ± multiple × sd.
    lower_limits, upper_limits : tuple of ndarray
        Two-sided interval of the lower and of the upper limit of agreement.
    """

    mean: Array
    sd: Array
    lower: Array
    upper: Array
    lower_limits: tuple[Array, Array]
    upper_limits: tuple[Array, Array]


def single_pair_agreement(
    differences: Array, *, multiple: float = MULTIPLE, level: float = 0.95
) -> Agreement:
    """Return the limits of agreement from one pair of readings a part.

    Parameters
    ----------
    differences : ndarray, shape (..., parts)
    multiple : float
        1.96; the paper of 1986 rounds it to 2.
    level : float
        Confidence of the intervals of the limits; their standard error is √(3s²/n).

    Raises
    ------
    StudyError
        Fewer than three parts.

    Notes
    -----
    Source: Bland & Altman, Lancet 1986; i: 307-310.
    """
    values = np.asarray(differences, dtype=np.float64)
    n = values.shape[-1]
    if n < 3:
        raise StudyError("Limits of agreement need at least three parts", "Measure more parts")
    mean, sd = values.mean(axis=-1), values.std(axis=-1, ddof=1)
    reach = stdtrit(n - 1, 0.5 + 0.5 * level) * sd * np.sqrt(3.0 / n)
    lower, upper = mean - multiple * sd, mean + multiple * sd
    return Agreement(
        mean, sd, lower, upper, (lower - reach, lower + reach), (upper - reach, upper + reach)
    )


# Limits of agreement of single readings, from parts measured several times by both methods.
# ------------------------------------------------------------------------------------------


def replicated_agreement(
    differences: Array,
    ms_error: Array,
    trials: tuple[float, float],
    df_error: tuple[int, int],
    *,
    operators: str = "fixed",
    multiple: float = MULTIPLE,
    level: float = 0.95,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Agreement:
    """Return the limits of agreement of single readings from replicated ones.

    The variance of one reading by the candidate minus one by the baseline, of the same
    part by the same operator, is that of the differences of cell means over parts and
    operators, plus the repeatability that averaging took out of them:
    σ²(part) + σ²(operator) + σ²(rest) + (1 − 1/r₁)·σ₁² + (1 − 1/r₂)·σ₂².

    Parameters
    ----------
    differences : ndarray, shape (..., parts, operators)
        Candidate minus baseline, of the cell means.
    ms_error : ndarray, shape (..., 2)
        Repeatability variance of a single reading by baseline and candidate; anything
        where nothing was repeated.
    trials : (float, float)
        Readings in a cell (harmonic mean).
    df_error : (int, int)
    operators : {"fixed", "random"}
        Fixed: the operators' share is the mean square of their own differences.
    multiple, level : float
    draws, seed : int
        Of the generalised pivots behind the intervals of the limits.

    Notes
    -----
    Source: Bland & Altman, Statistical Methods in Medical Research 8 (1999), 135-160,
    section 5 (replicated readings), with operators as a further component; intervals by
    pivots as in `grr.formulas.pivots`.
    """
    one_of("operators", operators, ("fixed", "random"))
    cells = np.asarray(differences, dtype=np.float64)
    *_, p, o = cells.shape
    rng = seeded(draws, seed)
    mean, ss_part, ss_operator, ss_rest = _squares(cells)
    repeats, repeat_draws = _averaged_out(ms_error, trials, df_error, draws, rng)
    part_draws = chi_square_pivot(ss_part, p - 1, draws, rng)
    mean_variance = part_draws / (p * o)
    if o == 1:
        variance = ss_part / (p - 1) + repeats
        variance_draws = part_draws + repeat_draws
    else:
        df_rest = (p - 1) * (o - 1)
        ms_rest = ss_rest / df_rest
        rest_draws = chi_square_pivot(ss_rest, df_rest, draws, rng)
        operator = (ss_operator / (o - 1) - ms_rest) / p
        if operators == "fixed":
            operator = operator * (o - 1) / o
            operator_draws = fixed_effects_pivot(
                ss_operator, rest_draws, o, p, draws=draws, rng=rng
            )
        else:
            squares = chi_square_pivot(ss_operator, o - 1, draws, rng)
            operator_draws = (squares - rest_draws) / p
            mean_variance = mean_variance + np.maximum(operator_draws, 0.0) / o
        variance = _single_pair(ss_part / (p - 1), operator, ms_rest, o) + repeats
        variance_draws = _single_pair(part_draws, operator_draws, rest_draws, o) + repeat_draws
    sd, sd_draws = np.sqrt(np.maximum(variance, 0.0)), np.sqrt(np.maximum(variance_draws, 0.0))
    mean_draws = mean_pivot(mean, mean_variance, draws, rng)
    return Agreement(
        mean=mean,
        sd=sd,
        lower=mean - multiple * sd,
        upper=mean + multiple * sd,
        lower_limits=two_sided_limits(mean_draws - multiple * sd_draws, level),
        upper_limits=two_sided_limits(mean_draws + multiple * sd_draws, level),
    )


def _squares(cells: Array) -> tuple[Array, Array, Array, Array]:
    """Return the mean, and the sums of squares of parts, operators and the rest."""
    *_, p, o = cells.shape
    part, operator = cells.mean(axis=-1, keepdims=True), cells.mean(axis=-2, keepdims=True)
    mean = cells.mean(axis=(-2, -1), keepdims=True)
    return (
        mean[..., 0, 0],
        o * np.square(part - mean).sum(axis=(-2, -1)),
        p * np.square(operator - mean).sum(axis=(-2, -1)),
        np.square(cells - part - operator + mean).sum(axis=(-2, -1)),
    )


def _single_pair(ms_part: Array, operator: Array, ms_rest: Array, operators: int) -> Array:
    """Put the variance of one cell difference together from its (expected) mean squares."""
    return (ms_part - ms_rest) / operators + operator + ms_rest


def _averaged_out(
    ms_error: Array,
    trials: tuple[float, float],
    df_error: tuple[int, int],
    draws: int,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Return the repeatability that averaging took out of the cell means, and draws of it."""
    total, total_draws = np.zeros(()), np.zeros(draws)
    for i, (r, df) in enumerate(zip(trials, df_error, strict=True)):
        if df > 0:
            ms = np.asarray(ms_error)[..., i]
            total = total + (1.0 - 1.0 / r) * ms
            total_draws = total_draws + (1.0 - 1.0 / r) * chi_square_pivot(ms * df, df, draws, rng)
    return total, total_draws


# Mean difference between two methods that measured the same parts with the same operators.
# -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MethodDifference:
    """Candidate minus baseline, and how sure it is; arrays have the stack's shape (...).

    Attributes
    ----------
    mean : ndarray
        Mean difference, in the unit of the readings.
    error : ndarray
        Its standard error.
    df : ndarray
        Degrees of freedom of the standard error.
    by_operator : ndarray, shape (..., operators)
        Mean difference of each operator.
    error_by_operator : ndarray, shape (..., operators)
        Its standard error, from that operator's own parts; p − 1 degrees of freedom.
    df_by_operator : int
    """

    mean: Array
    error: Array
    df: Array
    by_operator: Array
    error_by_operator: Array
    df_by_operator: int

    def limits(self, level: float = 0.95) -> tuple[Array, Array]:
        """Return the two-sided interval of the mean difference."""
        reach = stdtrit(self.df, 0.5 + 0.5 * level) * self.error
        return self.mean - reach, self.mean + reach

    def limits_by_operator(self, level: float = 0.95) -> tuple[Array, Array]:
        """Return the two-sided interval of each operator's own mean difference."""
        reach = stdtrit(self.df_by_operator, 0.5 + 0.5 * level) * self.error_by_operator
        return self.by_operator - reach, self.by_operator + reach

    def p(self) -> Array:
        """Return the two-sided p value of no difference."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return 2.0 * stdtr(self.df, -np.abs(self.mean) / self.error)


def method_difference(differences: Array, *, operators: str = "fixed") -> MethodDifference:
    """Return the mean of paired differences with the error term that the design calls for.

    The differences of cell means (a part by an operator) have mean squares for parts,
    operators and the rest. With operators fixed the variance of the mean is MS_P/(po), a
    paired t test on the parts; with operators random it is (MS_P + MS_O − MS_PO)/(po)
    with Satterthwaite's degrees of freedom. In a three-way analysis of the two methods
    these are 2/r times MS_PM, MS_OM and MS_PMO.

    Stated rule for random operators: MS_P + MS_O − MS_PO is not taken as less than the
    larger of MS_P and MS_O, which is what it must exceed in truth; the degrees of freedom
    are that one's then. So it is always positive.

    Parameters
    ----------
    differences : ndarray, shape (..., parts, operators)
        Candidate minus baseline, of the cell means.
    operators : {"fixed", "random"}
        All who will ever measure, or a sample of those who will.

    Raises
    ------
    StudyError
        Fewer than three parts, or fewer than three operators where operators are a sample
        (with two, a nominal 95 % interval held the truth in as few as 89 % of simulated
        studies).

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, sections 13.3 and 13.6;
    Satterthwaite, Biometrics Bulletin 2 (1946), 110-114.
    """
    one_of("operators", operators, ("fixed", "random"))
    cells = np.asarray(differences, dtype=np.float64)
    *_, p, o = cells.shape
    if p < 3:
        raise StudyError(
            "Fewer than three parts were measured, which says too little about the methods",
            "Measure at least three parts by both methods, better ten",
            value=f"{p} parts",
        )
    if o < 3 and operators == "random":
        raise StudyError(
            "Two operators are too few to stand for all who will measure",
            'Use operators="fixed": the result then holds for these operators only',
            value=f"{o} operators",
        )
    part, by_operator = cells.mean(axis=-1), cells.mean(axis=-2)
    mean = part.mean(axis=-1)
    ms_part = o * _square_sum(part - mean[..., None]) / (p - 1)
    if operators == "fixed":
        combined, df = ms_part, np.full_like(ms_part, p - 1)
    else:
        rest = cells - part[..., None] - by_operator[..., None, :] + mean[..., None, None]
        combined, df = _of_random_operators(
            ms_part,
            p * _square_sum(by_operator - mean[..., None]) / (o - 1),
            np.square(rest).sum(axis=(-2, -1)) / ((p - 1) * (o - 1)),
            p,
            o,
        )
    own = _square_sum(np.swapaxes(cells - by_operator[..., None, :], -1, -2)) / (p - 1)
    return MethodDifference(
        mean=mean,
        error=np.sqrt(combined / (p * o)),
        df=df,
        by_operator=by_operator,
        error_by_operator=np.sqrt(own / p),
        df_by_operator=p - 1,
    )


def _of_random_operators(
    ms_part: Array, ms_operator: Array, ms_rest: Array, p: int, o: int
) -> tuple[Array, Array]:
    combined = ms_part + ms_operator - ms_rest
    spent = ms_part**2 / (p - 1) + ms_operator**2 / (o - 1) + ms_rest**2 / ((p - 1) * (o - 1))
    df = combined**2 / np.where(spent > 0.0, spent, 1.0)
    larger = np.maximum(ms_part, ms_operator)
    floored = combined <= larger
    df_larger = np.where(ms_part >= ms_operator, p - 1, o - 1)
    return np.where(floored, larger, combined), np.where(floored, df_larger, df)


def _square_sum(values: Array) -> Array:
    return np.asarray(np.square(values).sum(axis=-1))


# The ratio of two methods' GRR, when the same operators measured the same parts by both.
# ---------------------------------------------------------------------------------------


def grr_variance_draws(
    cell_means: Array,
    ss_error: Array,
    trials: tuple[float, float],
    df_error: tuple[int, int],
    *,
    operators: str = "fixed",
    draws: int = DRAWS,
    seed: int = SEED,
) -> Array:
    """Draw the GRR variances of two methods together.

    Operators, and what they do from part to part, are the same people's under both
    methods, so the two estimates rise and fall together; drawn apart, their ratio would
    look less sure than it is. The interactions of both methods are one 2 × 2 matrix with
    a Wishart distribution; so are the operators when they are a sample.

    GRR² of a method = σ²(operator) + Γ + (1 − 1/r)·σ², where Γ is the variance of a cell
    mean about part and operator.

    Parameters
    ----------
    cell_means : ndarray, shape (..., parts, operators, 2)
    ss_error : ndarray, shape (..., 2)
        Sum of squares within the cells of each method.
    trials : (float, float)
        Readings in a cell (harmonic mean).
    df_error : (int, int)
        At least 1.
    operators : {"fixed", "random"}
        Fixed: the operators' share is Σα²/o, as in `grr.formulas.analysis_of_variance`.
    draws, seed : int

    Returns
    -------
    ndarray, shape (..., 2, draws)

    Raises
    ------
    StudyError
        Fewer than three parts or two operators (three where operators are a sample).

    Notes
    -----
    Source: generalised pivots of a covariance matrix by Bartlett's decomposition: Gamage,
    Mathew & Weerahandi, Journal of Multivariate Analysis 88 (2004), 177-189 (from
    memory). The decomposition favours one of the two methods; half of the draws take
    each order. Simulated coverage of nominal 95 %: 95-99 % with operators fixed, 96-100 %
    with operators random (tests/coverage).
    """
    one_of("operators", operators, ("fixed", "random"))
    cells = np.asarray(cell_means, dtype=np.float64)
    *_, p, o, _ = cells.shape
    least = 2 if operators == "fixed" else 3
    if p < 3 or o < least:
        raise StudyError(
            f"The ratio of two GRRs needs at least three parts and {least} operators",
            "Measure more, or compare the repeatabilities only",
            value=f"{p} parts, {o} operators",
        )
    rng = seeded(draws, seed)
    operator = cells.mean(axis=-3, keepdims=True)
    grand = operator.mean(axis=-2, keepdims=True)
    rest = cells - cells.mean(axis=-2, keepdims=True) - operator + grand
    of_operators = (operator - grand) * np.sqrt(p)
    gamma = covariance_diagonal_pivot(_products(rest), (p - 1) * (o - 1), draws, rng)
    if operators == "random":
        summed = covariance_diagonal_pivot(_products(of_operators), o - 1, draws, rng)
        reproducibility = (summed - gamma) / p
    else:
        squares = np.square(of_operators).sum(axis=(-3, -2))
        # one call a method: their estimates of the same operators err by themselves
        reproducibility = np.stack(
            [
                fixed_effects_pivot(squares[..., i], gamma[..., i, :], o, p, draws=draws, rng=rng)
                for i in (0, 1)
            ],
            axis=-2,
        )
    errors = np.stack(
        [
            chi_square_pivot(np.asarray(ss_error)[..., i], df, draws, rng)
            for i, df in enumerate(df_error)
        ],
        axis=-2,
    )
    averaged_out = (1.0 - 1.0 / np.asarray(trials))[:, None] * errors
    return at_least(reproducibility + gamma + averaged_out, errors)


def covariance_diagonal_pivot(
    products: Array, df: int, draws: int, rng: np.random.Generator
) -> Array:
    """Draw the two variances of a 2 × 2 covariance matrix, together.

    With S = LL′ and T the lower triangle of a standard Wishart matrix, Σ is (L/T)(L/T)′.

    Parameters
    ----------
    products : ndarray, shape (..., 2, 2)
        Sums of squares and products, with ``df`` degrees of freedom, at least 2.
    df : int
    draws : int
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (..., 2, draws)
    """
    half = draws // 2
    one = _cholesky_pivot(products, df, half, rng)
    other = _cholesky_pivot(products[..., ::-1, ::-1], df, draws - half, rng)
    return np.concatenate([one, other[..., ::-1, :]], axis=-1)


def _cholesky_pivot(products: Array, df: int, draws: int, rng: np.random.Generator) -> Array:
    t11 = np.sqrt(rng.chisquare(df, draws))
    t22 = np.sqrt(rng.chisquare(df - 1, draws))
    t21 = rng.standard_normal(draws)
    s11, s12, s22 = products[..., 0, 0], products[..., 0, 1], products[..., 1, 1]
    l11 = np.sqrt(s11)
    l21 = quotient(s12, l11, 0.0)
    l22 = np.sqrt(np.maximum(s22 - l21**2, 0.0))
    first = l11[..., None] / t11
    below = l21[..., None] / t11 - l22[..., None] * t21 / (t11 * t22)
    second = np.square(below) + np.square(l22[..., None] / t22)
    return np.stack([np.square(first), second], axis=-2)


def _products(values: Array) -> Array:
    """Return sums of squares and products of the two methods over parts and operators."""
    flat = values.reshape(*values.shape[:-3], -1, 2)
    return np.asarray(np.swapaxes(flat, -1, -2) @ flat)


# Whether a difference is surely inside, or surely outside, a margin.
# -------------------------------------------------------------------


def p_outside_margin(
    difference: Array, error: Array, df: Array | float, margin: Array | float
) -> Array:
    """Return the p value of two one-sided tests: small where |difference| < margin surely.

    The larger of the p values of "the difference is below −margin" and "above +margin".
    At 0.05 it is the same as a two-sided 90 % interval inside the margin.

    Parameters
    ----------
    difference, error : ndarray, shape (...)
        Mean difference and its standard error, in one unit.
    df : float or ndarray
        Degrees of freedom of the error.
    margin : float or ndarray
        In the same unit, above 0.

    Notes
    -----
    Source: Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15 (1987),
    657-680.
    """
    return _upper_tail((margin - np.abs(difference)), error, df)


def p_inside_margin(
    difference: Array, error: Array, df: Array | float, margin: Array | float
) -> Array:
    """Return the p value against "|difference| is at most the margin".

    Small where the difference surely exceeds the margin, on the side where it lies.

    Notes
    -----
    Source: Student's one-sided t test on the side of the observed difference. A true
    difference of exactly the margin is declared outside with at most the level's
    probability, plus the negligible one on the far side.
    """
    return _upper_tail((np.abs(difference) - margin), error, df)


def _upper_tail(excess: Array, error: Array, df: Array | float) -> Array:
    excess, error = np.asarray(excess, dtype=np.float64), np.asarray(error, dtype=np.float64)
    exact = error <= 0.0
    t = excess / np.where(exact, 1.0, error)
    return np.where(exact, np.where(excess > 0.0, 0.0, 1.0), stdtr(df, -t))


# Which of two methods is good enough: the rule, from how sure each statement is.
# -------------------------------------------------------------------------------

CANDIDATE, BASELINE, NEITHER, OPEN = "candidate", "baseline", "neither", "open"


def confidence_over(draws: Array, limit: float) -> Array:
    """Return the one-sided confidence, 0 to 1, that a method's GRR is over a limit.

    The share of generalised pivots over the limit, with the doubt counted twice: where
    operators and interaction add little, the lower limits of GRR lie too high (a nominal
    5 % was missed in up to 10 % of simulated studies; tests/coverage). Upper limits are
    on the safe side and need no such care: see `grr.formulas.confidence_limits.confidence_below`.

    Parameters
    ----------
    draws : ndarray, shape (..., draws)
    limit : float
    """
    return np.asarray(1.0 - 2.0 * (draws <= limit).mean(axis=-1)).clip(min=0.0)


@dataclass(frozen=True)
class MethodEvidence:
    """How sure is what the choice rests on; each of shape (...), from 0 to 1.

    Attributes
    ----------
    candidate_under, candidate_over : ndarray
        One-sided confidence that the candidate's share of the tolerance is under, and
        over, the limit of acceptance.
    baseline_under, baseline_over : ndarray
        The same for the baseline.
    difference_within, difference_beyond : ndarray
        One-sided confidence that the mean difference between the methods is inside, and
        beyond, the margin.
    """

    candidate_under: Array
    candidate_over: Array
    baseline_under: Array
    baseline_over: Array
    difference_within: Array
    difference_beyond: Array

    @property
    def candidate_good(self) -> Array:
        """Confidence that the candidate is good enough: the weaker of two statements."""
        return np.minimum(self.candidate_under, self.difference_within)

    @property
    def candidate_bad(self) -> Array:
        """Confidence that it is not: either statement alone says so, so both share the doubt."""
        doubt = 1.0 - np.maximum(self.candidate_over, self.difference_beyond)
        return np.maximum(0.0, 1.0 - 2.0 * doubt)


def method_choice(evidence: MethodEvidence, confidence: float = 0.95) -> NDArray[np.str_]:
    """Return the decision: "candidate", "baseline", "neither" or "open".

    The candidate is good enough where its share of the tolerance is surely under the
    limit and its mean difference from the baseline surely inside the margin. Where one of
    the two surely fails, the baseline is needed if it surely holds the limit itself, and
    neither is good enough if it surely does not. Everything else is open.

    Each statement has at most the probability 1 − confidence of being made wrongly: the
    first needs both of its parts (intersection-union), the second shares its doubt
    between its parts (Bonferroni).

    Parameters
    ----------
    evidence : MethodEvidence
    confidence : float

    Returns
    -------
    ndarray of str, shape (...)

    Notes
    -----
    Source: Berger, Technometrics 24 (1982), 295-300 (intersection-union tests); the rule
    itself is this project's own. Wrong decisions simulated: tests/coverage.
    """
    bad = evidence.candidate_bad >= confidence
    choice = np.full(np.shape(bad), OPEN, dtype="<U9")
    choice = np.where(evidence.candidate_good >= confidence, CANDIDATE, choice)
    choice = np.where(bad & (evidence.baseline_under >= confidence), BASELINE, choice)
    return np.where(bad & (evidence.baseline_over >= confidence), NEITHER, choice)


def choice_confidence(evidence: MethodEvidence, choice: str) -> Array:
    """Return how sure one decision would be, 0 to 1; for "open" that of the surest one."""
    sure = {
        CANDIDATE: evidence.candidate_good,
        BASELINE: np.minimum(evidence.candidate_bad, evidence.baseline_under),
        NEITHER: np.minimum(evidence.candidate_bad, evidence.baseline_over),
    }
    return sure[choice] if choice in sure else np.maximum.reduce(list(sure.values()))


# Whether one method takes longer than the other.
# -----------------------------------------------

#: In samples up to this size without ties the exact distribution is used.
_SMALL = 8


def rank_sum_p(first: Array, second: Array) -> float:
    """Return the two-sided p value of two samples from one distribution, by their ranks.

    U counts the pairs in which the first is larger, ties by half; it is nearly normal with
    mean mn/2 and variance mn/12 · [N + 1 − Σ(t³ − t)/(N(N − 1))], t the sizes of the ties. A
    small sample without ties has its exact distribution from `scipy.stats`, which takes half a
    second to load: as long as everything else that a comparison works out.

    Parameters
    ----------
    first, second : ndarray, shape (m,), (n,)
        Not all alike.

    Notes
    -----
    Source: Mann & Whitney, Annals of Mathematical Statistics 18 (1947), 50-60; the correction
    for ties and that for continuity as in `scipy.stats.mannwhitneyu`, to which it is equal.
    """
    m, n = len(first), len(second)
    _, which, ties = np.unique(
        np.concatenate([first, second]), return_inverse=True, return_counts=True
    )
    if min(m, n) <= _SMALL and ties.max() == 1:
        from scipy.stats import mannwhitneyu

        return float(mannwhitneyu(first, second).pvalue)
    ranks = np.cumsum(ties) - 0.5 * (ties - 1)
    u = float(ranks[which[:m]].sum()) - 0.5 * m * (m + 1)
    of_ties = float((ties**3.0 - ties).sum()) / ((m + n) * (m + n - 1))
    sd = np.sqrt(m * n / 12.0 * (m + n + 1 - of_ties))
    return min(1.0, 2.0 * float(ndtr(-(abs(u - 0.5 * m * n) - 0.5) / sd)))
