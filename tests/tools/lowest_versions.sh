#!/usr/bin/env bash
# Run the tests with the lowest versions that pyproject.toml allows, in an environment of its own.
#
#     tests/tools/lowest_versions.sh [FOLDER FOR THE ENVIRONMENT] [--short | PYTEST ARGUMENTS ...]
#
# --short runs the part that the gate runs. Needs network. Figures of another plotly differ in what they leave to
# its defaults, so notebooks are run without comparing outputs (--nbval-lax).
set -euo pipefail
cd "$(dirname "$0")/../.."
place=${1:-$(mktemp -d)}
shift || true

# What an older library can break: numbers, tables, files read and written, an example of each
# public name, the commands. Not what is wrong alike with every version: damaged files, slips.
short=(
    tests/formulas tests/many tests/model tests/questions tests/files/readers
    tests/files/test_{copies,encodings,folder,formats,journal,study_file,table_file,text_and_numbers,verify}.py
    tests/entry/test_{study_form,table_grid,terminal,upload,widget}.py
    tests/test_{cli,cluster,examples,properties,shipped}.py
    # decisions and texts of many simulated studies, which are those of any version
    --ignore=tests/questions/test_{causes,coarse_guard,one_mind,second_stage}.py
    --ignore=tests/many/test_even_limits.py
)
if [ "${1:-}" = --short ]; then set -- -q "${short[@]}" "${@:2}"; fi

if ! command -v uv >/dev/null; then
    python3 -m venv "$place/uv" && "$place/uv/bin/python" -m pip install --quiet uv
    PATH="$place/uv/bin:$PATH"
fi
uv venv --quiet --seed --python 3.11 "$place/env"
uv pip compile --quiet --resolution lowest-direct --extra test --python-version 3.11 \
    pyproject.toml -o "$place/lowest.txt"
uv pip install --quiet --python "$place/env/bin/python" -r "$place/lowest.txt"
uv pip install --quiet --python "$place/env/bin/python" --no-deps .
grep -E '^(numpy|pandas|scipy|plotly|statsmodels|anywidget|ipywidgets)==' "$place/lowest.txt"
"$place/env/bin/python" -m pytest \
    -o addopts="--nbval-lax --nbval-current-env --import-mode=importlib --benchmark-skip" "$@"
