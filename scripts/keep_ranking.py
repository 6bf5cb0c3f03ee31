"""Keeps the ranking of a screen as a dated snapshot; the report then says what changed since."""

import sys

from charscreen.plan.command import run_command
from charscreen.rank.keeping import keep_ranking


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    return run_command(keep_ranking, about=__doc__, arguments=arguments)


if __name__ == "__main__":
    sys.exit(main())
