"""Fits the model of series resistance times area."""

from charscreen.files import read_csv, to_frame
from charscreen.job import job
from charscreen.models.performance import fit_resistance_model
from charscreen.models.tables import write_model

with job(snakemake.log[0]):
    params = snakemake.params
    cells = read_csv(snakemake.input.cells)
    cells["assembly_batch"] = cells["cell"].map(params.assembly_batches).astype(object)
    model = fit_resistance_model(
        cells,
        to_frame(params.design),
        read_csv(snakemake.input.firings),
        settings={**params.settings, "seed": params.seed},
    )
    write_model(model, "esr_area", snakemake.output)
