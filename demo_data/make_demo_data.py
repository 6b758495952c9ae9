"""Write every demo study and form again; all of it is invented.

Run ``python demo_data/make_demo_data.py`` in the checkout. The same seeds give the same
bytes; a test compares. To add a study, write a function that fills a folder and name it in
`STUDIES`.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from all_our_gauges import all_our_gauges
from bushings import bushing_inch
from dowel_pins import (
    dowel_pin,
    dowel_pin_handheld,
    dowel_pin_mistakes,
    dowel_pin_two_days,
)
from old_forms import old_forms
from two_ways import pins_two_ways, rollers_two_ways

#: The functions that each fill one study folder of their own name.
STUDIES = (
    *(dowel_pin, dowel_pin_handheld, dowel_pin_mistakes, bushing_inch),
    *(dowel_pin_two_days, pins_two_ways, rollers_two_ways),
)
#: The functions that write files beside the study folders.
FILES = (old_forms, all_our_gauges)


def make_demo_data(target: Path) -> None:
    """Write all demo data under ``target``; studies that are there are replaced."""
    for study in STUDIES:
        folder = target / study.__name__
        shutil.rmtree(folder, ignore_errors=True)
        study(folder)
    for files in FILES:
        files(target)


if __name__ == "__main__":
    make_demo_data(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
