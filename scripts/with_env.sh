#!/bin/sh
# with_env.sh COMMAND [ARGUMENT ...]
# Runs a command in the project's own environment, with the default profile of the workflow set.
# The environment (.venv beside the Snakefile) is made on the first call and refreshed when the
# lock file has changed; nothing is installed outside it.
set -eu

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
lock=$root/workflow/envs/requirements.txt
venv=$root/.venv
stamp=$venv/lock-installed.txt

say() { printf 'charscreen: %s\n' "$*" >&2; }

if [ $# -eq 0 ]; then
    say "say what to run, for example: sh scripts/with_env.sh snakemake"
    exit 2
fi

# The first of these that is 3.11 or newer; PYTHON=/path/to/python3 chooses another.
find_python() {
    for candidate in ${PYTHON:-python3 python3.13 python3.12 python3.11}; do
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$candidate"
            return 0
        fi
    done
    return 1
}

install_locked() {
    python=$(find_python) || {
        say "Python 3.11 or newer is needed and was not found. On Debian: apt-get install python3 python3-venv"
        exit 1
    }
    "$python" -c 'import ensurepip, venv' 2>/dev/null || {
        say "$python lacks its venv module. On Debian: apt-get install python3-venv"
        exit 1
    }
    say "setting up .venv from the lock file (about half a minute, once)"
    rm -rf "$venv"
    "$python" -m venv "$venv"
    # uv is several times faster than pip; its own hash stands in the same lock file.
    awk '/^uv==/ { keep = 1 } /^[a-z]/ && !/^uv==/ { keep = 0 } keep && !/^ *#/' "$lock" >"$venv/uv.txt"
    if "$venv/bin/python" -m pip install --quiet --disable-pip-version-check \
        --require-hashes --no-deps -r "$venv/uv.txt" 2>"$venv/uv.log"; then
        VIRTUAL_ENV=$venv "$venv/bin/uv" pip sync --quiet --require-hashes --compile-bytecode "$lock"
    else
        say "uv is not to be had here; pip installs instead (slower)"
        "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --require-hashes -r "$lock"
        "$venv/bin/python" -m compileall -q "$venv/lib" >/dev/null || true
    fi
    cp "$lock" "$stamp"
}

# Where the home folder cannot be written, the installers keep their downloads here as well.
if [ ! -w "${HOME:-/nonexistent}" ]; then
    HOME=$root/.snakemake/home
    mkdir -p "$HOME"
    export HOME
fi

if ! cmp -s "$lock" "$stamp" 2>/dev/null; then
    # One set-up at a time; a second caller waits for the first to finish.
    if command -v flock >/dev/null 2>&1; then
        exec 9>"$root/.venv.lock"
        flock 9
        cmp -s "$lock" "$stamp" 2>/dev/null || install_locked
        exec 9>&-
        rm -f "$root/.venv.lock"
    else
        install_locked
    fi
fi

PATH=$venv/bin:$PATH
VIRTUAL_ENV=$venv
SNAKEMAKE_PROFILE=${SNAKEMAKE_PROFILE:-$root/workflow/profiles/default}
XDG_CACHE_HOME=${XDG_CACHE_HOME:-$venv/cache}
# The package that words the progress of a run; the profile names it.
PYTHONPATH=$root/workflow/progress${PYTHONPATH:+:$PYTHONPATH}
export PATH VIRTUAL_ENV SNAKEMAKE_PROFILE XDG_CACHE_HOME PYTHONPATH
unset PYTHONHOME PYTHONDONTWRITEBYTECODE
exec "$@"
