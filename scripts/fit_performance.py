"""Fits the model of electrode capacitance."""

from charscreen.files import read_csv, to_frame
from charscreen.job import job, tell
from charscreen.models.performance import fit_capacitance_model
from charscreen.models.tables import write_model
from charscreen.words import model_words

with job(snakemake.log[0]):
    params = snakemake.params
    cells = read_csv(snakemake.input.cells)
    cells["assembly_batch"] = cells["cell"].map(params.assembly_batches).astype(object)
    model = fit_capacitance_model(
        cells,
        to_frame(params.design),
        read_csv(snakemake.input.firings),
        settings={**params.settings, "seed": params.seed},
    )
    write_model(model, "capacitance", snakemake.output)
    if not model.model["fitted"]:
        reason = model.model["reason"].rstrip(".")
        tell(f"No model of {model_words('capacitance')}: {reason}.")
