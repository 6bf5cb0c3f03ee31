"""Fits the model of retention over cycles."""

from charscreen.files import read_csv, to_frame
from charscreen.job import job
from charscreen.models.performance import fit_retention_model
from charscreen.models.tables import write_model

with job(snakemake.log[0]):
    params = snakemake.params
    cells = read_csv(snakemake.input.cells)
    cells["assembly_batch"] = cells["cell"].map(params.assembly_batches).astype(object)
    model = fit_retention_model(
        cells,
        read_csv(snakemake.input.test_results),
        to_frame(params.design),
        read_csv(snakemake.input.firings),
        settings={**params.settings, "seed": params.seed},
    )
    write_model(model, "retention", snakemake.output)
