"""How often the intervals of a qualification hold the truth, by simulation.

Run from the repository: python tests/coverage/qualification.py
Writes qualification.md beside this file (about a minute).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from grr.formulas.bias import bias_by_range, bias_by_sd, t_quantile, with_reference_uncertainty
from grr.formulas.capability import gauge_capability
from grr.formulas.change_points import step_change
from grr.formulas.control_charts import (
    NELSON,
    RULES,
    WESTERN_ELECTRIC,
    checks_to_notice,
    false_alarms,
    first_signal,
    individuals_limits,
    running_mean,
    running_mean_chart,
    simulated_run_lengths,
    standardised,
)
from grr.formulas.micrometer import pitch_error
from grr.formulas.straight_line import (
    block_covariance,
    confidence_band,
    fit_line,
    gather_blocks,
    lack_of_fit,
)
from grr.questions.stability import COARSE_SIGMA

STUDIES = 10_000
SIZES = np.array([0.0, 2.5, 5.1, 7.7, 10.3, 12.9, 15.0, 17.6, 20.2, 22.8, 25.0])
MONTHS = np.arange(24.0)
SLOPE = 0.01


def held(lower: np.ndarray, upper: np.ndarray, truth: float) -> float:
    """Return the percentage of intervals that hold the truth."""
    return 100.0 * float(np.mean((lower <= truth) & (upper >= truth)))


def bias_rows(studies: int) -> Iterator[tuple[str, str, float]]:
    """Bias, by sd, by range, and with the reference's uncertainty."""
    rng = np.random.default_rng(1)
    for n in (10, 25, 50):
        readings = rng.normal(0.3, 1.0, (studies, n))
        setting = f"{n} readings"
        found = bias_by_sd(readings, 0.0)
        yield "bias, t by sd", setting, held(found.lower, found.upper, 0.3)
        found = bias_by_range(readings, 0.0)
        yield "bias, manual's range form", setting, held(found.lower, found.upper, 0.3)
        off = rng.normal(0.0, 0.5, studies)
        found = bias_by_sd(readings, off)
        lower, upper = with_reference_uncertainty(found, 0.5)
        yield "bias, reference u 0.5 sd", setting, held(lower, upper, 0.3)
        yield "the same, reference's u left out", setting, held(found.lower, found.upper, 0.3)


def capability_rows(studies: int) -> Iterator[tuple[str, str, float]]:
    """Cg (exact) and Cgk (noncentral t on the nearer limit)."""
    rng = np.random.default_rng(2)
    for n in (10, 50):
        for bias in (0.0, 0.3, 1.0):
            readings = rng.normal(bias, 1.0, (studies, n))
            found = gauge_capability(
                readings.mean(axis=1), readings.std(axis=1, ddof=1), readings=n, width=40.0
            )
            setting = f"{n} readings, bias {bias:g} sd"
            yield "Cg", setting, held(found.cg_lower, found.cg_upper, 4.0 / 3.0)
            truth = (4.0 - bias) / 3.0
            yield "Cgk", setting, held(found.cgk_lower, found.cgk_upper, truth)
            yield "Cgk, lower end alone (97.5)", setting, held(found.cgk_lower, np.inf, truth)


def slope_rows(studies: int) -> Iterator[tuple[str, str, float]]:
    """Slope over the range: single readings, block means, and the choice by lack of fit."""
    rng = np.random.default_rng(3)
    x = np.repeat(SIZES, 5)
    for block_sd in (0.0, 0.2, 0.4, 0.8, 2.0):
        own = np.repeat(rng.normal(0.0, block_sd, (studies, len(SIZES))), 5, axis=1)
        y = SLOPE * x + own + rng.normal(0.0, 1.0, (studies, len(x)))
        single, blocks = fit_line(x, y), gather_blocks(x, y)
        means = fit_line(SIZES, blocks.means, by_block=True)
        test = lack_of_fit(blocks, single)
        inside = [
            np.abs(line.slope - SLOPE) <= t_quantile(0.975, line.df) * line.slope_error
            for line in (single, means)
        ]
        setting = f"blocks off by {block_sd:g} sd of a reading"
        yield "slope, all readings", setting, 100.0 * float(inside[0].mean())
        yield "slope, block means", setting, 100.0 * float(inside[1].mean())
        for level in (0.05, 0.25):
            chosen = np.where(test.p < level, inside[1], inside[0])
            yield f"slope, chosen by lack of fit at {level:g}", setting, 100 * float(chosen.mean())


