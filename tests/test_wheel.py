"""The wheel holds what is needed and nothing else, and works away from the checkout."""

from __future__ import annotations

import os
import site
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

pytest.importorskip("hatchling", reason="hatchling is needed to build the wheel without network")
ROOT = Path(__file__).parent.parent

SMOKE = """
import sys
import grr
from grr.cli import main
from grr.shipped import shipped_folder
assert not grr.__file__.startswith(sys.argv[1]), grr.__file__
study = grr.open_study(shipped_folder("demo_data") / "dowel_pin")
assert grr.verdict(grr.anova(study)).decision == "USE"
assert (shipped_folder("notebooks") / "0_start_here.ipynb").is_file()
assert main(["self-check"]) == 0
"""


def run(command: list[str], **options: object) -> str:
    done = subprocess.run(command, check=False, capture_output=True, text=True, **options)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "wheel", str(ROOT), "--no-deps", "--no-build-isolation"]
    run([*pip, "--disable-pip-version-check", "-w", str(target)])
    (built,) = target.glob("grr-*.whl")
    return built


def test_contents(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    shipped = [f"grr/_notebooks/{path.name}" for path in (ROOT / "notebooks").glob("*.ipynb")]
    assert len(shipped) > 8
    assert set(shipped) < set(names)
    for name in ("grr/py.typed", "grr/_demo_data/dowel_pin/study.toml", "grr/many/analyse.py"):
        assert name in names
    package = {
        f"grr/{p.relative_to(ROOT / 'grr').as_posix()}"
        for p in (ROOT / "grr").rglob("*")
        if p.suffix in (".py", ".j2", ".css", ".json", ".js", ".md", ".cff", ".svg")
    }
    assert "grr/page/report.html.j2" in package
    assert {name for name in package if "checkpoint" not in name} <= set(names)
    for unwanted in ("checkpoint", "__pycache__", ".pyc", "tests/", ".hypothesis", "cache"):
        assert not [name for name in names if unwanted in name], unwanted
    assert all(name.startswith(("grr/", "grr-")) for name in names)


def test_it_works_away_from_the_checkout(wheel: Path, tmp_path: Path) -> None:
    away = tmp_path / "away from it ä"
    run([sys.executable, "-m", "venv", "--without-pip", str(away)])
    python = away / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    home = Path(run([str(python), "-c", "import site; print(site.getsitepackages()[-1])"]).strip())
    zipfile.ZipFile(wheel).extractall(home)
    # Dependencies come from the environment that runs the tests; .pth files do not count there.
    others = os.pathsep.join([str(home), *site.getsitepackages()])
    environment = {**os.environ, "PYTHONPATH": others, "PYTHONDONTWRITEBYTECODE": "1"}
    run([str(python), "-c", SMOKE, str(ROOT)], cwd=tmp_path, env=environment)
