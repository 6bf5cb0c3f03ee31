"""Draws the figures of the report, one SVG each."""

from charscreen.files import read_csv
from charscreen.job import job
from charscreen.plots.figures import draw_figures
from charscreen.plots.theme import save_svg
from charscreen.result_set import read_models

with job(snakemake.log[0]):
    given, params = snakemake.input, snakemake.params
    tables = {name: read_csv(given[name]) for name in ("ranking", "yields", "cells")}
    figures = draw_figures(
        tables | {"models": read_models(given)},
        merits=params.merits,
        invented=params.invented,
        names=params.names,
    )
    for name, path in snakemake.output.items():
        save_svg(figures[name.removeprefix("figure_")], path)