def band_rows(studies: int) -> Iterator[tuple[str, str, float]]:
    """The band at the middle and the end of the range, correlated block errors in it."""
    rng = np.random.default_rng(4)
    x = np.repeat(SIZES, 3)
    at = np.array([12.5, 25.0])
    for correlation in (0.0, 0.5, 1.0):
        covariance = block_covariance(np.full(len(SIZES), 0.6), correlation)
        # a zero eigenvalue may come out a little below zero
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        errors = rng.standard_normal((studies, len(SIZES))) @ root.T
        y = SLOPE * x + np.repeat(errors, 3, axis=1) + rng.normal(0.0, 1.0, (studies, len(x)))
        line = fit_line(x, y)
        band = confidence_band(line, at, blocks=SIZES, covariance=covariance)
        for i, place in enumerate(("middle", "end")):
            truth = SLOPE * at[i]
            setting = f"{place}, correlation {correlation:g}"
            yield (
                "band, blocks' u 0.6 sd in it",
                setting,
                held(band.lower[:, i], band.upper[:, i], truth),
            )


def pitch_rows(studies: int) -> Iterator[tuple[str, str, float]]:
    """Amplitude of the screw's periodic error."""
    rng = np.random.default_rng(5)
    for amplitude in (0.0, 0.5, 1.0, 3.0):
        wave = amplitude * np.sin(2.0 * np.pi * SIZES / 0.5 + 0.7)
        found = pitch_error(SIZES, wave + rng.normal(0.0, 1.0, (studies, len(SIZES))), pitch=0.5)
        setting = f"true amplitude {amplitude:g} sd of a block mean"
        yield "periodic error", setting, held(found.lower, found.upper, amplitude)


def drift_rows(studies: int) -> Iterator[tuple[str, str, float]]:
    """Drift over two years, with and without a step, as `grr.stability` chooses."""
    rng = np.random.default_rng(6)
    for drift, step in ((0.0, 0.0), (0.1, 0.0), (0.0, 2.0), (0.0, 5.0), (0.1, 5.0)):
        truth = drift * MONTHS + step * (MONTHS >= 15)
        y = truth + rng.normal(0.0, 1.0, (studies, len(MONTHS)))
        line, stepped = fit_line(MONTHS, y), step_change(MONTHS, y)
        took = stepped.p <= 0.01
        slope = np.where(took, stepped.slope, line.slope)
        error = np.where(took, stepped.slope_error, line.slope_error)
        reach = np.where(took, t_quantile(0.975, stepped.df), t_quantile(0.975, line.df)) * error
        setting = f"drift {drift:g} sd a month, step {step:g} sd"
        yield "drift", setting, held(slope - reach, slope + reach, drift)
        yield "share in which a step was taken out", setting, 100.0 * float(took.mean())


def alarm_rows(studies: int) -> Iterator[tuple[str, str, float]]:
    """Mean checks to a false alarm: exact, simulated, and with limits from a short baseline."""
    sets = {
        "WE 1": WESTERN_ELECTRIC[:1],
        "WE 1 to 4": WESTERN_ELECTRIC,
        "Nelson 1 to 8": NELSON,
        "Nelson 3": (RULES["Nelson 3"],),
    }
    for name, rules in sets.items():
        found = false_alarms(rules)
        kind = "exact" if found.standard_error == 0.0 else "simulated, seed 1"
        yield "checks to a false alarm", f"{name}, {kind}", found.run_length
        lengths = simulated_run_lengths(rules, studies=studies, seed=7)
        yield "checks to a false alarm", f"{name}, simulated, seed 7", float(lengths.mean())
    rng = np.random.default_rng(8)
    for baseline in (8, 12, 20, 50):
        z = rng.standard_normal((studies, baseline + 12))
        further = standardised(z, individuals_limits(z[:, :baseline]))[:, baseline:]
        share = 100.0 * float(np.isfinite(first_signal(further, WESTERN_ELECTRIC)).mean())
        yield "false alarm within 12 checks, percent", f"WE 1 to 4, baseline {baseline}", share


