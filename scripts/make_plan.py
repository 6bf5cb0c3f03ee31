"""Lays out firings, lots and feed to weigh."""

import os

# Before linear algebra starts: many small matrices gain nothing from its threads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from charscreen.files import write_csv, write_json
from charscreen.job import job, tell
from charscreen.plan.make import make_plan
from charscreen.plan.summary import plan_for_terminal
from charscreen.time_left import Progress


def main(snakemake) -> None:
    """The whole rule."""
    with job(snakemake.log[0]):
        params = snakemake.params
        plan = make_plan(
            params.feedstocks,
            **params.settings,
            workers=snakemake.threads,
            progress=Progress(tell, "Laying out the plan"),
        )
        write_csv(plan.design, snakemake.output.design)
        write_csv(plan.lots, snakemake.output.lots)
        write_csv(plan.cells, snakemake.output.cells)
        write_json(plan.summary, snakemake.output.summary)
        tell(plan_for_terminal(plan.summary))


# The processes of the search read this file too and must not lay out a plan of their own.
if __name__ == "__main__":
    main(snakemake)
