"""The report: one HTML page that needs nothing beside itself."""

import base64
import hashlib
import re
from collections.abc import Mapping
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from charscreen import __version__
from charscreen.report.blocks import Picture
from charscreen.report.figure_text import captions
from charscreen.report.model_view import view_of_models
from charscreen.report.ranking_tables import RANKING_TOP, ranking_strips
from charscreen.report.sections import make_sections
from charscreen.report.svg import svg_for_page
from charscreen.report.traces import traces_section

UNITS = r"(?:%|°C|min\b|F/g|F/kg|g/kg|Ω|lots?\b|cells?\b|firings?\b)"
TEMPLATES = Path(__file__).resolve().parents[3] / "workflow" / "templates"


def render_report(
    inputs: Mapping,
    *,
    config: Mapping,
    figures: Mapping[str, str],
    sheets: Mapping[str, tuple[str, str]] | None = None,
    templates: Path = TEMPLATES,
) -> str:
    """The whole report as HTML text.

    Parameters
    ----------
    inputs : mapping
        Result tables as DataFrames: ``ranking``, ``yields``, ``firings``, ``cells``,
        ``test_results``, ``findings``, ``left_out`` (each with its columns, rows or not);
        ``rank_summary`` (dict); ``models``: name to a mapping with the DataFrames ``effects``,
        ``variance``, ``means``, ``residuals`` and the dict ``json``; ``unused``: list of str;
        ``counts``: rows per table; ``provenance``: ``versions`` (dict), ``seed``, ``inputs``
        (pairs of path and hash), ``code`` (hash). May hold ``feedstock_names`` (id to name),
        ``moistures`` (id to the stated moisture [% as received] or None),
        ``nitrogen_rich`` (names of feeds above the nitrogen limit),
        ``unfilled`` (ids by kind as from `charscreen.screen.unfilled.unfilled`).
    config : mapping
        Settings: title, question, data_are_invented, results, merits, ranking, capacitance,
        limits, plan, seed.
    figures : mapping of str to str
        SVG text by name, as drawn by `charscreen.plots.figures.draw_figures`; figures of sections
        without data are not shown.
    sheets : mapping, optional
        Firing to the file and the SVG text of its sheet of traces, as drawn by
        `charscreen.trace_sheets.draw_sheets`.
    templates : path
        Folder of report.html.jinja, report.css and report.js.

    Returns
    -------
    str
        HTML with styles, figures and the script that sorts tables inside; the same inputs give
        the same text.
    """
    folder = str(config.get("results", "results"))
    inputs = {**inputs, "models": view_of_models(inputs["models"])}
    strips = {
        f"ranking_{merit}": ranking_strips(
            inputs["ranking"], merit, names=inputs.get("feedstock_names"), top=RANKING_TOP
        )
        for merit in config["merits"]
    }
    pictures = {
        name: Picture(
            name=name,
            svg=Markup(svg_for_page(figures[name], prefix=name, label=alt)),
            caption=caption,
            file=f"{folder}/figures/{name}.svg",
            strips=strips.get(name),
        )
        for name, (caption, alt) in captions(inputs, config).items()
        if name in figures
    }
    sections = make_sections(inputs, config, pictures)
    taken = sum(len(picture.svg) for picture in pictures.values())
    return render_page(
        title=config["title"],
        question=config.get("question") or "",
        data_are_invented=bool(config.get("data_are_invented")),
        sections=[*sections, traces_section(sheets or {}, taken=taken)],
        templates=templates,
    )


def render_page(
    *,
    title: str,
    question: str,
    data_are_invented: bool,
    sections: list,
    templates: Path = TEMPLATES,
) -> str:
    """A page of our own look from sections of blocks (`charscreen.report.blocks`), as HTML text.

    Parameters
    ----------
    title, question : str
        On top of the page.
    data_are_invented : bool
        Marks the page where its data are invented.
    sections : list of Section
        In order.
    templates : path
        Folder of report.html.jinja, report.css and report.js.
    """
    environment = Environment(
        loader=FileSystemLoader(templates),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=False,
        keep_trailing_newline=True,
    )
    environment.filters["tidy"] = tidy
    script = (Path(templates) / "report.js").read_text(encoding="utf-8")
    # The page runs this script and no other, whatever stands in the tables.
    digest = hashlib.sha256(script.encode("utf-8")).digest()
    return environment.get_template("report.html.jinja").render(
        title=title,
        question=question,
        data_are_invented=data_are_invented,
        title_says_so="invented" in str(title).lower(),
        sections=sections,
        css=Markup((Path(templates) / "report.css").read_text(encoding="utf-8")),
        version=__version__,
        script=Markup(script),
        script_hash=f"sha256-{base64.b64encode(digest).decode()}",
    )


def tidy(text: object) -> str:
    """Text whose numbers stay on one line with their units."""
    text = re.sub(r"\bn = (?=\d)", "n\N{NO-BREAK SPACE}=\N{NO-BREAK SPACE}", str(text))
    text = re.sub(rf"(?<=\d) (?={UNITS})", "\N{NO-BREAK SPACE}", text)
    text = re.sub(r"\bKOH (?=\d)", "KOH\N{NO-BREAK SPACE}", text)
    text = re.sub(r"(?<=\d) ± (?=\d)", "\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}", text)
    return re.sub(r"(?<=\d) : (?=\d)", "\N{NO-BREAK SPACE}:\N{NO-BREAK SPACE}", text)
