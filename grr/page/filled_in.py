"""Each headline number as its formula with this study's numbers filled in.

Every length and every square stands in one unit, the fine one of the study (`fine_unit`): µm and
µm² where it was measured in mm, so that the lines and the tables beside them agree.
"""

from __future__ import annotations

import math
from dataclasses import replace

from grr.formulas.analysis_of_variance import (
    Components,
    among_people,
    crossed_anova,
    interaction_kept,
    interaction_pooled,
    nested_anova,
    nested_components,
)
from grr.formulas.reml import nested_cube
from grr.formulas.sources_of_variation import NDC_FACTOR
from grr.model.rounding import figures, percent
from grr.model.study import Study
from grr.model.tolerance import Tolerance
from grr.model.units import conversion, fine_unit
from grr.questions.gauge import GaugeResult, moment_components, spread_text
from grr.questions.intervals import degrees_of_freedom
from grr.questions.sittings import further_sources
from grr.questions.worked_sheet import worked_sheet

#: Significant figures of what is filled in.
FIGURES = 6
#: Lines of the average-and-range form by the quantity that they lead to.
_FORM = {
    "EV": ("R̄", "K1", "EV"),
    "AV": ("X̄diff", "K2", "AV"),
    "GRR": ("GRR",),
    "PV": ("Rp", "K3", "PV"),
    "TV": ("TV",),
}


def filled_in(result: GaugeResult) -> dict[str, tuple[str, ...]]:
    """Return quantity or measure → its formula with the numbers, line by line.

    Parameters
    ----------
    result : GaugeResult

    Returns
    -------
    dict
        Keys EV, AV, INT, GRR, PV, TV, spread, percent_tolerance, percent_tv, ndc, and df: that
        of EV in the limits. What was not estimated says why.
    """
    return {**_variances(result), **_ratios(result)}


def _variances(result: GaugeResult) -> dict[str, tuple[str, ...]]:
    if result.method == "average_range":
        return _by_ranges(result)
    if result.anova_table is None:
        return {
            name: (
                f"{name} = {_sd(result, name)}, from all readings at once by restricted maximum "
                "likelihood: there is no closed formula",
            )
            for name in result.source_names[:-1]
            if not math.isnan(result.value(name, "sd"))
        } | {"TV": _total(result)}
    found = _nested(result) if result.study.design == "nested" else _crossed(result)
    return {**found, "df": _known_with(result), "TV": _total(result)}


def _by_ranges(result: GaugeResult) -> dict[str, tuple[str, ...]]:
    sheet = worked_sheet(in_fine_unit(result.study), spread=result.spread)
    worked = {line.symbol: line.worked for line in sheet.lines}
    return {
        name: tuple(worked[symbol] for symbol in symbols if symbol in worked)
        for name, symbols in _FORM.items()
    }


def _crossed(result: GaugeResult) -> dict[str, tuple[str, ...]]:
    """Return the formulas of a complete crossed study, sessions in them where they are a source."""
    study = result.study
    sessions = "SES" in result.source_names
    if sessions:
        found, p, o, r, m, n = _of_sessions(result)
    else:
        anova = crossed_anova(study.cube().packed)
        p, o, r, m, n = anova.parts, anova.operators, anova.trials, 0, 0
        found = interaction_pooled(anova) if result.pooled else interaction_kept(anova)
        if math.isfinite(study.people) and o > 1:
            found = among_people(found, study.people)
    av, pv, interaction, ses = (
        _square(result, float(0.0 if v is None else v))
        for v in (found.operator, found.part, found.interaction, found.session)
    )
    ms = _mean_squares(result)
    error = "pooled error" if "pooled error" in ms else "error"
    against = error if result.pooled else "interaction"
    lines = {"EV": _repeatability(result, f"mean square of {error}", ms[error])}
    if sessions:
        lines["SES"] = (
            f"SES² = (MS session − MS {error}) / (parts × readings of a part in a session) = "
            f"({_n(ms['session'])} − {_n(ms[error])}) / ({p} × {n}) = {_variance(ses)}",
            _root(result, "SES"),
        )
    lines["PV"] = (
        f"PV² = (MS part − MS {against}) / (operators × trials) = "
        f"({_n(ms['part'])} − {_n(ms[against])}) / ({o} × {r}) = {_variance(pv)}",
        *_given_total(result),
    )
    summed = ["EV"]
    if o > 1:
        lines["AV"] = (
            _operator_line(result, against, ms, (p, r, m), (ses, av)),
            _root(result, "AV"),
        )
        summed.append("AV")
        lines["INT"] = ("INT: pooled with the error",)
        if not result.pooled:
            lines["INT"] = (
                f"INT² = (MS interaction − MS error) / trials = ({_n(ms['interaction'])} − "
                f"{_n(ms['error'])}) / {r} = {_variance(interaction)}",
                _root(result, "INT"),
            )
            summed.append("INT")
    summed += ["SES"] if sessions else []
    shown = " + ".join(_number(result, name) for name in summed)
    whole = f" = {_number(result, 'GRR')}" if len(summed) > 1 else ""
    lines["GRR"] = (
        f"GRR² = {' + '.join(f'{name}²' for name in summed)} = {shown}{whole}",
        _root(result, "GRR"),
    )
    return lines


