# shellcheck shell=bash
# Read by contrib/check and contrib/try: makes the .venv of this checkout from a lock: each package
# is the version and the file, by its SHA-256, that contrib/lock wrote down.

ROOT="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd -P)"
VENV="$ROOT/.venv"
export LC_ALL=C.UTF-8 PIP_ROOT_USER_ACTION=ignore PIP_DISABLE_PIP_VERSION_CHECK=1
# The caller's own Python must not reach into ours; and ours keeps what it compiled: the tests start it hundreds of times.
unset PYTHONPATH PYTHONHOME VIRTUAL_ENV PYTHONDONTWRITEBYTECODE
# Ordinary users rarely have the folders of snmpd, ip and nft in their path.
PATH="$PATH:/usr/local/sbin:/usr/sbin:/sbin"
if [[ ! -w "${HOME:-/nowhere}" ]]; then
    HOME="$(mktemp -d)"
    export HOME
fi

say() { printf '%s\n' "$*" >&2; }

fail() {
    say "${0##*/}: $*"
    exit 1
}

# need_packages "PACKAGE: REASON"... : Debian packages, installed if this is root on a Debian system, else named in an error.
need_packages() {
    local names="${*%%:*}"
    [[ $EUID -eq 0 ]] && command -v apt-get >/dev/null || fail "these packages are missing, and only root can install them: $names"
    say "installing Debian packages:"
    say "$(printf '  %s\n' "$@")"
    export DEBIAN_FRONTEND=noninteractive
    apt-get update -qq >&2 || fail "apt-get update failed; install these by hand: $names"
    # shellcheck disable=SC2086 # one word for each
    apt-get install -y -qq --no-install-recommends $names </dev/null >&2 || fail "could not install: $names"
}

find_python() {
    local name
    for name in ${PYTHON:+"$PYTHON"} python3 python3.14 python3.13 python3.12 python3.11; do
        if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$name"
            return
        fi
    done
    fail "Python 3.11 or newer is needed and none was found; set PYTHON to one"
}

# with_uv PYTHON LOCK... and with_pip PYTHON LOCK...
with_uv() {
    local python="$1"
    shift
    uv venv --quiet --clear --python "$python" "$VENV" &&
        uv pip install --quiet --python "$VENV/bin/python" --require-hashes "${@/#/--requirement=}" &&
        uv pip install --quiet --python "$VENV/bin/python" --no-build-isolation --no-deps --editable "$ROOT"
}

with_pip() {
    local python="$1"
    shift
    if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
        [[ "$(command -v "$python")" -ef /usr/bin/python3 ]] || fail "$python has no venv and ensurepip; set PYTHON to one that has"
        need_packages "python3-venv: Debian's Python can't make a virtual environment without it"
    fi
    "$python" -m venv --clear "$VENV" &&
        "$VENV/bin/python" -m pip install --quiet --require-hashes "${@/#/--requirement=}" &&
        "$VENV/bin/python" -m pip install --quiet --no-build-isolation --no-deps --editable "$ROOT"
}

# compiling OPTION... : contrib/compiling for this checkout, by the Python of its .venv.
compiling() {
    (cd "$ROOT" && PYTHONPATH=daemon "$VENV/bin/python" -m contrib.compiling "$@")
}

clean_compiled() {
    find "$ROOT/daemon" -name '*.so' -delete
    rm -f "$ROOT/daemon/pagereeve/compiled.json"
}

# make_environment runtime|dev : the .venv; modules that were compiled and then changed run as plain Python again.
make_environment() {
    make_venv "$1"
    [[ -z "$(find "$ROOT/daemon" -name '*.so' -print -quit)" ]] || compiling --clean-changed
}

# make_venv runtime|dev : does nothing if the .venv was made here from the same locks; dev serves as runtime too.
make_venv() {
    local locks=("$ROOT/contrib/requirements.lock") stamp="$VENV/made-from" python sums
    [[ $1 == dev ]] || locks=("$ROOT"/contrib/requirements-{runtime,build}.lock)
    python="$(find_python)" || exit 1
    sums="$("$python" --version) $ROOT $(cd "$ROOT" && cat contrib/*.lock pyproject.toml | sha256sum)"
    if [[ -x "$VENV/bin/python" && -f "$stamp" ]] && "$VENV/bin/python" -c 'import pagereeve' 2>/dev/null; then
        [[ "$(<"$stamp")" == "dev $sums" || "$(<"$stamp")" == "$1 $sums" ]] && return
    fi
    say "making $VENV ($1, $("$python" --version))"
    if command -v uv >/dev/null && with_uv "$python" "${locks[@]}"; then
        :
    else
        with_pip "$python" "${locks[@]}" || fail "could not make $VENV from ${locks[*]}; is the package index reachable?"
    fi
    printf '%s\n' "$1 $sums" >"$stamp"
}