def running_mean_rows(studies: int) -> Iterator[tuple[str, str, float]]:
    """Share of sound gauges that alarm within 40 checks, with and without rounding; how soon."""
    rng = np.random.default_rng(9)
    for baseline in (6, 8, 12, 20, 40):
        width = running_mean_chart(baseline).width
        for sd in (0.0, 0.3, 0.5, 0.6, 0.8, 1.5):  # in digits; 0: not rounded
            x = rng.standard_normal((studies, baseline + 40)) * (sd or 1.0)
            if sd:
                x = np.round(rng.uniform(-0.5, 0.5, (studies, 1)) + x)
            least = COARSE_SIGMA if sd else 0.0
            limits = individuals_limits(x[:, :baseline], least_sigma=least)
            z = running_mean(standardised(x, limits)[:, baseline:])
            alarmed = 100.0 * float((np.abs(z) > width).any(axis=1).mean())
            setting = f"baseline {baseline}, " + (f"sd {sd:g} digits" if sd else "not rounded")
            yield "false alarm within 40 checks, percent", setting, alarmed
        for shift in (1.0, 2.0, 3.0):
            found = checks_to_notice(shift, width, baseline=baseline, seed=10)
            late = float(np.quantile(found, 0.5, method="higher"))
            if np.isfinite(late):
                setting = f"baseline {baseline}, shift of {shift:g} sd"
                yield "checks until half of the shifts are noticed", setting, late


#: Title of each part of the table, its function, and what there is to say about it.
PARTS = (
    (
        "Bias on one reference part",
        bias_rows,
        "The manual's factor d2/d2* costs its form a little. An error of the reference value is "
        "seen only where its uncertainty is in the interval.",
    ),
    (
        "Cg and Cgk",
        capability_rows,
        "Cg is exact. Cgk takes the nearer limit as the only one: without any bias its lower end, "
        "which decides a pass, is on the safe side.",
    ),
    (
        "Slope over the range",
        slope_rows,
        "Eleven blocks, five readings each. Where blocks are off, all readings together look too "
        "sure, and a lack-of-fit test at 0.05 misses too many such cases; at 0.25, as used, few.",
    ),
    (
        "Band around the line, the blocks' uncertainty in it",
        band_rows,
        "The same blocks each time would always err alike: here a new set is drawn each time.",
    ),
    (
        "Periodic error of the screw",
        pitch_rows,
        "A lower end of 0 always holds a true amplitude of 0: one-sided there, 97.5.",
    ),
    (
        "Drift over two years of monthly checks",
        drift_rows,
        "A step with p of at most 0.01 is taken out first. One of 2 sd is seldom found and then "
        "looks like a drift: that no method on 24 checks can tell, and the recheck interval errs "
        "on the safe side. After a step of 5 sd the interval is a little short because the place "
        "of the step is taken as known.",
    ),
    (
        "False alarms",
        alarm_rows,
        "Published: 370.4 (known limits, 3 sigma) and 91.75 for WE 1 to 4 (Champ & Woodall, "
        "Technometrics 29, 1987, from memory). With limits from few checks alarms are far more "
        "frequent than these figures say; `grr.stability` states the chance.",
    ),
    (
        "The running mean that `grr.stability` watches",
        running_mean_rows,
        "3.9 % by design. Rounding to a digit of about twice the scatter adds a few false alarms; "
        "a coarser digit takes them away. A row that is missing: half of such shifts are not "
        "noticed within 200 checks.",
    ),
)


def page(studies: int) -> str:
    """Return the whole table as Markdown."""
    lines = [
        "# How often the intervals of a qualification hold the truth",
        "",
        f"Made by `python tests/coverage/qualification.py`; {studies:,} simulated studies a row "
        "(2,000 for the periodic error), nominal 95 %.",
    ]
    for title, rows, note in PARTS:
        lines += [
            "",
            f"## {title}",
            "",
            note,
            "",
            "| quantity | setting | value |",
            "|---|---|---:|",
        ]
        for quantity, setting, value in rows(2000 if rows is pitch_rows else studies):
            lines.append(f"| {quantity} | {setting} | {value:.1f} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    text = page(STUDIES)
    target = Path(__file__).with_suffix(".md")
    target.write_text(text, encoding="utf-8", newline="\n")
    print(text)
