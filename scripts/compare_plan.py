"""Says how a plan differs from the design that was accepted before."""

from charscreen.files import write_text
from charscreen.job import job, tell
from charscreen.plan.acceptance import describe_differences, measured_runs, read_plan

with job(snakemake.log[0]):
    params = snakemake.params
    measured = measured_runs(params.design, params.masses, params.cells)
    text = describe_differences(params.design, read_plan(snakemake.input.design), measured)
    write_text(snakemake.output.differences, text + "\n")
    tell(text)
