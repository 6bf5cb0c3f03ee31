"""Lays the rankings of two or more screens beside each other, over a shared reference if any."""

import argparse
import sys
from pathlib import Path

from charscreen.compare.command import compare_folders
from charscreen.findings import UserError


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+", help="folders of the screens, two or more")
    parser.add_argument("--merit", help="what to compare by; else the first all screens rank by")
    parser.add_argument("--reference", help="feedstock that stands for 1 in each screen")
    parser.add_argument(
        "--output", type=Path, default=Path("side_by_side"), help="folder for page and table"
    )
    options = parser.parse_args(arguments)
    try:
        print(
            compare_folders(
                options.folders,
                options.output,
                merit=options.merit,
                reference=options.reference,
            )
        )
    except UserError as trouble:
        print(trouble, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
