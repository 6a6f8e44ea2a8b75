#!/usr/bin/env bash
# Makes .venv with the tested versions and sees to the system libraries that Qt and the tests need.
# Installs those where it may (root on Debian and its kin); else prints the one command that does.
set -euo pipefail
cd "$(dirname "$0")/.."

fail() {
    echo "ridebook setup: $*" >&2
    exit 1
}

python=""
for candidate in "${PYTHON:-}" python3.13 python3.12 python3.11 python3; do
    if [ -n "$candidate" ] && command -v "$candidate" >/dev/null 2>&1 \
        && "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
        python="$candidate"
        break
    fi
done
[ -n "$python" ] || fail "Python 3.11 or later is needed; install it, or name it: make PYTHON=/path/to/python3"

packages_updated=""
system_install() {
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
        if [ -z "$packages_updated" ]; then
            apt-get update -qq
            packages_updated=yes
        fi
        DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" >/dev/null
    elif command -v apt-get >/dev/null 2>&1; then
        fail "please run: sudo apt-get install $*"
    else
        echo "ridebook setup: this system lacks what Debian calls: $*" >&2
        echo "ridebook setup: install its counterparts if the window does not open" >&2
    fi
}

if ! "$python" -c 'import ensurepip, venv' >/dev/null 2>&1; then
    system_install python3-venv
fi
[ -x .venv/bin/python ] || "$python" -m venv .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[test,check]'

if [ "$(uname -s)" = Linux ]; then
    missing="$(.venv/bin/python tools/qt_libraries.py)"
    # Word splitting is wanted: one argument a package.
    # shellcheck disable=SC2086
    [ -z "$missing" ] || system_install $missing
fi
