"""Inputs made by a fuzzer that follows branches; ends at the first that breaks a rule.

    sh scripts/with_env.sh uv pip install atheris      # Linux, Python 3.11 to 3.13; not in the lock
    sh scripts/with_env.sh python tests/bench/bench_guided_fuzz.py TARGET [-runs=N] [-seed=N]

TARGET is trace, expression or condition; what follows it is for the fuzzer. `bench_fuzz.py` draws
spoilt inputs from good ones by lot; here an input that reaches a new branch is kept and changed
further, so that odd corners are met sooner. The rules are the same (`tests/fuzz_case.py`).
"""

import argparse
import os
import sys
import tempfile
from pathlib import Path

# Before the fuzzer is imported, so that --help needs none.
PARSER = argparse.ArgumentParser(
    description=__doc__.splitlines()[0], epilog="What follows the target is for the fuzzer."
)
PARSER.add_argument("target", choices=("trace", "expression", "condition"))
GIVEN, FOR_FUZZER = PARSER.parse_known_args()

import atheris  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "tests")]
with atheris.instrument_imports(include=["charscreen"]):
    import fuzz_case

FOLDER = Path(tempfile.mkdtemp(dir="/dev/shm" if Path("/dev/shm").is_dir() else None))
SEEDS = {
    "trace": ["time_s,voltage_V,current_A\n0,0.9,-0.005\n1,0.8,-0.005\n2,0.7,-0.005\n"],
    "expression": fuzz_case.EXPRESSIONS,
    "condition": fuzz_case.CONDITIONS,
}


def try_bytes(target: str, data: bytes) -> None:
    """Read one input; an error that leaves the reader ends the fuzzer."""
    if target == "trace":
        if data[:4] == b"PAR1":
            return  # by a process of its own, which this fuzzer does not see into
        fuzz_case.check_trace_text(data, fuzz_case.MAP, FOLDER)
    elif target == "expression":
        fuzz_case.check_expression(data.decode("utf-8", "replace"))
    else:
        fuzz_case.check_condition(data.decode("utf-8", "replace")[:500])


def main() -> None:
    target = GIVEN.target
    kept = FOLDER / "kept"
    kept.mkdir()
    for k, text in enumerate(SEEDS[target]):
        (kept / f"{k}").write_text(text)
    os.chdir(FOLDER)  # the fuzzer writes the input that broke a rule into the working folder
    print(f"inputs that reach new branches are kept in {FOLDER}", flush=True)
    options = ["-runs=100000", "-timeout=5", "-max_len=2000", *FOR_FUZZER]
    atheris.Setup([sys.argv[0], *options, str(kept)], lambda data: try_bytes(target, data))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
