"""Make a folder that installs grr on a PC without internet and without administrator.

    python tests/tools/offline_bundle.py BUNDLE

Run it on a PC with internet, with the same system and the same Python (3.11, say) as the bench
PC. It builds the wheel, fetches those of everything needed, and writes a start file for each
system. On the bench PC: copy the folder there and run ``start.bat`` (Windows) or ``sh start.sh``.
The start file makes an environment in the bundle the first time, fetches nothing, and activates
nothing.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
UNIX = """#!/bin/sh
# Starts grr from this folder; the first time it installs it here, without network.
cd "$(dirname "$0")" || exit 1
if [ ! -x environment/bin/grr ]; then
    python3 -m venv environment || exit 1
    environment/bin/python -m pip install --no-index --find-links wheels grr || exit 1
fi
exec environment/bin/grr "${@:-lab}"
"""
WINDOWS = """@echo off
rem Starts grr from this folder; the first time it installs it here, without network.
cd /d "%~dp0"
if not exist environment\\Scripts\\grr.exe (
    py -m venv environment || exit /b 1
    environment\\Scripts\\python -m pip install --no-index --find-links wheels grr || exit /b 1
)
if "%~1"=="" (environment\\Scripts\\grr lab) else (environment\\Scripts\\grr %*)
"""


def make_bundle(folder: Path) -> None:
    """Fill the folder with wheels and start files."""
    wheels = folder / "wheels"
    wheels.mkdir(parents=True, exist_ok=True)
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
    subprocess.run([*pip, "wheel", "--wheel-dir", str(wheels), str(ROOT)], check=True)
    (folder / "start.sh").write_text(UNIX, encoding="utf-8", newline="\n")
    (folder / "start.bat").write_text(WINDOWS, encoding="utf-8", newline="\r\n")


def main() -> None:
    """Make the bundle named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    make_bundle(folder)
    size = sum(path.stat().st_size for path in folder.rglob("*.whl")) / 1e6
    print(f"{folder}: {len(list(folder.rglob('*.whl')))} wheels, {size:.0f} MB")


if __name__ == "__main__":
    main()
