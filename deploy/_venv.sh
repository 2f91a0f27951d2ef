# Read by deploy/start, deploy/check, deploy/bench and deploy/audit; not run by itself. POSIX sh.
#
#   make_venv run|test    makes or reuses the virtual environment and sets $venv
#
# `run` is what the program needs, `test` adds the test extra. Both live in one environment, .venv in the
# checkout, or where CUREWATCH_VENV says. A stamp in it holds the checksum of all that decides its contents, so
# a second run installs nothing. What these scripts say goes to standard error: standard output is the program's.

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P) || exit 1
venv=${CUREWATCH_VENV:-$root/.venv}
case $venv in /*) ;; *) venv=$PWD/$venv ;; esac

# A PYTHONHOME meant for another Python, or a pip set to install for the user, would break any environment.
# One oracle of the tests comes as source only; older pips would build it in a way that is being abolished.
unset PYTHONHOME
export PIP_USE_PEP517=1
export PIP_USER=0 PIP_ROOT_USER_ACTION=ignore PIP_DISABLE_PIP_VERSION_CHECK=1

say() { printf '%s\n' "$*" >&2; }
die() { say "$@"; exit 1; }

# Nothing that is compiled comes for 32 bits, and numpy would take hours to build.
new_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11) or sys.maxsize < 2**32)' >/dev/null 2>&1; }

# Sets $python to the first usable one: $PYTHON if given (and then no other), else what the path offers.
find_python() {
    if [ -n "${PYTHON:-}" ]; then
        new_enough "$PYTHON" || die "PYTHON is set to '$PYTHON', which is no Python of 64 bits from 3.11 on."
        python=$PYTHON
        return
    fi
    for python in python3 python3.14 python3.13 python3.12 python3.11; do
        if command -v "$python" >/dev/null && new_enough "$python"; then return; fi
    done
    die "curewatch needs Python 3.11 or newer, of 64 bits; found: $(python3 --version 2>/dev/null || echo 'no Python at all')." \
        "Install one (Debian 12 and later: apt-get install python3 python3-venv), or set PYTHON to its path."
}

venv_works() { [ -x "$venv/bin/python" ] && new_enough "$venv/bin/python" && "$venv/bin/python" -m pip --version >/dev/null 2>&1; }

create_venv() {
    find_python
    # `ensurepip` is what Debian splits off; without it `venv` fails half-way and leaves a broken folder.
    if ! "$python" -c 'import venv, ensurepip' 2>/dev/null; then
        version=$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
        die "$python has no venv module, so no virtual environment can be made." \
            "On Debian or Ubuntu: apt-get install python$version-venv (or python3-venv)."
    fi
    if [ -e "$venv" ] && [ ! -e "$venv/pyvenv.cfg" ] && [ -n "$(ls -A "$venv" 2>/dev/null)" ]; then
        die "$venv exists and is no virtual environment: it is left alone. Move it, or set CUREWATCH_VENV to another folder."
    fi
    say "Making a virtual environment in $venv"
    "$python" -m venv --clear "$venv" || die "No virtual environment could be made in $venv."
}

# All that decides what must be installed: what is asked for, for which checkout, in which environment.
fingerprint() {
    {
        cat "$root/pyproject.toml" "$root/deploy/constraints.txt" "$root/curewatch/physics/solver/kernel.c" &&
            printf '%s\n' "$root" "$venv" "$(command -v cc)"
    } | cksum
}

# The part of constraints.txt that is there to run it, or that a `test` needs besides.
pins() {
    awk -v level="$1" '/^# To fuzz it/ { exit } /^# To check it/ { part = 1 } (level == "test") == (part == 1) { print }' \
        "$root/deploy/constraints.txt"
}

# Only the very files that the list names, the build backend among them.
install_pins() {
    pins "$1" >"$venv/.curewatch-pins-$1" &&
        "$venv/bin/python" -m pip install --quiet --no-deps --require-hashes --requirement "$venv/.curewatch-pins-$1"
}

install_into_venv() {
    level=$1
    what=
    [ "$level" = run ] || what=' and what its tests need'
    say "Installing curewatch$what into $venv: once, some minutes on a slow link"
    # Both lists at once, since each keeps one core busy unpacking; then the checkout itself, which has no hash.
    [ "$level" = run ] || { install_pins test & besides=$!; }
    install_pins run
    failed=$?
    [ "$level" = run ] || wait "$besides" || failed=$?
    [ "$failed" = 0 ] &&
        "$venv/bin/python" -m pip install --quiet --no-deps --no-build-isolation --editable "$root" &&
        "$venv/bin/python" -m pip check >&2 ||
        die "The installation did not finish: see pip's message above." \
            "If the network was away, or pip must be told of a proxy, mend that and run this again: it goes on from here."
}

make_venv() {
    level=$1
    wanted=$(fingerprint) || die "pyproject.toml or deploy/constraints.txt cannot be read in $root."
    if venv_works; then
        [ "$(cat "$venv/.curewatch-$level" 2>/dev/null)" = "$wanted" ] && return
    fi
    for folder in "$root" "$venv"; do
        if [ -e "$folder" ] && [ ! -w "$folder" ]; then
            die "$folder cannot be written by $(id -un). Use a checkout of your own, or run this as the owner."
        fi
    done
    venv_works || create_venv
    # Gone while the contents are in doubt; written last, so that a broken-off installation is done again.
    rm -f "$venv/.curewatch-run" "$venv/.curewatch-test"
    case $level in
        run) install_into_venv run ;;
        test) install_into_venv test && printf '%s\n' "$wanted" >"$venv/.curewatch-test" ;;
    esac
    printf '%s\n' "$wanted" >"$venv/.curewatch-run"
}
