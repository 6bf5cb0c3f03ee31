"""Keeps the fitted yields and scatter of a screen as config/priors.yaml for its next plan."""

import sys

from charscreen.plan.command import run_command
from charscreen.plan.keeping import keep_priors


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    return run_command(
        keep_priors,
        about=__doc__,
        replace_help="also over priors that say something else; the old file goes to history/",
        arguments=arguments,
    )


if __name__ == "__main__":
    sys.exit(main())
