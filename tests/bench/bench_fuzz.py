"""Spoilt inputs for every reader: how many were tried, how many broke a rule.

    sh scripts/with_env.sh python tests/bench/bench_fuzz.py [OPTION ...] [TARGET ...]

100,000 of each kind unless told otherwise (hours for none, about an hour for all on one core);
`--most-s` ends each kind after so many seconds, `--first` begins at another input. An input is
drawn from its number alone, so `tests/unit/test_fuzz.py` can take it up by that. Rules: no error
but those for the user, no hang over five seconds, no number that does not stand in the file.
"""

import argparse
import collections
import sys
import tempfile
import time
import traceback
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "tests")]

from fuzz_case import TARGETS, try_one  # noqa: E402

SHOWN = 3


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--most-s", type=float, default=float("inf"))
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(TARGETS))
    given = parser.parse_args()
    shared = Path("/dev/shm")
    n_broken = 0
    with tempfile.TemporaryDirectory(dir=shared if shared.is_dir() else None) as folder:
        for target in given.targets or TARGETS:
            start, slowest, broken = time.monotonic(), 0.0, collections.Counter()
            n = given.first
            while n < given.first + given.inputs and time.monotonic() - start < given.most_s:
                before = time.monotonic()
                try:
                    try_one(target, n, Path(folder))
                except (KeyboardInterrupt, SystemExit):
                    raise
                except BaseException as error:
                    place = traceback.extract_tb(error.__traceback__)[-1]
                    kind = f"{type(error).__name__} at {Path(place.filename).name}:{place.lineno}"
                    broken[kind] += 1
                    if broken[kind] <= SHOWN:
                        print(f"  {target}, input {n}: {kind}: {str(error)[:300]}", flush=True)
                slowest = max(slowest, time.monotonic() - before)
                n += 1
            tried = n - given.first
            spent = (time.monotonic() - start) / max(tried, 1)
            n_broken += broken.total()
            print(
                f"{target}: {tried} inputs from {given.first} on, {broken.total()} broke a rule; "
                f"{1000 * spent:.2f} ms each, slowest {slowest:.2f} s",
                flush=True,
            )
    return int(n_broken > 0)


if __name__ == "__main__":
    sys.exit(main())
