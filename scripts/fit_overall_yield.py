"""Fits the model of finished carbon per kg of dry feed."""

from charscreen.files import read_csv, to_frame
from charscreen.job import job
from charscreen.models.tables import write_model
from charscreen.models.yields import fit_overall_yield_model

with job(snakemake.log[0]):
    params = snakemake.params
    model = fit_overall_yield_model(
        read_csv(snakemake.input.yields),
        to_frame(params.design),
        read_csv(snakemake.input.firings),
        settings={**params.settings, "seed": params.seed},
        feedstocks=to_frame(params.feedstocks),
    )
    write_model(model, "overall_yield", snakemake.output)