def _of_sessions(result: GaugeResult) -> tuple[Components, int, int, int, int, int]:
    """Return the components of a balanced study with sessions, and its numbers.

    Parts, operators, readings of a part by an operator, sessions of an operator (0 where all
    share them), and readings of a part in a session.
    """
    further = further_sources(result.study)
    assert further is not None
    assert further.squares is not None
    levels = further.squares.levels
    p, o = levels["part"], levels.get("operator", 1)
    r = len(further.readings) // (p * o)
    shared = further.shared_sessions == "all"
    own = 0 if shared else levels["session"] // o
    found = moment_components(result.study, further, pooled=result.pooled)
    return found, p, o, r, own, r * o // levels["session"]


def _operator_line(
    result: GaugeResult,
    against: str,
    ms: dict[str, float],
    numbers: tuple[int, int, int],
    squares: tuple[float, float],
) -> str:
    """Return AV²: less a share of SES² with sessions, and over the people who will measure."""
    (p, r, m), (ses, av) = numbers, squares
    note, factor = _among_people(result)
    said = f"(MS operator − MS {against}) / (parts × trials)"
    filled = f"({_n(ms['operator'])} − {_n(ms[against])}) / ({p} × {r})"
    if "SES" in result.source_names:
        if m:
            said, filled = f"{said} − SES² / sessions", f"{filled} − {_n(ses)} / {m}"
        if note:
            said, filled = f"[{said}]", f"[{filled}]"
    return f"AV² = {said}{note} = {filled}{factor} = {_variance(av)}"


def _among_people(result: GaugeResult) -> tuple[str, str]:
    """Return the factor for all people who will ever measure, in words and filled in."""
    if not math.isfinite(result.study.people):
        return "", ""
    n = f"{result.study.people:.0f}"
    return " × (people − 1) / people", f" × ({n} − 1) / {n}"


def _nested(result: GaugeResult) -> dict[str, tuple[str, ...]]:
    """Return the formulas of a complete nested study."""
    study = result.study
    ms = _mean_squares(result)
    given = study.readings.dropna(subset="reading")
    cube = nested_cube(
        given["reading"].to_numpy(float),
        given["part"].to_numpy(str),
        given["operator"].to_numpy(str),
    )
    anova = nested_anova(cube)
    o, p, r = anova.operators, anova.parts, anova.trials
    found = nested_components(anova, people=study.people)
    av, pv = _square(result, float(found.operator)), _square(result, float(found.part))
    lines = {
        "EV": _repeatability(result, "mean square of error", ms["error"]),
        "PV": (
            f"PV² = (MS part − MS error) / trials = ({_n(ms['part'])} − {_n(ms['error'])}) / {r}"
            f" = {_variance(pv)}",
            *_given_total(result),
        ),
    }
    if o < 2:
        return {**lines, "GRR": (f"GRR² = EV² = {_number(result, 'EV')}", _root(result, "GRR"))}
    note, factor = _among_people(result)
    lines["AV"] = (
        f"AV² = (MS operator − MS part) / (parts of one operator × trials){note} = "
        f"({_n(ms['operator'])} − {_n(ms['part'])}) / ({p} × {r}){factor} = {_variance(av)}",
        _root(result, "AV"),
    )
    lines["GRR"] = (
        f"GRR² = EV² + AV² = {_number(result, 'EV')} + {_n(max(av, 0.0))} = "
        f"{_number(result, 'GRR')}",
        _root(result, "GRR"),
    )
    return lines


def _repeatability(result: GaugeResult, what: str, mean_square: float) -> tuple[str, ...]:
    line = f"EV² = {what} = {_n(mean_square)}"
    if result.floored and result.study.resolution is not None:
        line += (
            f", under the rounding error of the gauge, so EV² = (resolution / √12)² = "
            f"({_length(result, result.study.resolution)} / √12)² = {_number(result, 'EV')}"
        )
    return line, _root(result, "EV")


def _known_with(result: GaugeResult) -> tuple[str, ...]:
    """Return with how many degrees of freedom the limits take EV, and why not as counted."""
    found = degrees_of_freedom(result.study)
    if not found.used < found.counted:
        return ()
    seen = ", ".join(
        f"{name} {float(df):.1f}"
        for name, df in (
            ("by count", found.counted),
            ("as the variances of cells show", found.cells),
            ("of parts", found.parts),
            ("of operators", found.operators),
        )
    )
    if found.kept < 1.0:
        seen += f", times {found.kept:.2f} as neighbours in the measuring order are alike"
    return (f"degrees of freedom of EV in the limits = the least of {seen} = {found.used:.1f}",)


def _given_total(result: GaugeResult) -> tuple[str, ...]:
    """Return how PV follows from the process sd, where that is given; else its root."""
    if result.study.process_sd is None:
        return (_root(result, "PV"),)
    if math.isnan(result.value("PV", "sd")):
        return (f"PV: not estimated, {result.reasons['PV']}",)
    return (
        f"with the process sd given: PV = √(TV² − GRR²) = √({_sd(result, 'TV')}² − "
        f"{_sd(result, 'GRR')}²) = {_sd(result, 'PV')}",
    )


