"""How does the gauge read a calibrated part: `grr.reference_study`.

Many readings of one calibrated part show the gauge's bias and its repeatability, and what they
take of the tolerance (Cg, Cgk, Q_MS).

Source: AIAG MSA, 4th ed., chapter III section B, bias (by the standard deviation, and by the
range); Cg and Cgk are common practice in companies; Q_MS and Q_MP are those of ISO 22514-7
(from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

from grr.formulas.bias import Bias, bias_by_range, bias_by_sd, with_reference_uncertainty
from grr.formulas.capability import (
    LIMIT_SYSTEM,
    GaugeCapability,
    SystemUncertainty,
    gauge_capability,
    percent_of_width,
    process_uncertainty,
    smallest_tolerance,
    smallest_width,
    system_uncertainty,
)
from grr.formulas.confidence_limits import sd_interval
from grr.formulas.sources_of_variation import hidden_by_rounding, rounding_floor
from grr.model.blocks import Block, Bullets, Prose, Table
from grr.model.estimate import PERCENT, Estimate
from grr.model.printed import Printed
from grr.model.readings_table import reading_values
from grr.model.rounding import counted, length, limits_text, p_text, size
from grr.model.tolerance import Tolerance, a_tolerance
from grr.model.units import canonical_unit, same_unit
from grr.model.values import at_least_zero, number
from grr.questions.gauge import GaugeResult, titled

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

#: Fewer readings than this say little; the manual asks for ten, companies for 25 to 50.
FEW = 10
#: Resolution as a share of the tolerance (common practice; AIAG MSA, from memory).
RESOLUTION_SHARE = 0.1


def reference_study(
    readings: object,
    *,
    reference: float,
    expanded_uncertainty: float = 0.0,
    coverage: float = 2.0,
    tolerance: Tolerance | None = None,
    unit: str = "",
    resolution: float | None = None,
    share: float = 0.2,
    multiple: float = 6.0,
    limit: float = 1.33,
    level: float = 0.95,
    title: str = "",
    example: bool = False,
) -> ReferenceResult:
    """Judge a gauge by repeated readings of one calibrated part.

    Parameters
    ----------
    readings : DataFrame with a column ``reading``, Series, array or list
        All by one person on one day, the part taken out between readings.
    reference : float
        The part's calibrated value, in ``unit``.
    expanded_uncertainty, coverage : float
        Of the calibrated value, as the certificate prints them: U in ``unit``, and its k.
    tolerance : Tolerance, optional
        What the gauge will measure against.
    unit : str
    resolution : float, optional
        The gauge's last digit.
    share : float
        The share of the tolerance granted to the gauge by Cg and Cgk; half of it is the
        largest bias.
    multiple : float
        How many sd make the gauge's spread in Cg and Cgk (6; 4 in some companies).
    limit : float
        What Cg and Cgk must reach.
    level : float
        Confidence of the two-sided intervals.
    title : str
    example : bool
        Whether the readings are invented for demonstration.

    Returns
    -------
    ReferenceResult

    Raises
    ------
    StudyError
        Fewer than two readings, or anything that cannot be used.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, bias (both forms); Cg and Cgk are
    common practice in companies; Q_MS is that of ISO 22514-7 (from memory).

    Examples
    --------
    >>> files = "demo_data/micrometer_25"
    >>> tolerance = grr.Tolerance(lower=10.006, upper=10.012)
    >>> block = grr.reference_study(
    ...     grr.read_columns(f"{files}/reference.csv"),
    ...     tolerance=tolerance,
    ...     reference=10.0,
    ...     expanded_uncertainty=0.000055,
    ...     coverage=2,
    ...     unit="mm",
    ...     resolution=0.0001,
    ... )
    >>> print(f"{1000 * block.bias:.2f} µm")
    0.08 µm
    """
    values, missing = reading_values(readings)
    reference = number("reference", reference)
    expanded = at_least_zero("expanded_uncertainty", expanded_uncertainty)
    reference_u = expanded / number("coverage", coverage, above=0.0)
    asked = Asked(
        share=number("share", share, above=0.0, below=1.0),
        multiple=number("multiple", multiple, above=0.0),
        limit=number("limit", limit, above=0.0),
        level=number("level", level, above=0.0, below=1.0),
    )
    if resolution is not None:
        resolution = number("resolution", resolution, above=0.0)
    if tolerance is not None:
        tolerance = a_tolerance(tolerance)
    floored = resolution is not None and bool(
        hidden_by_rounding(bias_by_sd(values, reference, level=level).sd, resolution)
    )
    least_sd = rounding_floor(resolution) if resolution is not None and floored else 0.0
    by_sd = bias_by_sd(values, reference, level=level, least_sd=least_sd)
    return ReferenceResult(
        readings=tuple(values.tolist()),
        missing=missing,
        reference=reference,
        reference_u=reference_u,
        tolerance=tolerance,
        unit=canonical_unit(unit),
        resolution=resolution,
        asked=asked,
        by_sd=by_sd,
        by_range=bias_by_range(values, reference, level=level, least_sd=least_sd),
        system=system_uncertainty(
            calibration=reference_u,
            resolution=resolution or 0.0,
            repeatability=float(by_sd.sd),
            bias=float(by_sd.bias),
        ),
        floored=floored,
        title=title,
        example=example,
    )


@dataclass(frozen=True)
class Asked:
    """What is asked of Cg and Cgk, and the confidence of the intervals."""

    share: float
    multiple: float
    limit: float
    level: float


@dataclass(frozen=True, eq=False, repr=False)
class ReferenceResult(Printed):
    """Bias and repeatability on one reference part.

    Attributes
    ----------
    readings : tuple of float
    missing : int
    reference, reference_u : float
        Calibrated value and its standard uncertainty.
    tolerance : Tolerance or None
    unit : str
    resolution : float or None
    asked : Asked
    by_sd, by_range : Bias
        The t test by the standard deviation, and by the manual's range form.
    system : SystemUncertainty
        Contributions of ISO 22514-7 that this study shows.
    floored : bool
        Whether the repeatability is the rounding error of the gauge.
    title : str
    example : bool

    Examples
    --------
    >>> readings = [10.0001, 10.0000, 10.0002, 10.0001, 10.0000] * 5
    >>> grr.reference_study(readings, reference=10.0, unit="mm")
    ReferenceResult(25 readings of a reference part, 10.0000 mm.)
    """

    readings: tuple[float, ...]
    missing: int
    reference: float
    reference_u: float
    tolerance: Tolerance | None
    unit: str
    resolution: float | None
    asked: Asked
    by_sd: Bias
    by_range: Bias
    system: SystemUncertainty
    floored: bool
    title: str = ""
    example: bool = False

    @property
    def bias(self) -> float:
        """Mean minus reference value."""
        return float(self.by_sd.bias)

    @property
    def bias_with_reference(self) -> Estimate:
        """The bias, the reference value's uncertainty in its interval."""
        return self.bias_bounds(0.5 + self.asked.level / 2.0)

    @property
    def known_bias(self) -> Estimate:
        """The bias with one-sided bounds of 95 % confidence, the reference value's doubt in them.

        What `grr.verdict` takes as ``bias``.
        """
        return self.bias_bounds(0.95)

    def bias_bounds(self, confidence: float) -> Estimate:
        """Return the bias with one-sided bounds, the reference value's uncertainty in them."""
        one_sided = replace(self.by_sd, level=2.0 * confidence - 1.0)
        lower, upper = with_reference_uncertainty(one_sided, self.reference_u)
        return Estimate(self.bias, float(lower), float(upper), self.unit)

    @property
    def bias_u(self) -> tuple[float, float]:
        """Standard uncertainty of the bias, the reference value's in it, and its df.

        Source: JCGM 100:2008 (GUM), equations (10) and (G.2b).
        """
        error = float(self.by_sd.standard_error)
        combined = math.hypot(error, self.reference_u)
        return combined, self.by_sd.df * (combined / error) ** 4 if error > 0.0 else math.inf

    @property
    def sd(self) -> float:
        """Repeatability standard deviation."""
        return float(self.by_sd.sd)

    @property
    def width(self) -> float:
        """Tolerance width; NaN where there is none."""
        width = None if self.tolerance is None else self.tolerance.width
        return math.nan if width is None else width

    @property
    def capability(self) -> GaugeCapability | None:
        """Cg and Cgk with their intervals; None where they cannot be estimated."""
        return self.capability_at(self.asked.level)

    def capability_at(self, level: float) -> GaugeCapability | None:
        """Return Cg and Cgk with intervals of another two-sided confidence; None without them."""
        if self._why_no_capability:
            return None
        return gauge_capability(
            self.bias,
            self.sd,
            readings=len(self.readings),
            width=self.width,
            share=self.asked.share,
            multiple=self.asked.multiple,
            level=level,
        )

    @property
    def cg(self) -> float:
        """Cg; NaN where not estimated."""
        return math.nan if self.capability is None else float(self.capability.cg)

    @property
    def cgk(self) -> float:
        """Cgk; NaN where not estimated."""
        return math.nan if self.capability is None else float(self.capability.cgk)

    @property
    def q_ms(self) -> float:
        """Q_MS in percent (ISO 22514-7, from memory); NaN where not estimated."""
        return float(percent_of_width(self.system.combined, self.width))

    def q_mp(self, study: GaugeResult) -> float:
        """Return Q_MP in percent: this reference together with a study on real parts.

        Operators, interaction and the repeatability on parts join in; temperature and
        whatever else the study does not hold need an uncertainty budget.

        Parameters
        ----------
        study : GaugeResult
            In the same unit.

        Raises
        ------
        StudyError
            The study is in another unit.

        Notes
        -----
        Source: ISO 22514-7 (from memory; limit 30 %).
        """
        same_unit("The study", study.study.unit, "the reference", self.unit)
        ev, av, interaction = (study.value(name, "sd") for name in ("EV", "AV", "INT"))
        between = (study.value(n, "sd") for n in ("SES", "GAU") if n in study.source_names)
        u = process_uncertainty(
            self.system,
            repeatability_on_parts=ev,
            operators=0.0 if math.isnan(av) else av,
            interaction=0.0 if math.isnan(interaction) else interaction,
            others=tuple(between),
        )
        return float(percent_of_width(u, self.width))

    @property
    def resolution_percent(self) -> float:
        """Resolution in percent of the tolerance; NaN where not known."""
        return math.nan if self.resolution is None else 100.0 * self.resolution / self.width

    @property
    def smallest_tolerance(self) -> float:
        """The smallest tolerance at which all would pass; NaN where not known.

        Resolution, Cg, Cgk and Q_MS are asked.
        """
        if self.sd == 0.0:
            return math.nan
        for_capability = smallest_tolerance(
            self.bias,
            self.sd,
            share=self.asked.share,
            multiple=self.asked.multiple,
            limit=self.asked.limit,
        )
        for_system = smallest_width(self.system.combined, LIMIT_SYSTEM)
        for_resolution = (self.resolution or 0.0) / RESOLUTION_SHARE
        return max(float(for_capability), for_system, for_resolution)

    def quantities(self) -> dict[str, Estimate]:
        """Return every quantity by name, with its interval, or why it is not estimated."""
        of_sd, of_range, no_share = self.by_sd, self.by_range, self._why_no_share
        cg = cgk = Estimate(math.nan, why=self._why_no_capability)
        sd, found = Estimate(self.sd, unit=self.unit), self.capability
        if found is not None:  # without intervals where rounding hides the scatter
            cg, cgk = Estimate(float(found.cg)), Estimate(float(found.cgk))
            if not self.floored:
                cg = replace(cg, lower=float(found.cg_lower), upper=float(found.cg_upper))
                cgk = replace(cgk, lower=float(found.cgk_lower), upper=float(found.cgk_upper))
        if not (self.floored or self.sd == 0.0):
            lower, upper = sd_interval(self.sd, len(self.readings) - 1, level=self.asked.level)
            sd = replace(sd, lower=float(lower), upper=float(upper))
        return {
            "mean": Estimate(float(of_sd.mean), unit=self.unit),
            "bias": Estimate(self.bias, float(of_sd.lower), float(of_sd.upper), self.unit),
            "bias_by_range": Estimate(
                self.bias, float(of_range.lower), float(of_range.upper), self.unit
            ),
            "bias_with_reference": self.bias_with_reference,
            "repeatability_sd": sd,
            "Cg": cg,
            "Cgk": cgk,
            "Q_MS": Estimate(self.q_ms, unit=PERCENT, why=no_share),
            "resolution_percent": Estimate(self.resolution_percent, unit=PERCENT, why=no_share),
            "smallest_tolerance": Estimate(self.smallest_tolerance, unit=self.unit),
        }

    @property
    def limits(self) -> dict[str, float]:
        """What is asked of each quantity, by its name; NaN where the tolerance is not known."""
        largest_bias = self.asked.share * self.width / 2.0
        return {
            "bias": largest_bias,
            "bias_by_range": largest_bias,
            "bias_with_reference": largest_bias,
            "Cg": self.asked.limit,
            "Cgk": self.asked.limit,
            "Q_MS": LIMIT_SYSTEM,
            "resolution_percent": 100.0 * RESOLUTION_SHARE,
            "smallest_tolerance": self.width,
        }

    def plot(self) -> Figure:
        """Return the figure of `grr.show.on_reference`."""
        from grr.show import on_reference

        return on_reference(self)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a quantity: estimate, lower, upper (the interval), limit."""
        quantities, limits = self.quantities(), self.limits
        return pd.DataFrame(
            [
                (found.value, found.lower, found.upper, limits.get(name, math.nan))
                for name, found in quantities.items()
            ],
            index=pd.Index(list(quantities), name="quantity"),
            columns=["estimate", "lower", "upper", "limit"],
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader must know about these numbers."""
        notes = [f"Missing readings: {self.missing}; they are left out."] if self.missing else []
        if len(self.readings) < FEW:
            notes.append(
                f"Only {len(self.readings)} readings: the intervals are wide. Take ten or more, "
                "better 25 to 50."
            )
        if self.floored:
            notes.append(
                "The readings repeat almost to the last digit, so the repeatability is set to the "
                "rounding error of the gauge, resolution/√12, and has no interval."
            )
        if self.reference_u == 0.0:
            notes.append(
                "The uncertainty of the reference value is not in these numbers: give the expanded "
                "uncertainty and k from its certificate."
            )
        if min(self.readings) == max(self.readings) and not self.floored:
            notes.append("All readings are alike. State the gauge's resolution.")
        return tuple(notes)

    def blocks(self) -> list[Block]:
        """Return which part it is, every quantity, and what to know about it."""
        step = self.resolution
        part = size(self.reference, None if step is None else step / 10.0, self.unit)
        readings = f"{counted(len(self.readings), 'reading')} of a reference part, {part}."
        opening = [
            *titled(self.title, readings, example=self.example),
            f"Tolerance: {limits_text(self.tolerance, step, self.unit)}.",
        ]
        found = self.quantities()
        missing: dict[str, list[str]] = {}
        named = {"Cg": "Cg", "Cgk": "Cgk", "Q_MS": "Q_MS", "resolution_percent": "Resolution"}
        for key, name in named.items():
            if not found[key].known and found[key].why:
                missing.setdefault(found[key].why, []).append(name)
        closing = [
            _test_sentence("By the standard deviation", self.by_sd),
            _test_sentence("By the manual's range form", self.by_range),
            *(f"{', '.join(names)}: not estimated, {why}." for why, names in missing.items()),
            *self.notes,
        ]
        return [Prose(opening), _table(self), Bullets(closing)]

    @property
    def _why_no_share(self) -> str:
        """Why there is no share of the tolerance; "" where there is one."""
        if self.tolerance is None:
            return "no tolerance was given"
        if self.tolerance.width is None:
            return "the tolerance has one limit, so it has no width to take a share of"
        return ""

    @property
    def _why_no_capability(self) -> str:
        """Why Cg and Cgk are not estimated; "" where they are."""
        no_scatter = "the readings do not scatter; state the gauge's resolution"
        return self._why_no_share or (no_scatter if self.sd == 0.0 else "")


