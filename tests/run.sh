#!/bin/sh
# Runs every test on a machine that has Python 3.11 and a shell: installs what the tests need into .venv-test,
# Chromium and Pango through apt where they are missing, then hands all arguments to pytest.
#   sh tests/run.sh                  everything
#   sh tests/run.sh -k relock        what pytest's own arguments choose
#   LATCHTRACE_LONG=1 sh tests/run.sh   the long runs of the random checks too
#   sh tests/run.sh --setup-only     install, run nothing
set -eu
cd "$(dirname "$0")/.."
venv=.venv-test
python=${PYTHON:-python3}

fail() {
    echo "tests/run.sh: $1" >&2
    exit 2
}

# Installs Debian packages, as root or through sudo.
packages() {
    command -v apt-get >/dev/null 2>&1 || fail "$* missing and there is no apt-get; install by hand, then run again"
    if [ "$(id -u)" = 0 ]; then
        root=""
    elif command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then
        root="sudo"
    else
        fail "$* missing; run as root: apt-get install $*"
    fi
    echo "tests/run.sh: installing $*" >&2
    $root env DEBIAN_FRONTEND=noninteractive apt-get update -q >&2 || fail "apt-get update failed"
    $root env DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends "$@" >&2 ||
        fail "apt-get could not install $*"
}

"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null ||
    fail "needs Python 3.11 or later; name it with PYTHON=/path/to/python3"

if ! [ -x "$venv/bin/python" ]; then
    "$python" -c 'import ensurepip' 2>/dev/null || packages python3-venv
    "$python" -m venv "$venv"
fi

# What is installed stays as long as pyproject.toml does.
wanted=$(cksum <pyproject.toml)
if [ "$(cat "$venv/installed" 2>/dev/null || true)" != "$wanted" ]; then
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --editable '.[test,pdf]' ||
        fail "pip could not install latchtrace with its test parts"
    echo "$wanted" >"$venv/installed"
fi

# The temporal-logic libraries that rules are compared with need older companions: an environment of their own.
temporal=.venv-temporal
if [ -z "${LATCHTRACE_TEMPORAL_PYTHON:-}" ] && ! [ -e "$temporal/installed" ]; then
    older=$python
    if ! "$older" -c 'import sys; sys.exit(sys.version_info >= (3, 13))' 2>/dev/null; then
        older=$(command -v python3.12 || command -v python3.11) ||
            fail "rtamt needs Python 3.11 or 3.12 as well; install one, or name it with LATCHTRACE_TEMPORAL_PYTHON"
    fi
    "$older" -m venv "$temporal"
    "$temporal/bin/python" -m pip install --quiet --disable-pip-version-check \
        'rtamt==0.4.10' 'metric-temporal-logic==0.4.1' || fail "pip could not install rtamt and metric-temporal-logic"
    touch "$temporal/installed"
fi

missing=""
command -v chromium >/dev/null 2>&1 || command -v chromium-browser >/dev/null 2>&1 || missing="chromium fonts-dejavu-core"
"$venv/bin/python" -c 'import weasyprint' >/dev/null 2>&1 ||
    missing="$missing libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core"
# shellcheck disable=SC2086 # a list of packages
[ -z "$missing" ] || packages $missing

[ "${1:-}" = "--setup-only" ] && exit 0
exec "$venv/bin/python" -m pytest "$@"
