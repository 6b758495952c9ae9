"""Is every planned reading there, and was the order random?"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from grr.model.rounding import counted, listed
from grr.model.study import Cube, Study
from grr.questions.findings import Finding
from grr.questions.places import place


def completeness(study: Study) -> Iterator[Finding]:
    """Yield findings about missing readings, thin designs and the order of measurement."""
    cube = study.cube()
    yield from _missing(study, cube)
    yield from _thin(cube)
    yield from _order(study, cube)


def _missing(study: Study, cube: Cube) -> Iterator[Finding]:
    gaps = np.argwhere(np.isnan(cube.values))
    if study.plan is not None:
        absent = [part for part in study.plan.parts if part not in cube.parts]
        absent += [
            f"operator {name}" for name in study.plan.operators if name not in cube.operators
        ]
        if absent:
            yield Finding(
                "mend",
                "incomplete",
                "the study",
                f"The plan names what was never measured: {listed(absent)}.",
                "Finish the study, or say in the report why it was cut short.",
            )
    if study.design == "nested":
        return
    never = np.isnan(cube.values).all(axis=2)
    if len(gaps) == 0:
        return
    if never.shape[1] > 1 and ((~never).sum(axis=1) < 2).all():
        yield Finding(
            "mend",
            "nested",
            "the study",
            "No part was measured by two operators.",
            "If that was meant (measuring destroys the part, say), state design='nested'; "
            "otherwise let every operator measure the same parts.",
        )
        return
    if cube.complete:
        yield Finding(
            "know",
            "incomplete",
            "the study",
            "The trials are numbered unevenly, but everyone measured every part equally often.",
            "Nothing to do: repeats may stand in any place.",
        )
        return
    shown = [place(cube, *(int(i) for i in gap)) for gap in gaps]
    cells = [place(cube, int(i), int(j)) for i, j in np.argwhere(never)]
    what = f"{counted(len(gaps), 'reading')} missing: {'; '.join(shown[:4])}"
    if len(shown) > 4:
        what += f"; and {len(shown) - 4} more"
    if cells:
        what += f". Never measured at all: {'; '.join(cells[:3])}"
        what += f" and {len(cells) - 3} more" if len(cells) > 3 else ""
    yield Finding(
        "look",
        "incomplete",
        "the study",
        f"{what}.",
        "Take them if the parts and the gauge are still as they were. Otherwise the analysis "
        "uses what is there and says so.",
    )


def _thin(cube: Cube) -> Iterator[Finding]:
    p, o, r = cube.values.shape
    if o < 2:
        yield Finding(
            "look",
            "thin design",
            "the study",
            "One operator measured, so differences between operators cannot be seen.",
            "Let at least one more person measure the same parts, unless this operator is the "
            "only one who ever will.",
        )
    if r < 2:
        yield Finding(
            "look",
            "thin design",
            "the study",
            "Each part was measured once by each operator, so repeatability and interaction "
            "cannot be told apart.",
            "Add a second trial.",
        )
    if p < 5:
        yield Finding(
            "look",
            "thin design",
            "the study",
            f"Only {p} parts were measured; part variation from so few is hardly known.",
            "Use 10 parts where you can (AIAG MSA, 4th ed., chapter III section B).",
        )


def _order(study: Study, cube: Cube) -> Iterator[Finding]:
    if "order" not in study.readings or study.readings["order"].isna().all():
        yield Finding(
            "know",
            "order",
            "the study",
            "The order in which the readings were taken was not recorded, so drift and "
            "learning cannot be studied.",
            "Next time let the run sheet number the readings.",
        )
        return
    order = study.cube("order").values
    p, o, r = order.shape
    in_part_order = sum(
        bool(np.all(np.diff(order[:, j, t]) > 0))
        for j in range(o)
        for t in range(r)
        if np.isfinite(order[:, j, t]).all()
    )
    if p > 3 and in_part_order > 0.5 * o * r:
        yield Finding(
            "look",
            "order",
            "the study",
            "The parts were measured in the order of their numbers again and again, so an "
            "operator could remember the last value, and drift looks like part variation.",
            "Measure in random order next time (the run sheet gives one).",
        )
