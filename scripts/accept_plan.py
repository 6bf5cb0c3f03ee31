"""Takes the plan of a screen over as its design: results/plan/design.csv to config/design.csv."""

import sys

from charscreen.plan.acceptance import accept_plan
from charscreen.plan.command import run_command


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    return run_command(
        accept_plan,
        about=__doc__,
        replace_help="also where unmeasured lots change or vanish; the old file goes to history/",
        arguments=arguments,
    )


if __name__ == "__main__":
    sys.exit(main())
