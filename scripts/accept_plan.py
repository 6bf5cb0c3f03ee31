"""Takes the plan of a screen over as its design: results/plan/design.csv to config/design.csv.

With --next it adds the proposed firing instead: the rows of results/next/design.csv.
"""

import sys

from charscreen.plan.acceptance import accept_plan
from charscreen.plan.adding import accept_next
from charscreen.plan.command import run_command


def accept(folder: str, *, replace: bool, **flags: bool) -> list[str]:
    """Take over the plan, or add the proposed firing."""
    return accept_next(folder) if flags["next"] else accept_plan(folder, replace=replace)


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    return run_command(
        accept,
        about=__doc__,
        replace_help="also where unmeasured lots change or vanish; the old file goes to history/",
        flags={"next": "add the rows of the proposed firing; rows that are there stay as they are"},
        arguments=arguments,
    )


if __name__ == "__main__":
    sys.exit(main())
