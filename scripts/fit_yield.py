"""Fits the models of char yield, activation yield, and finished carbon per kg of dry feed."""

from charscreen.files import read_csv, to_frame
from charscreen.job import job, tell
from charscreen.models.tables import write_model
from charscreen.models.yields import fit_overall_yield_model, fit_yield_models
from charscreen.words import model_words

with job(snakemake.log[0]):
    params = snakemake.params
    given = (
        read_csv(snakemake.input.yields),
        to_frame(params.design),
        read_csv(snakemake.input.firings),
    )
    settings = {**params.settings, "seed": params.seed}
    feedstocks = to_frame(params.feedstocks)
    models = fit_yield_models(*given, settings=settings, feedstocks=feedstocks)
    for name, model in models.items():
        if not model.model["fitted"]:
            tell(f"No model of {model_words(name)}: {model.model['reason'].rstrip('.')}.")
    overall = fit_overall_yield_model(*given, settings=settings, feedstocks=feedstocks)
    for name, model in {**models, "overall_yield": overall}.items():
        write_model(model, name, snakemake.output)
