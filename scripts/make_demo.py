"""Writes the invented demo screen (config/) and its known truth, the same for the same seed."""

import argparse
import sys
from pathlib import Path

from charscreen.demo.write import NotTheDemo, write_demo

ROOT = Path(__file__).resolve().parent.parent


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=2040, help="seed of all invented numbers")
    parser.add_argument(
        "--folder", type=Path, default=ROOT, help="screen to write; the repository by default"
    )
    parser.add_argument(
        "--truth",
        type=Path,
        help="where the known truth goes: tests/reference/demo_truth.json for the repository's "
        "own demo, otherwise demo_truth.json in the folder",
    )
    options = parser.parse_args(arguments)
    is_own = options.folder.resolve() == ROOT
    own_truth = ROOT / "tests" / "reference" / "demo_truth.json"
    truth = options.truth or (own_truth if is_own else options.folder / "demo_truth.json")
    try:
        count = write_demo(seed=options.seed, folder=options.folder, truth_file=truth)
    except NotTheDemo as trouble:
        print(trouble, file=sys.stderr)
        return 1
    print(f"Invented demo screen from seed {options.seed}: {count} files in {options.folder}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
