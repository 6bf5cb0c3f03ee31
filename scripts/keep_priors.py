"""Keeps the fitted yields and scatter of a screen as config/priors.yaml for its next plan."""

import argparse
import sys
from pathlib import Path

from charscreen.plan.keeping import KeepError, keep_priors


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=Path(), help="the screen's folder")
    parser.add_argument(
        "--replace",
        action="store_true",
        help="also over priors that say something else; the old file goes to history/",
    )
    options = parser.parse_args(arguments)
    try:
        done = keep_priors(options.folder, replace=options.replace)
    except KeepError as trouble:
        print(trouble, file=sys.stderr)
        return 1
    print("\n".join(done))
    return 0


if __name__ == "__main__":
    sys.exit(main())
