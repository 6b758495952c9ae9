"""How uncertain is a measured size: `grr.UncertaintyBudget`, made of `grr.Contribution` lines.

A budget adds up what makes a measured size uncertain, says how much of a tolerance that takes
and which readings prove conformance, and checks itself by a Monte Carlo run. A bias that is known
is corrected, and its uncertainty stays, or it is added to U whole.

Source: JCGM 100:2008 (GUM), clauses 5 and 6, annexes F.2.4.5 (a bias left in the readings) and G;
JCGM 101:2008 for the Monte Carlo run; ISO 14253-1:2017 for the acceptance limits; ISO 22514-7 for
Q_MP (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array
from grr.formulas.capability import percent_of_width
from grr.formulas.conformity import conformance_factor
from grr.formulas.uncertainty import (
    DISTRIBUTIONS,
    BudgetAgreement,
    Distribution,
    InputQuantity,
    MonteCarlo,
    agreement,
    combined_uncertainty,
    correlation_matrix,
    coverage_factor,
    effective_df,
    propagate,
)
from grr.model.blocks import Block, Bullets, Prose, Table
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.printed import Printed
from grr.model.rounding import JOIN, figures, fine_interval, length, limits_text, percent, with_unit
from grr.model.tolerance import Tolerance, a_tolerance
from grr.model.units import canonical_unit
from grr.model.values import needs, number, one_of
from grr.questions.acceptance import rounded_inwards
from grr.questions.gauge import titled

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

#: Name of the line that says what is done about a known bias.
BIAS_LINE = "bias"
#: A model takes each influence by name and gives the measured size.
Model = Callable[[Mapping[str, Array]], Array]
#: Degrees of freedom above which t is the normal distribution to three figures.
MANY_DF = 1000


@dataclass(frozen=True)
class Contribution:
    """One influence on a measured size, and how well it is known.

    Parameters
    ----------
    name : str
    size : float
        Standard uncertainty (normal, readings), or half-width of the distribution
        (rectangular, triangular, u-shaped); in ``unit``.
    distribution : {"normal", "readings", "rectangular", "triangular", "u-shaped"}
    sensitivity : float or None
        What one unit of the influence does to the measured size; None: from the model.
    unit : str
        Of the influence, for people: "µm", "K", "N". The budget's own where left out.
    estimate : float
        Expected value of the influence, 0 where readings are corrected.
    df : float
        Degrees of freedom of a standard uncertainty.
    limit_half_width : float
        By how much each limit of a rectangular distribution may itself be off.
    bias : float
        Known bias of the influence that is left in the readings, in ``unit``: the budget
        adds it to U.
    corrected : bool
        Whether the line is that of a known bias for which readings are corrected.
    formula : str
        How the size came about, with its numbers.
    inside : str
        Name of a line which may hold this influence already.
    in_study : bool or None
        Whether it does. True: only the larger of the two counts, never both. None: not
        answered; both count.

    Raises
    ------
    StudyError
        A name that is empty, a size below 0, or a distribution not known here.

    Examples
    --------
    >>> grr.Contribution("block", 0.00006, "normal").size
    6e-05
    """

    name: str
    size: float
    distribution: Distribution = "normal"
    sensitivity: float | None = 1.0
    unit: str = ""
    estimate: float = 0.0
    df: float = math.inf
    limit_half_width: float = 0.0
    bias: float = 0.0
    corrected: bool = False
    formula: str = ""
    inside: str = ""
    in_study: bool | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise StudyError("A contribution has no name", "Name the influence", value=self.name)
        one_of("distribution", self.distribution, DISTRIBUTIONS)
        self._take("size", number("size", self.size))
        self._take("estimate", number("estimate", self.estimate))
        self._take("bias", number("bias", self.bias))
        if self.sensitivity is not None:
            self._take("sensitivity", number("sensitivity", self.sensitivity))
        if self.size < 0.0:
            raise StudyError(
                f"The size of {self.name} is below 0", "Give 0 or more", value=self.size
            )
        if not (isinstance(self.df, (int, float)) and self.df > 0.0):
            raise StudyError(
                f"The degrees of freedom of {self.name} are not above 0",
                "Give the number of readings minus one; leave it out where known well",
                value=self.df,
            )
        if not 0.0 <= number("limit_half_width", self.limit_half_width) <= self.size:
            raise StudyError(
                f"The limits of {self.name} are less certain than they are wide",
                "Give by how much the half-width itself may be off: less than the half-width",
                value=self.limit_half_width,
            )

    def _take(self, name: str, value: float) -> None:
        object.__setattr__(self, name, value)

    @classmethod
    def from_certificate(
        cls,
        name: str,
        expanded: float,
        coverage: float = 2.0,
        *,
        sensitivity: float | None = 1.0,
        unit: str = "",
        formula: str = "",
    ) -> Contribution:
        """Return a line from a certificate: expanded uncertainty U and its k.

        Notes
        -----
        Source: JCGM 100:2008 (GUM), 4.3.3.
        """
        k = number("coverage", coverage, above=0.0)
        u = number("expanded", expanded) / k
        text = formula or f"U/k = {expanded:g}/{k:g}"
        return cls(name, u, sensitivity=sensitivity, unit=unit, formula=text)

    @classmethod
    def from_readings(
        cls,
        name: str,
        sd: float,
        readings: int,
        *,
        mean_of: int = 1,
        sensitivity: float | None = 1.0,
        unit: str = "",
        estimate: float = 0.0,
    ) -> Contribution:
        """Return a line from repeated readings: sd/√mean_of with readings − 1 degrees of freedom.

        Notes
        -----
        Source: JCGM 100:2008 (GUM), 4.2.3.
        """
        count = number("readings", readings, above=1.0)
        averaged = number("mean_of", mean_of, above=0.0)
        return cls(
            name,
            number("sd", sd) / math.sqrt(averaged),
            "readings",
            sensitivity=sensitivity,
            unit=unit,
            estimate=estimate,
            df=count - 1.0,
            formula=f"s/√{averaged:g}, s = {sd:g} from {count:g} readings",
        )

    @classmethod
    def of_bias(
        cls,
        bias: float,
        standard_u: float,
        *,
        corrected: bool,
        df: float = math.inf,
        unit: str = "",
    ) -> Contribution:
        """Return the line of a known bias: corrected with its uncertainty, or left in the readings.

        A bias left in the readings is added to U whole; its uncertainty counts in both cases.

        Parameters
        ----------
        bias, standard_u : float
            Mean minus true value, and how well that is known, in ``unit``.
        corrected : bool
            Whether every reading is corrected for it.
        df : float
            Degrees of freedom of ``standard_u``.
        unit : str

        Notes
        -----
        Source: JCGM 100:2008 (GUM), 6.3.1 note and F.2.4.5; ISO 14253-2 (from memory).
        """
        size = number("bias", bias)
        shown = Estimate(size, unit=canonical_unit(unit))
        how = f"{Estimate(-size, unit=canonical_unit(unit)):+} added to every reading"
        if not corrected:
            how = f"bias of {shown:+} left in the readings: added to U (GUM F.2.4.5)"
        return cls(
            BIAS_LINE,
            number("standard_u", standard_u),
            df=df,
            bias=0.0 if corrected else size,
            corrected=corrected,
            formula=how,
        )

    @property
    def quantity(self) -> InputQuantity:
        """The influence as the formulas take it."""
        return InputQuantity(
            self.distribution, self.estimate, self.size, self.df, self.limit_half_width
        )

    @property
    def standard_u(self) -> float:
        """Standard uncertainty of the influence, in its own unit."""
        return self.quantity.standard_u


@dataclass(frozen=True, eq=False, repr=False)
class UncertaintyBudget(Printed):
    """An uncertainty budget by the GUM.

    Parameters
    ----------
    lines : sequence of Contribution
    unit : str
        Of the measured size.
    correlations : mapping
        (name, name) → correlation coefficient of two influences.
    model : callable, optional
        The measured size from the influences, for sensitivities that are not given and
        for the Monte Carlo run: takes a mapping name → value or array. Without it the
        influences add up, each times its sensitivity.
    level : float
        Probability of the expanded uncertainty.
    k : float, optional
        Coverage factor, where it is agreed; else t at the effective degrees of freedom.
    title : str
    questions : tuple of str
        What is still to be answered about the lines.
    example : bool

    Raises
    ------
    StudyError
        No line, two lines of one name, a correlation that cannot be.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), clauses 5 and 6, annex G.

    Examples
    --------
    >>> budget = grr.UncertaintyBudget(
    ...     [
    ...         grr.Contribution("calibration of the micrometer", 0.0003, "normal"),
    ...         grr.Contribution("last digit", 0.0005, "rectangular"),
    ...     ],
    ...     unit="mm",
    ... )
    >>> print(f"U = {1000 * budget.expanded:.2f} µm, k = {budget.coverage:.2f}")
    U = 0.82 µm, k = 1.96
    """

    lines: Sequence[Contribution]
    unit: str = ""
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)
    model: Model | None = None
    level: float = 0.95
    k: float | None = None
    title: str = ""
    questions: tuple[str, ...] = ()
    example: bool = False

    def __post_init__(self) -> None:
        set_field = object.__setattr__
        set_field(self, "lines", tuple(self.lines) if isinstance(self.lines, Iterable) else ())
        set_field(self, "unit", canonical_unit(self.unit))
        set_field(self, "level", number("level", self.level, above=0.0, below=1.0))
        if self.k is not None:
            set_field(self, "k", number("k", self.k, above=0.0))
        if not self.lines or not all(isinstance(line, Contribution) for line in self.lines):
            raise StudyError(
                "A budget is made of contributions, at least one",
                "Write grr.UncertaintyBudget([grr.Contribution(...), ...])",
            )
        names = [line.name for line in self.lines]
        for name in names:
            if names.count(name) > 1:
                raise StudyError(
                    "Two lines of the budget have one name", "Rename one of them", value=name
                )
        needs(self.correlations, Mapping, "correlations")  # type: ignore[type-abstract]
        needs(self.questions, tuple, "questions")
        correlation_matrix(names, dict(self.correlations))
        for line in self.lines:
            if line.sensitivity is None and self.model is None:
                raise StudyError(
                    f"The sensitivity of {line.name} is left to a model, and there is none",
                    "Give sensitivity=..., or the budget a model",
                )

    def line(self, name: str) -> Contribution:
        """Return a line by its name."""
        names = [line.name for line in self.lines]
        if name not in names:
            raise StudyError(
                "The budget has no such line", f"Use one of: {', '.join(names)}", value=name
            )
        return self.lines[names.index(name)]

    def with_line(self, line: Contribution) -> UncertaintyBudget:
        """Return the budget with a line added, or put in the place of the one of its name."""
        names = [one.name for one in self.lines]
        if line.name not in names:
            return replace(self, lines=(*self.lines, line))
        place = names.index(line.name)
        return replace(self, lines=(*self.lines[:place], line, *self.lines[place + 1 :]))

    def without(self, name: str) -> UncertaintyBudget:
        """Return the budget without a line and its correlations."""
        kept = tuple(line for line in self.lines if line is not self.line(name))
        pairs = {pair: r for pair, r in self.correlations.items() if name not in pair}
        return replace(self, lines=kept, correlations=pairs)

    @cached_property
    def sensitivities(self) -> dict[str, float]:
        """Sensitivity of each line: as given, or from the model.

        Notes
        -----
        Source: JCGM 100:2008 (GUM), 5.1.3 note 2 (half the difference of the model at the
        estimate ± its standard uncertainty).
        """
        found = {}
        at = {line.name: np.asarray(line.estimate) for line in self.lines}
        for line in self.lines:
            if line.sensitivity is not None or self.model is None:
                found[line.name] = float(line.sensitivity or 0.0)
            elif line.standard_u == 0.0:
                found[line.name] = 0.0
            else:
                ends = [
                    self.model({**at, line.name: np.asarray(line.estimate + side)})
                    for side in (line.standard_u, -line.standard_u)
                ]
                found[line.name] = float((ends[0] - ends[1]) / (2.0 * line.standard_u))
        return found

    @cached_property
    def contributions(self) -> dict[str, float]:
        """Sensitivity times standard uncertainty of each line, in the budget's unit."""
        return {line.name: self.sensitivities[line.name] * line.standard_u for line in self.lines}

    @cached_property
    def left_out(self) -> dict[str, str]:
        """Lines that do not count, and why: each is in another one, or holds larger ones."""
        found = {}
        for holder in self.lines:
            held = [
                line.name
                for line in self.lines
                if line.in_study is True and line.inside == holder.name
            ]
            together = combined_uncertainty(np.array([self.contributions[name] for name in held]))
            if held and together > abs(self.contributions[holder.name]):
                found[holder.name] = f"smaller than {' and '.join(held)}, which it holds"
            else:
                found |= dict.fromkeys(held, f"already in {holder.name}, which is larger")
        return found

    @cached_property
    def counted(self) -> tuple[Contribution, ...]:
        """The lines that count."""
        return tuple(line for line in self.lines if line.name not in self.left_out)

    @cached_property
    def _correlation(self) -> Array | None:
        names = [line.name for line in self.counted]
        pairs = {p: r for p, r in self.correlations.items() if set(p) <= set(names)}
        return correlation_matrix(names, pairs) if pairs else None

    @cached_property
    def _counted_contributions(self) -> Array:
        return np.array([self.contributions[line.name] for line in self.counted])

    @cached_property
    def standard_u(self) -> float:
        """Combined standard uncertainty."""
        return combined_uncertainty(self._counted_contributions, self._correlation)

    @cached_property
    def df(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite)."""
        df = np.array([line.quantity.effective_df for line in self.counted])
        return effective_df(self._counted_contributions, df, self.standard_u)

    @cached_property
    def coverage(self) -> float:
        """Coverage factor: as agreed, or t at the effective degrees of freedom."""
        return self.k if self.k is not None else coverage_factor(self.df, self.level)

    @cached_property
    def bias(self) -> float:
        """Known bias that is left in the readings, with its sign."""
        return sum(self.sensitivities[line.name] * line.bias for line in self.counted)

    @property
    def spread(self) -> float:
        """What scatters: k·u, without the bias left in the readings."""
        return self.coverage * self.standard_u

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k·u, and a bias that is left in the readings on top.

        Notes
        -----
        Source: JCGM 100:2008 (GUM), F.2.4.5: U = k·u + |bias|, for the larger side.
        """
        return self.spread + abs(self.bias)

    @cached_property
    def estimate(self) -> float:
        """The measured size at the estimates, or what they add to it without a model."""
        if self.model is not None:
            return float(self.model({one.name: np.asarray(one.estimate) for one in self.lines}))
        return sum(self.sensitivities[line.name] * line.estimate for line in self.counted)

    def against(self, tolerance: Tolerance, *, confidence: float = 0.95) -> BudgetUse:
        """Compare the uncertainty with a tolerance: share, test ratio, acceptance limits.

        Notes
        -----
        Source: ISO 14253-1:2017, by `grr.formulas.conformity.conformance_factor`; a bias left in
        the readings widens the guard band by itself (JCGM 100:2008, F.2.4.5).
        """
        u, width = self.standard_u, a_tolerance(tolerance).width
        span = math.nan if width is None else width
        guard = abs(self.bias)
        if u > 0.0:
            least = math.inf if width is None else width / u
            guard += u * float(conformance_factor(least, confidence))
        return BudgetUse(
            tolerance=tolerance,
            unit=self.unit,
            standard_u=u,
            expanded=self.expanded,
            bias=self.bias,
            q_mp=float(percent_of_width(u, span)) + 200.0 * abs(self.bias) / span,
            ratio=span / (2.0 * self.expanded) if self.expanded > 0.0 else math.inf,
            guard=guard,
            acceptance=None if math.isnan(guard) else tolerance.narrowed(guard),
            confidence=confidence,
        )

    def monte_carlo(
        self, *, digits: int = 2, seed: int = 1, most_draws: int = 3_000_000
    ) -> MonteCarloCheck:
        """Propagate the distributions themselves and compare (JCGM 101).

        Parameters
        ----------
        digits : int
            Significant digits of the standard uncertainty that matter: 1 or 2.
        seed : int
        most_draws : int

        Notes
        -----
        Source: JCGM 101:2008, clauses 7 and 8. Correlated influences that are not normal
        are drawn through a normal copula.
        """
        if digits not in (1, 2):
            raise StudyError("digits is neither 1 nor 2", "Give 1 or 2", value=digits)
        names = [line.name for line in self.counted]
        fixed = {line.name: np.asarray(line.estimate) for line in self.lines}

        def size(values: Array) -> Array:
            if self.model is None:
                return np.array([self.sensitivities[name] for name in names]) @ values
            return self.model({**fixed, **dict(zip(names, values, strict=True))})

        run = propagate(
            [line.quantity for line in self.counted],
            size,
            correlation=self._correlation,
            level=self.level,
            digits=digits,
            seed=seed,
            most_draws=most_draws,
        )
        return MonteCarloCheck(
            run=run,
            agreement=agreement(self.estimate, self.standard_u, self.spread, run, digits=digits),
            estimate=self.estimate,
            standard_u=self.standard_u,
            expanded=self.spread,
            unit=self.unit,
            digits=digits,
            few_df=any(line.quantity.spread_is_endless for line in self.counted),
        )

    def plot(self) -> Figure:
        """Return the figure of `grr.show.uncertainty_sources`."""
        from grr.show import uncertainty_sources

        return uncertainty_sources(self)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a line, the largest first.

        Columns: distribution, size, unit, standard_u, sensitivity, contribution (in the
        budget's unit), df, share_percent (of the variance; without correlations), bias
        (left in the readings, in the budget's unit), counted, note.
        """
        whole = float(np.sum(self._counted_contributions**2))
        rows = []
        for line in self.lines:
            part = self.contributions[line.name]
            counts = line.name not in self.left_out
            share = 100.0 * part**2 / whole if counts and whole > 0.0 else math.nan
            rows.append(
                {
                    "line": line.name,
                    "distribution": line.distribution,
                    "size": line.size,
                    "unit": line.unit or self.unit,
                    "standard_u": line.standard_u,
                    "sensitivity": self.sensitivities[line.name],
                    "contribution": abs(part),
                    "df": line.quantity.effective_df,
                    "share_percent": share,
                    "bias": self.sensitivities[line.name] * line.bias,
                    "counted": counts,
                    "note": self.left_out.get(line.name, line.formula),
                }
            )
        frame = pd.DataFrame(rows).set_index("line")
        order = ["counted", "contribution"]
        return frame.sort_values(order, ascending=False, kind="stable")

    def blocks(self) -> list[Block]:
        """Return the expanded uncertainty, every line with its formula, and what is left out."""
        source, with_bias = f"{100 * self.level:g} %", ""
        if self.k is not None:
            source = "as agreed"
        elif self.df <= MANY_DF:
            source += f", {math.floor(self.df)} degrees of freedom"
        if self.bias:
            with_bias = f", {length(abs(self.bias), self.unit)} of it a bias left in the readings"
        opening = (
            f"Expanded uncertainty U = {length(self.expanded, self.unit)}{with_bias} "
            f"(k = {figures(self.coverage, 3)}, {source}); standard uncertainty "
            f"{length(self.standard_u, self.unit)}."
        )
        head = ["Contribution", "size", "distribution", "makes", "of the variance", "how"]
        rows = [
            [
                str(name),
                _size_text(line["size"], line["unit"], self.unit),
                line["distribution"],
                length(line["contribution"], self.unit),
                "not counted"
                if math.isnan(line["share_percent"])
                else f"{line['share_percent']:.0f}{JOIN}%",
                line["note"],
            ]
            for name, line in self.to_frame().to_dict("index").items()
        ]
        return [
            Prose(titled(self.title, opening, example=self.example)),
            Table(head, rows, narrow=5),
            Bullets(_closing(self)),
        ]


@dataclass(frozen=True, repr=False)
class BudgetUse(Printed):
    """What an uncertainty leaves of a tolerance.

    Attributes
    ----------
    tolerance : Tolerance
    unit : str
    standard_u, expanded : float
    bias : float
        Known bias left in the readings; it is in ``expanded``, ``q_mp`` and ``guard``.
    q_mp : float
        2·U/T with U = 2·u + |bias|, in percent (ISO 22514-7, from memory); NaN with one limit.
    ratio : float
        Test uncertainty ratio T/(2·U), U at 95 % (ANSI/NCSL Z540.3, from memory).
    guard : float
        Distance of the acceptance limits from the tolerance limits (ISO 14253-1).
    acceptance : Tolerance or None
        Limits between which a reading proves conformance, corrected for known bias but for
        ``bias``; None where none does.
    confidence : float
        Of that proof.
    """

    tolerance: Tolerance
    unit: str
    standard_u: float
    expanded: float
    bias: float
    q_mp: float
    ratio: float
    guard: float
    acceptance: Tolerance | None
    confidence: float

    @property
    def left_percent(self) -> float:
        """Share of the tolerance between the acceptance limits, in percent; NaN with one limit."""
        if self.tolerance.width is None:
            return math.nan
        if self.acceptance is None or self.acceptance.width is None:
            return 0.0
        return 100.0 * self.acceptance.width / self.tolerance.width

    @property
    def as_read(self) -> str:
        """Whether readings are corrected before they are held against the limits, in words."""
        if self.bias:
            return "taken as read (the bias is in the guard band)"
        return "corrected for known bias"

    def to_frame(self) -> pd.DataFrame:
        """Return a table of one row."""
        row = {
            "standard_u": self.standard_u,
            "expanded": self.expanded,
            "bias": self.bias,
            "q_mp_percent": self.q_mp,
            "test_uncertainty_ratio": self.ratio,
            "guard": self.guard,
            "accept_from": math.nan if self.acceptance is None else self.acceptance.lower,
            "accept_to": math.nan if self.acceptance is None else self.acceptance.upper,
        }
        return pd.DataFrame([row])

    def acceptance_readings(self, resolution: float | None) -> str:
        """Return the acceptance limits as readings, rounded inwards to the gauge's last digit."""
        last = self.acceptance
        if last is not None and resolution is not None:
            last = rounded_inwards(last, resolution)
        if last is None:
            return "no reading at all"
        return f"readings {limits_text(last, resolution, self.unit)}"

    def blocks(self) -> list[Block]:
        """Return what the uncertainty takes of the tolerance, and which readings prove."""
        # a resolution that shows the guard band, or else the uncertainty, to two figures
        banded = math.isfinite(self.guard) and self.guard > 0.0
        shown = self.guard if banded else self.expanded
        step = 10.0 ** (math.floor(math.log10(shown)) - 1) if shown else 1e-4
        width, lines = self.tolerance.width, []
        if width is not None:
            lines.append(
                f"Tolerance {limits_text(self.tolerance, step, self.unit)}, "
                f"{length(width, self.unit, 3)} wide: twice the expanded uncertainty at k = 2 "
                f"takes {percent(self.q_mp)} of it (Q_MP); the test uncertainty ratio, with U = "
                f"{length(self.expanded, self.unit)}, is {self.ratio:.2g} to 1."
            )
        proof = "No reading proves that a part is in tolerance: the uncertainty is too large."
        if self.acceptance is not None:
            proof = (
                f"By ISO 14253-1 a reading, {self.as_read}, proves that the part is in tolerance "
                f"with a probability of {100 * self.confidence:g}{JOIN}% when it is "
                f"{limits_text(self.acceptance, step, self.unit)} (a guard band of "
                f"{length(self.guard, self.unit)} at each limit)."
            )
        return [Prose([*lines, proof])]


@dataclass(frozen=True, repr=False)
class MonteCarloCheck(Printed):
    """The propagation of distributions beside the budget's formula.

    Attributes
    ----------
    run : MonteCarlo
    agreement : BudgetAgreement
    estimate, standard_u, expanded : float
        Of the budget; the bias left in the readings is not in them.
    unit : str
    digits : int
    few_df : bool
        Whether a line has so few degrees of freedom that the run's standard deviation
        does not exist.
    """

    run: MonteCarlo
    agreement: BudgetAgreement
    estimate: float
    standard_u: float
    expanded: float
    unit: str
    digits: int
    few_df: bool = False

    @property
    def agrees(self) -> bool:
        """Whether the two intervals agree within the numerical tolerance of JCGM 101, clause 8."""
        return self.agreement.agrees

    def to_frame(self) -> pd.DataFrame:
        """Return the formula's and the run's numbers, one row each."""
        low, high = self.estimate - self.expanded, self.estimate + self.expanded
        run = self.run
        return pd.DataFrame(
            [
                (self.estimate, self.standard_u, low, high),
                (run.estimate, run.standard_u, run.lower, run.upper),
            ],
            index=pd.Index(["formula", "monte carlo"], name="method"),
            columns=["estimate", "standard_u", "lower", "upper"],
        )

    def blocks(self) -> list[Block]:
        """Return the two side by side, and whether they agree."""
        rows = []
        for name, row in self.to_frame().iterrows():
            interval = fine_interval(row["lower"], row["upper"], self.unit, 3)
            if name == "formula":
                rows.append(["Formula", length(row["standard_u"], self.unit, 3), interval])
            else:
                u = "none" if self.few_df else length(row["standard_u"], self.unit, 3)
                rows.append(["Monte Carlo", u, interval])
        head = ["", "standard uncertainty", f"{100 * self.run.level:g} % interval"]
        gap = length(max(self.agreement.low_gap, self.agreement.high_gap), self.unit)
        does, most = ("agrees", f"by {gap} at most")
        if not self.agrees:
            does, most = ("does not agree", f"by up to {gap}")
        draws = f"{self.run.draws:,}".replace(",", " ")
        lines = [
            f"The formula {does} with the Monte Carlo run at "
            f"{'one digit' if self.digits == 1 else 'two digits'}: the intervals' ends differ "
            f"{most}, {length(self.agreement.tolerance, self.unit, 1)} is allowed (JCGM 101:2008, "
            f"clause 8).{'' if self.agrees else ' State the Monte Carlo interval.'}",
            f"{draws} draws, seed {self.run.seed}.",
        ]
        if self.few_df:
            lines.append(
                "A line with two degrees of freedom or fewer has no finite standard deviation "
                "in the run: only the interval says something."
            )
        elif not self.run.settled:
            lines.append(
                "The run was stopped before its own numbers settled to a fifth of that "
                "tolerance; allow more draws where the last digit matters."
            )
        return [Table(head, rows), Prose(lines)]


def _size_text(value: float, unit: str, own: str) -> str:
    """Return the size of a line: a length as it reads best, else with its unit."""
    if unit == "1/K":
        return f"{figures(1e6 * value)}·10⁻⁶{JOIN}/K"
    return length(value, unit) if unit == own else with_unit(figures(value), unit)


def _closing(budget: UncertaintyBudget) -> list[str]:
    names = [line.name for line in budget.lines]
    lines = [f"Not counted: {name}, {why}." for name, why in budget.left_out.items()]
    lines += [
        f"Already in the study? {line.name.capitalize()} may be in {line.inside} already. It is "
        "counted besides until that is answered."
        for line in budget.lines
        if line.in_study is None and line.inside in names
    ]
    if budget.bias:
        lines.append(
            f"The bias of {Estimate(budget.bias, unit=budget.unit):+} is left in the readings, so "
            f"it is added to what scatters: U = {length(budget.spread, budget.unit)} + "
            f"{length(abs(budget.bias), budget.unit)} (JCGM 100:2008, F.2.4.5)."
        )
    if budget.correlations:
        pairs = [f"{a} with {b} {r:g}" for (a, b), r in budget.correlations.items()]
        lines.append(
            f"Correlated: {'; '.join(pairs)}. The shares of the variance leave that out, and the "
            "degrees of freedom are then an approximation."
        )
    return [*lines, *budget.questions]
