"""Writes the shopping list and the calendar of firings, each as a table and as a page."""

from pathlib import Path

from charscreen.files import read_csv, write_csv, write_text
from charscreen.job import job
from charscreen.plan.lists import render_calendar_page, render_shopping_page
from charscreen.plan.shopping import shopping_list
from charscreen.plan.timetable import calendar_of_firings

with job(snakemake.log[0]):
    given, params, made = snakemake.input, snakemake.params, snakemake.output
    design = read_csv(given.design)
    page = {
        "title": params.title,
        "template": Path(given.template).read_text(encoding="utf-8"),
        "style": Path(given.style).read_text(encoding="utf-8"),
        "data_are_invented": params.data_are_invented,
    }
    shopping = shopping_list(
        read_csv(given.lots),
        read_csv(given.cells),
        feedstocks=params.feedstocks,
        plan=params.plan,
        prices=params.prices,
    )
    calendar = calendar_of_firings(design, plan=params.plan, kiln=params.kiln)
    write_csv(shopping, made.shopping)
    write_csv(calendar, made.calendar)
    currency, longest_h = params.prices["currency"], params.plan["longest_day_h"]
    write_text(made.shopping_page, render_shopping_page(shopping, currency=currency, **page))
    write_text(made.calendar_page, render_calendar_page(calendar, longest_day_h=longest_h, **page))
