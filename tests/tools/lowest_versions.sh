#!/usr/bin/env bash
# Run the tests with the lowest versions that pyproject.toml allows, in an environment of its own.
#
#     tests/tools/lowest_versions.sh [FOLDER FOR THE ENVIRONMENT] [PYTEST ARGUMENTS ...]
#
# Needs uv (pip install uv) and network. Figures of another plotly differ in what they leave to
# its defaults, so notebooks are run without comparing outputs (--nbval-lax).
set -euo pipefail
cd "$(dirname "$0")/../.."
place=${1:-$(mktemp -d)}
shift || true
uv venv --quiet --python 3.11 "$place/env"
uv pip compile --quiet --resolution lowest-direct --extra test --python-version 3.11 \
    pyproject.toml -o "$place/lowest.txt"
uv pip install --quiet --python "$place/env/bin/python" -r "$place/lowest.txt"
uv pip install --quiet --python "$place/env/bin/python" --no-deps .
grep -E '^(numpy|pandas|scipy|plotly|statsmodels|anywidget|ipywidgets)==' "$place/lowest.txt"
"$place/env/bin/python" -m pytest \
    -o addopts="--nbval-lax --nbval-current-env --import-mode=importlib --benchmark-skip" "$@"
