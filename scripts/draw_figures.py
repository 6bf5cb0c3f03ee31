"""Draws the figures that cells have a part in, one SVG each."""

from charscreen.files import read_csv
from charscreen.job import job
from charscreen.plots.figures import draw_figures
from charscreen.plots.theme import save_svg
from charscreen.result_set import read_models

with job(snakemake.log[0]):
    given, params = snakemake.input, snakemake.params
    tables = {name: read_csv(given[name]) for name in ("ranking", "yields", "cells")}
    paths = {name.removeprefix("figure_"): path for name, path in snakemake.output.items()}
    figures = draw_figures(
        tables | {"models": read_models(given)},
        merits=params.merits,
        data_are_invented=params.data_are_invented,
        names=params.names,
        only=paths,
    )
    for name, path in paths.items():
        save_svg(figures[name], path)
