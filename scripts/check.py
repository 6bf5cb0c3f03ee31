"""Prints what the check of the tables found."""

from charscreen.job import job

with job(snakemake.log[0]) as log:
    log.info("%s", snakemake.params.text)
    print(snakemake.params.text, flush=True)
