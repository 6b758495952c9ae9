"""One line of an uncertainty budget."""

from __future__ import annotations

import math
from dataclasses import dataclass

from grr.formulas.uncertainty import DISTRIBUTIONS, InputQuantity
from grr.model.errors import StudyError
from grr.model.values import number, one_of


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
    """

    name: str
    size: float
    distribution: str = "normal"
    sensitivity: float | None = 1.0
    unit: str = ""
    estimate: float = 0.0
    df: float = math.inf
    limit_half_width: float = 0.0
    formula: str = ""
    inside: str = ""
    in_study: bool | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise StudyError("A contribution has no name", "Name the influence", value=self.name)
        one_of("distribution", self.distribution, DISTRIBUTIONS)
        self._take("size", number("size", self.size))
        self._take("estimate", number("estimate", self.estimate))
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