def _total(result: GaugeResult) -> tuple[str, ...]:
    if result.study.process_sd is not None:
        return (f"TV = the process sd, as given = {_sd(result, 'TV')}",)
    summed = [name for name in ("GRR", "PV", "WPV") if name in result.source_names]
    squared = " + ".join(f"{name}²" for name in summed)
    filled = " + ".join(f"{_sd(result, name)}²" for name in summed)
    return (f"TV = √({squared}) = √({filled}) = {_sd(result, 'TV')}",)


def _ratios(result: GaugeResult) -> dict[str, tuple[str, ...]]:
    times = f"{result.spread:g}"
    sd = _sd(result, "GRR")
    lines: dict[str, tuple[str, ...]] = {
        "spread": (
            f"{times} × GRR = {times} × {sd} = {_length(result, result.value('GRR', 'spread'))} "
            f"{fine_unit(result.study.unit)}".rstrip()
            + f", that is {spread_text(result, result.value('GRR', 'spread'))}",
        ),
        "percent_tolerance": (_of_tolerance(result),),
    }
    value = result.value("GRR", "percent_tv")
    lines["percent_tv"] = (
        f"100 × GRR / TV = 100 × {sd} / {_sd(result, 'TV')} = {percent(value)}"
        if not math.isnan(value)
        else f"not estimated, {result.reasons.get('percent_tv', 'TV is 0')}",
    )
    if result.ndc is None:
        lines["ndc"] = ("not estimated, " + result.reasons.get("percent_tv", "GRR is 0"),)
    else:
        lines["ndc"] = (
            f"{NDC_FACTOR:g} × PV / GRR = {NDC_FACTOR:g} × {_sd(result, 'PV')} / {sd} = "
            f"{figures(result.ndc_exact, 4)}, rounded down and at least 1: {result.ndc}",
        )
    return lines


def _of_tolerance(result: GaugeResult) -> str:
    value = result.value("GRR", "percent_tolerance")
    tolerance = result.study.tolerance
    if math.isnan(value) or tolerance is None:
        return f"not estimated, {result.reasons.get('percent_tolerance', 'GRR is 0')}"
    sd = _sd(result, "GRR")
    if tolerance.width is not None:
        times = f"{result.spread:g}"
        return (
            f"100 × {times} × GRR / (upper limit − lower limit) = 100 × {times} × {sd} / "
            f"{_length(result, tolerance.width)} = {percent(value)}"
        )
    limit = tolerance.upper if tolerance.upper is not None else tolerance.lower
    assert limit is not None
    centre = result.mean if result.study.process_mean is None else result.study.process_mean
    half = f"{result.spread / 2:g}"
    return (
        f"100 × {half} × GRR / distance from the mean to the limit = 100 × {half} × {sd} / "
        f"{_length(result, abs(limit - centre))} = {percent(value)}"
    )


def _root(result: GaugeResult, name: str) -> str:
    variance = _number(result, name)
    sd = f"{_sd(result, name)} {fine_unit(result.study.unit)}".rstrip()
    return f"{name} = √{variance} = {sd}"


def _variance(value: float) -> str:
    """Return a variance; one below zero with what is shown in its place."""
    return f"{_n(value)}, below zero, so shown as 0" if value < 0.0 else _n(value)


def _number(result: GaugeResult, name: str) -> str:
    return _n(_square(result, result.value(name, "variance")))


def _sd(result: GaugeResult, name: str) -> str:
    value = result.value(name, "sd")
    return "?" if math.isnan(value) else _length(result, value)


def _length(result: GaugeResult, value: float) -> str:
    return _n(value * _factor(result))


def _square(result: GaugeResult, value: float) -> float:
    """Return a square as it is shown: in the square of the fine unit."""
    return value * _factor(result) ** 2


def _factor(result: GaugeResult) -> float:
    return conversion(result.study.unit, fine_unit(result.study.unit))


def _mean_squares(result: GaugeResult) -> dict[str, float]:
    table = result.anova_table
    assert table is not None
    return {str(name): _square(result, float(table["mean_sq"][name])) for name in table.index}


def in_fine_unit(study: Study) -> Study:
    """Return a study as if it had been measured in its fine unit, for a form in that unit."""
    factor = conversion(study.unit, fine_unit(study.unit))

    def scaled(value: float | None) -> float | None:
        return None if value is None else value * factor

    limits = study.tolerance
    return replace(
        study,
        readings=study.readings.assign(reading=study.readings["reading"] * factor),
        tolerance=None if limits is None else Tolerance(scaled(limits.lower), scaled(limits.upper)),
        unit=fine_unit(study.unit),
        resolution=scaled(study.resolution),
        process_sd=scaled(study.process_sd),
        process_mean=scaled(study.process_mean),
        record=None,
        among=None,
    )


def _n(value: float) -> str:
    return figures(value, FIGURES).replace("-", "−")
