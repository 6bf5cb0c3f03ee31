"""Fits the models of electrode capacitance, of resistance times area, and of retention."""

from charscreen.files import read_csv, to_frame
from charscreen.job import job, tell
from charscreen.models.performance import fit_performance_models
from charscreen.models.tables import write_model
from charscreen.words import model_words

with job(snakemake.log[0]):
    params = snakemake.params
    cells = read_csv(snakemake.input.cells)
    for column, values in params.of_cells.items():
        cells[column] = cells["cell"].map(values).astype(object)
    models = fit_performance_models(
        cells,
        read_csv(snakemake.input.test_results),
        to_frame(params.design),
        read_csv(snakemake.input.firings),
        settings={**params.settings, "seed": params.seed},
        feedstocks=to_frame(params.feedstocks),
    )
    for name, model in models.items():
        write_model(model, name, snakemake.output)
    capacitance = models["capacitance"].model
    if not capacitance["fitted"]:
        reason = capacitance["reason"].rstrip(".")
        tell(f"No model of {model_words('capacitance')}: {reason}.")
