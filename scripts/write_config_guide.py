"""Writes config/README.md from the schemas: every key and every column with unit and limits."""

import argparse
import sys
from pathlib import Path

from charscreen.files import write_text
from charscreen.screen.config_guide import render_guide

ROOT = Path(__file__).resolve().parent.parent


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--file", type=Path, default=ROOT / "config" / "README.md", help="where to write it"
    )
    options = parser.parse_args(arguments)
    write_text(options.file, render_guide())
    print(f"Written: {options.file}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
