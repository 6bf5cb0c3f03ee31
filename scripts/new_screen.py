"""Lays out an empty screen: settings with comments, every table with its header, a short guide."""

import argparse
import sys
from pathlib import Path

from charscreen.screen.layout import LayoutError, lay_out_screen


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="the folder to lay it out in")
    options = parser.parse_args(arguments)
    try:
        written = lay_out_screen(options.folder)
    except LayoutError as trouble:
        print(trouble, file=sys.stderr)
        return 1
    print(f"An empty screen of {len(written)} files is in {options.folder}.")
    print(f"Fill in config/feedstocks.csv and config/config.yaml; {options.folder}/README.md tells")
    print("what comes next.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
