"""Fits the models of char yield and activation yield."""

from charscreen.files import read_csv, to_frame
from charscreen.job import job
from charscreen.models.tables import write_model
from charscreen.models.yields import fit_yield_models

with job(snakemake.log[0]):
    params = snakemake.params
    models = fit_yield_models(
        read_csv(snakemake.input.yields),
        to_frame(params.design),
        to_frame(params.firings),
        settings={**params.settings, "seed": params.seed},
        feedstocks=to_frame(params.feedstocks),
    )
    for name, model in models.items():
        write_model(model, name, snakemake.output)
