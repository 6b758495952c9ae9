"""What the variation of a measuring system is compared with."""

from __future__ import annotations

from dataclasses import dataclass

from grr.model.values import number


@dataclass(frozen=True)
class Yardstick:
    """The spread, the tolerance and the process that a study is judged against.

    Parameters
    ----------
    spread : float
        How many standard deviations make the spread.
    lower, upper : float or None
        Tolerance limits (checked by `grr.Tolerance`), in the unit of the readings; one or
        both may be None.
    process_mean : float or None
        Mean of the process where it is given; else the study's own mean is used and
        carries its uncertainty. It matters for one-sided tolerances only.
    process_sd : float or None
        Standard deviation of the process as observed, where it is given. It is TV then,
        and PV² = process_sd² − GRR².

    Raises
    ------
    StudyError
        A spread or process sd that is not above 0.
    """

    spread: float = 6.0
    lower: float | None = None
    upper: float | None = None
    process_mean: float | None = None
    process_sd: float | None = None

    def __post_init__(self) -> None:
        number("spread", self.spread, above=0.0)
        if self.process_sd is not None:
            number("process_sd", self.process_sd, above=0.0)

    @property
    def width(self) -> float | None:
        """Upper limit minus lower limit; None with one limit or none."""
        if self.lower is None or self.upper is None:
            return None
        return self.upper - self.lower
