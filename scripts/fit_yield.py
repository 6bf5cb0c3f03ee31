"""Fits the models of char yield and activation yield."""

from charscreen.files import read_csv, to_frame
from charscreen.job import job, tell
from charscreen.models.tables import write_model
from charscreen.models.yields import fit_yield_models
from charscreen.words import model_words

with job(snakemake.log[0]):
    params = snakemake.params
    models = fit_yield_models(
        read_csv(snakemake.input.yields),
        to_frame(params.design),
        read_csv(snakemake.input.firings),
        settings={**params.settings, "seed": params.seed},
        feedstocks=to_frame(params.feedstocks),
    )
    for name, model in models.items():
        write_model(model, name, snakemake.output)
        if not model.model["fitted"]:
            tell(f"No model of {model_words(name)}: {model.model['reason'].rstrip('.')}.")
