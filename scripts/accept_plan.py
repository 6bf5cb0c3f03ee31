"""Takes the plan of a screen over as its design: results/plan/design.csv to config/design.csv."""

import argparse
import sys
from pathlib import Path

from charscreen.plan.acceptance import AcceptError, accept_plan


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=Path(), help="the screen's folder")
    parser.add_argument(
        "--replace",
        action="store_true",
        help="also where lots not measured yet change or vanish; the old file goes to history/",
    )
    options = parser.parse_args(arguments)
    try:
        done = accept_plan(options.folder, replace=options.replace)
    except AcceptError as trouble:
        print(trouble, file=sys.stderr)
        return 1
    print("\n".join(done))
    return 0


if __name__ == "__main__":
    sys.exit(main())
