"""`grr.show.spread_sources_svg`: the sources of spread as a drawing that needs no browser."""

from __future__ import annotations

import math

from grr.model.rounding import percent
from grr.model.tables import FAINT
from grr.questions.result import GaugeResult
from grr.questions.sources import NAMES, SOURCES
from grr.show import svg, theme
from grr.show.scale import fine_scale, graduations, round_step, tick_text
from grr.show.sources_words import shown_spread, sources_alt

#: The bars lie between these; the columns of percentages end at those.
LEFT, RIGHT = 210.0, 550.0
COLUMNS = {"percent_tolerance": (628.0, "of the tolerance"), "percent_tv": (706.0, "of the total")}
TOP, ROW = 34.0, 40.0


def spread_sources_svg(result: GaugeResult) -> str:
    """Return the drawing of `spread_sources`, without intervals, as SVG text.

    Parameters
    ----------
    result : GaugeResult
    """
    scale = fine_scale(result.study)
    spreads = {name: result.value(name, "spread") * scale.factor for name in SOURCES}
    longest = max((value for value in spreads.values() if not math.isnan(value)), default=0.0)
    reach = 0.52 * longest or 1.0
    end = TOP + ROW * len(SOURCES)
    grr = TOP + ROW * SOURCES.index("GRR")
    pieces = [svg.box((LEFT, grr, RIGHT - LEFT, ROW), theme.ROLES["band"])]
    for row, name in enumerate(SOURCES):
        pieces += _row(result, name, spreads[name] / reach, TOP + ROW * (row + 0.5))
    for measure, (x, words) in COLUMNS.items():
        if result.sources[measure].notna().any():
            for line, part in enumerate(words.rsplit(" ", 1)):
                place = TOP - 20 + 14 * line
                pieces.append(svg.text(part, x, place, anchor="end", size=11, colour=FAINT))
    pieces += _axis(reach, end, scale.named("to either side of the middle"))
    return svg.drawing("fig-spread-sources-print", sources_alt(result), end + 44, pieces)


def _row(result: GaugeResult, name: str, share: float, y: float) -> list[str]:
    pieces = [
        svg.text(f"{NAMES[name]} {name}", LEFT - 10, y - 3, anchor="end"),
        svg.text(shown_spread(result, name), LEFT - 10, y + 12, anchor="end", bold=True),
    ]
    if math.isnan(share):
        return [*pieces, svg.text("not estimated", LEFT + 6, y + 4, colour=FAINT)]
    middle, half = (LEFT + RIGHT) / 2, share * (RIGHT - LEFT) / 4
    pieces.append(svg.box((middle - half, y - 9, 2 * half, 18), theme.ROLES[name]))
    for measure, (x, _) in COLUMNS.items():
        value = result.value(name, measure)
        if not math.isnan(value):
            bold = name == "GRR"
            pieces.append(svg.text(percent(value), x, y + 4, anchor="end", bold=bold))
    return pieces


def _axis(reach: float, y: float, title: str) -> list[str]:
    step = round_step(reach / 3)
    middle, per_unit = (LEFT + RIGHT) / 2, (RIGHT - LEFT) / 2 / reach
    pieces = [svg.line((LEFT, y, RIGHT, y), FAINT)]
    for at in graduations(-reach, reach, step):
        x = middle + at * per_unit
        pieces.append(svg.line((x, y, x, y + 5), FAINT))
        pieces.append(svg.text(tick_text(abs(at), step), x, y + 18, anchor="middle"))
    return [*pieces, svg.text(title, middle, y + 36, anchor="middle", colour=FAINT)]
