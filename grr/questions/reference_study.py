"""`grr.reference_study`: many readings of one calibrated part."""

from __future__ import annotations

from grr.formulas.bias import bias_by_range, bias_by_sd
from grr.formulas.capability import gauge_capability, system_uncertainty
from grr.formulas.sources_of_variation import hidden_by_rounding, rounding_floor
from grr.model.errors import StudyError
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import number
from grr.questions.columns import at_least_zero, reading_values
from grr.questions.reference_result import ReferenceResult, Requirement

#: Fewer readings than this say little; the manual asks for ten, companies for 25 to 50.
FEW = 10


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
    """
    values, missing = reading_values(readings)
    reference = number("reference", reference)
    certificate = at_least_zero("expanded_uncertainty", expanded_uncertainty)
    reference_u = certificate / number("coverage", coverage, above=0.0)
    asked = Requirement(
        share=number("share", share, above=0.0, below=1.0),
        multiple=number("multiple", multiple, above=0.0),
        limit=number("limit", limit, above=0.0),
        level=number("level", level, above=0.0, below=1.0),
    )
    if resolution is not None:
        resolution = number("resolution", resolution, above=0.0)
    if tolerance is not None and not isinstance(tolerance, Tolerance):
        raise StudyError(
            "The tolerance is not a Tolerance",
            "Write grr.Tolerance(lower=..., upper=...)",
            value=tolerance,
        )
    least = rounding_floor(resolution) if resolution is not None else 0.0
    plain = bias_by_sd(values, reference, level=level)
    floored = resolution is not None and bool(hidden_by_rounding(plain.sd, resolution))
    least = least if floored else 0.0
    by_sd = bias_by_sd(values, reference, level=level, least_sd=least)
    width = None if tolerance is None else tolerance.width
    sd = float(by_sd.sd)
    capability = None
    if width is not None and sd > 0.0:
        capability = gauge_capability(
            by_sd.bias,
            sd,
            readings=len(values),
            width=width,
            share=share,
            multiple=multiple,
            level=level,
        )
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
        by_range=bias_by_range(values, reference, level=level, least_sd=least),
        capability=capability,
        system=system_uncertainty(
            calibration=reference_u,
            resolution=resolution or 0.0,
            repeatability=sd,
            bias=float(by_sd.bias),
        ),
        reasons=_reasons(tolerance, sd),
        floored=floored,
        notes=_notes(values.tolist(), missing, floored=floored, certificate=certificate),
        title=title,
        example=example,
    )


def _reasons(tolerance: Tolerance | None, sd: float) -> dict[str, str]:
    """Return why Cg, Cgk and Q_MS are not estimated."""
    if tolerance is None:
        reason = "no tolerance was given"
    elif tolerance.width is None:
        reason = "the tolerance has one limit, so it has no width to take a share of"
    elif sd == 0.0:
        no_scatter = "the readings do not scatter; state the gauge's resolution"
        return dict.fromkeys(("Cg", "Cgk"), no_scatter)
    else:
        return {}
    return dict.fromkeys(("Cg", "Cgk", "Q_MS"), reason)


def _notes(
    values: list[float], missing: int, *, floored: bool, certificate: float
) -> tuple[str, ...]:
    notes = []
    if missing:
        notes.append(f"Missing readings: {missing}; they are left out.")
    if len(values) < FEW:
        notes.append(
            f"Only {len(values)} readings: the intervals are wide. Take ten or more, better "
            "25 to 50."
        )
    if floored:
        notes.append(
            "The readings repeat almost to the last digit, so the repeatability is set to the "
            "rounding error of the gauge, resolution/√12, and has no interval."
        )
    if certificate == 0.0:
        notes.append(
            "The uncertainty of the reference value is not in these numbers: give the expanded "
            "uncertainty and k from its certificate."
        )
    if min(values) == max(values) and not floored:
        notes.append("All readings are alike. State the gauge's resolution.")
    return tuple(notes)
