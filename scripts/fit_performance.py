"""Fits the model of electrode capacitance."""

from charscreen.files import read_csv, to_frame
from charscreen.job import job, tell
from charscreen.models.performance import fit_capacitance_model
from charscreen.models.tables import write_model
from charscreen.words import model_words

with job(snakemake.log[0]):
    params = snakemake.params
    model = fit_capacitance_model(
        read_csv(snakemake.input.cells),
        to_frame(params.design),
        read_csv(snakemake.input.firings),
        settings={**params.settings, "seed": params.seed},
    )
    write_model(model, "capacitance", snakemake.output)
    if not model.model["fitted"]:
        reason = model.model["reason"].rstrip(".")
        tell(f"No model of {model_words('capacitance')}: {reason}.")
