"""The limits on the drawing."""

from __future__ import annotations

import math
from dataclasses import dataclass

from grr.model.errors import StudyError
from grr.model.values import refuse_extreme


@dataclass(frozen=True)
class Tolerance:
    """Limits of a characteristic, in the unit of the study.

    Parameters
    ----------
    lower, upper : float or None
        The limits; one of them may be None (a one-sided tolerance).

    Raises
    ------
    StudyError
        No limit given, a limit that is not a finite number, or limits reversed.

    Examples
    --------
    >>> grr.Tolerance(lower=10.006, upper=10.012)
    Tolerance(lower=10.006, upper=10.012)
    >>> grr.Tolerance(upper=0.05).lower is None
    True
    """

    lower: float | None = None
    upper: float | None = None

    def __post_init__(self) -> None:
        for name in ("lower", "upper"):
            object.__setattr__(self, name, _limit(name, getattr(self, name)))
        if self.lower is None and self.upper is None:
            raise StudyError(
                "The tolerance has no limit", "Give the lower limit, the upper limit or both"
            )
        if self.lower is not None and self.upper is not None and self.lower >= self.upper:
            raise StudyError(
                "The lower limit is not below the upper limit",
                "Exchange the limits, or correct the one that was mistyped",
                value=f"lower {self.lower:g}, upper {self.upper:g}",
            )

    @classmethod
    def about(
        cls, nominal: float, lower_deviation: float | None, upper_deviation: float | None
    ) -> Tolerance:
        """Return the limits given as a nominal size with signed deviations from it."""
        size = _limit("nominal", nominal)
        if size is None:
            raise StudyError("The nominal size is missing", "Give the size on the drawing")
        low, high = (
            None if deviation is None else size + float(_limit(name, deviation) or 0.0)
            for name, deviation in (
                ("lower deviation", lower_deviation),
                ("upper deviation", upper_deviation),
            )
        )
        return cls(low, high)

    @property
    def two_sided(self) -> bool:
        """Whether both limits are given."""
        return self.lower is not None and self.upper is not None

    @property
    def width(self) -> float | None:
        """Upper limit minus lower limit; None for a one-sided tolerance."""
        if self.lower is None or self.upper is None:
            return None
        return self.upper - self.lower

    def narrowed(self, guard: float, moved: float = 0.0) -> Tolerance | None:
        """Return limits ``guard`` further in, both moved by ``moved``; None where none are left."""
        lower = None if self.lower is None else self.lower + guard + moved
        upper = None if self.upper is None else self.upper - guard + moved
        if lower is not None and upper is not None and lower >= upper:
            return None
        return Tolerance(lower, upper)

    def scaled(self, factor: float) -> Tolerance:
        """Return the same limits in a unit ``factor`` times finer."""
        return Tolerance(
            None if self.lower is None else self.lower * factor,
            None if self.upper is None else self.upper * factor,
        )


def a_tolerance(value: object) -> Tolerance:
    """Return ``value`` where it is a tolerance.

    Raises
    ------
    StudyError
        It is not.
    """
    if not isinstance(value, Tolerance):
        raise StudyError(
            "The tolerance is not a Tolerance",
            "Write grr.Tolerance(lower=..., upper=...)",
            value=value,
        )
    return value


def _limit(name: str, value: object) -> float | None:
    if value is None:
        return None
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        number = math.nan
    if isinstance(value, bool) or not math.isfinite(number):
        raise StudyError(
            "A limit of the tolerance is not a finite number",
            "Give a number, or None where the drawing has no limit on that side",
            column=name,
            value=value,
        )
    refuse_extreme(f"The {name.removesuffix(' deviation')} limit of the tolerance", number)
    return number