def _table(result: ReferenceResult) -> Table:
    found, limits = result.quantities(), result.limits
    most_bias = ""
    if not math.isnan(limits["bias"]):
        most_bias = f"at most ±{length(limits['bias'], result.unit)}"

    def of_length(name: str, key: str, asked: str = "") -> list[str]:
        return [name, f"{found[key]:s}", f"{found[key]:r}" if found[key].bounded else "", asked]

    def ratio(name: str) -> list[str]:
        if not found[name].known:
            return [name, f"{found[name]}", "", ""]
        interval = f"{found[name]:.3r}" if found[name].bounded else ""
        return [name, f"{found[name]:.3}", interval, f"at least {limits[name]:g}"]

    def share(name: str, key: str) -> list[str]:
        return [name, f"{found[key]}", "", f"at most {limits[key]:g} %" if found[key].known else ""]

    return Table(
        ["Quantity", "value", f"{100 * result.asked.level:g} % interval", "asked for"],
        [
            of_length("Bias, readings alone", "bias"),
            of_length("Bias, with the reference's uncertainty", "bias_with_reference", most_bias),
            of_length("Repeatability (one sd)", "repeatability_sd"),
            ratio("Cg"),
            ratio("Cgk"),
            share("Q_MS, uncertainty of the system", "Q_MS"),
            share("Resolution, of the tolerance", "resolution_percent"),
            ["Smallest tolerance that passes", f"{found['smallest_tolerance']:.3}", "", ""],
        ],
    )


def _test_sentence(form: str, bias: Bias) -> str:
    t, p = float(bias.t), float(bias.p)
    if not math.isfinite(t):
        return f"{form}: the readings do not scatter, so there is no test."
    shown = "is shown" if p < 1.0 - bias.level else "is not shown"
    return (
        f"{form}: t = {t:.2f} with {bias.df:.3g} degrees of freedom, {p_text(p)}; a bias {shown}."
    )
