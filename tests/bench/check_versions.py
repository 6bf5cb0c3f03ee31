"""Run the tests with the oldest versions allowed and with the newest. By hand; about ten minutes.

    sh scripts/with_env.sh python tests/bench/check_versions.py [oldest] [newest] [TESTS ...]

Makes one environment for each, outside the screen, from the bounds of pyproject.toml: `oldest`
takes the lowest version each need allows (what those need in turn is taken new), `newest` the
highest. Then runs tests/unit and tests/reference in each, or the tests named. Prints the versions
of what we need and the end of each run; ends with 1 where any test fails. What holds the lock file
itself is left out: see `BOUND`.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SETS = {"oldest": "lowest-direct", "newest": "highest"}
BOUND = ("tests/unit/test_environment.py",)


def names_needed() -> list[str]:
    """Names of what pyproject.toml lists."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    lines = project["project"]["dependencies"] + project["dependency-groups"]["test"]
    return [line.partition(">")[0] for line in lines]


def make_environment(folder: Path, resolution: str) -> Path:
    """The interpreter of a new environment with one set of versions."""
    versions = folder / "versions.txt"
    compile_ = ["uv", "pip", "compile", "pyproject.toml", "--group", "test", "--no-header"]
    python = f"{sys.version_info[0]}.{sys.version_info[1]}"
    chosen = ["--resolution", resolution, "--python-version", python, "--quiet"]
    subprocess.run([*compile_, *chosen, "-o", versions], cwd=ROOT, check=True)
    venv = folder / "venv"
    subprocess.run(["uv", "venv", "--quiet", "--python", sys.executable, venv], check=True)
    env = os.environ | {"VIRTUAL_ENV": str(venv)}
    sync = ["uv", "pip", "sync", "--quiet", "--compile-bytecode", versions]
    subprocess.run(sync, env=env, check=True)
    pinned = [line.split()[0] for line in versions.read_text().splitlines() if "==" in line]
    needed = set(names_needed())
    print("  " + ", ".join(pin for pin in pinned if pin.partition("==")[0] in needed), flush=True)
    return venv / "bin" / "python"


def run_tests(python: Path, tests: list[str]) -> int:
    """Exit status of the tests in one environment; the end of what they say is printed."""
    cache = python.parent.parent / "cache"
    path = f"{python.parent}{os.pathsep}{os.environ['PATH']}"
    env = os.environ | {"PATH": path, "VIRTUAL_ENV": str(python.parents[1])}
    env |= {"OPENBLAS_NUM_THREADS": "1", "XDG_CACHE_HOME": str(cache), "MPLBACKEND": "agg"}
    left_out = [f"--deselect={name}" for name in BOUND]
    command = [python, "-m", "pytest", "-p", "no:cacheprovider", "--tb=short", *left_out, *tests]
    done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True)
    print("\n".join(done.stdout.splitlines()[-200:]), done.stderr[-2000:], flush=True)
    return done.returncode


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("words", nargs="*", metavar="WORD", help="oldest, newest, or tests to run")
    words = parser.parse_args().words
    chosen = [word for word in words if word in SETS] or list(SETS)
    tests = [word for word in words if word not in SETS] or ["tests/unit", "tests/reference"]
    failed = []
    for name in chosen:
        print(f"{name} versions:", flush=True)
        with tempfile.TemporaryDirectory(prefix="charscreen-versions-") as folder:
            if run_tests(make_environment(Path(folder), SETS[name]), tests):
                failed.append(name)
    print(f"failed with the {' and the '.join(failed)} versions" if failed else "all passed")
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
