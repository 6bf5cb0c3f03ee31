"""Fits the model of device farads per kg of dry feed."""

from charscreen.files import read_csv, to_frame
from charscreen.job import job
from charscreen.models.device import fit_device_model
from charscreen.models.tables import write_model

with job(snakemake.log[0]):
    params = snakemake.params
    model = fit_device_model(
        read_csv(snakemake.input.yields),
        read_csv(snakemake.input.cells),
        to_frame(params.design),
        read_csv(snakemake.input.firings),
        settings={**params.settings, "seed": params.seed},
    )
    write_model(model, "device_farads", snakemake.output)
