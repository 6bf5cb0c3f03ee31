"""Turns the weighings of each lot into yields with uncertainty."""

from charscreen.files import to_frame, write_csv
from charscreen.job import job, tell
from charscreen.ledger.chain import compute_yields

with job(snakemake.log[0]):
    params = snakemake.params
    yields = compute_yields(
        to_frame(params.masses),
        to_frame(params.design),
        to_frame(params.feedstocks),
        **params.settings,
    )
    write_csv(yields, snakemake.output.yields)
    if not params.masses:
        tell("No yields yet: masses.csv has no rows that count.")
