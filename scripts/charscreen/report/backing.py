"""Sections that back the answer: scatter, findings, methods, provenance, cautions."""

from collections.abc import Mapping

import pandas as pd

from charscreen.cautions import FOOTER, cautions_for
from charscreen.report.blocks import (
    Bullets,
    Definitions,
    Heading,
    Picture,
    Section,
    Text,
    fold_if_long,
)
from charscreen.report.check_tables import effort_sentences
from charscreen.report.figure_text import model_level
from charscreen.report.flags_view import flags_table
from charscreen.report.methods import methods
from charscreen.report.ranking_view import has_scatter
from charscreen.report.tables import (
    findings_tables,
    left_out_table,
    pairs_table,
    scatter_table,
)
from charscreen.report.text import scatter_sentences
from charscreen.report.unfilled_view import NO_FIRINGS, firings_are_empty, unfilled_table
from charscreen.words import first_upper, model_words

TABLE_WORDS = {
    "feedstocks": "feedstocks named",
    "design": "lots and aliquots in the design",
    "firings": "firings done",
    "firing_readings": "kiln temperatures read by hand",
    "masses": "lots weighed",
    "cells": "cells",
    "tests": "tests",
    "readings": "stopwatch readings",
}


def show(pictures: Mapping[str, Picture], name: str) -> list[Picture]:
    """The picture of that name, where there is one."""
    return [pictures[name]] if name in pictures else []


def scatter_section(inputs, pictures, folder) -> Section:
    """Where the scatter comes from."""
    tables = {
        model_words(name): (f"{folder}/fit/{name}_variance.csv", model["variance"])
        for name, model in inputs["models"].items()
        if has_scatter(model.get("variance"))
    }
    if not tables:
        text = (
            "The scatter cannot be divided before a model is fitted; that takes repeats: several "
            "lots of a feedstock in several firings, and two cells of some lots."
        )
        return Section("scatter", "Where the scatter comes from", [Text(text)])
    levels = [model_level(m) for m in inputs["models"].values() if has_scatter(m.get("variance"))]
    blocks: list = [Text(sentence) for sentence in scatter_sentences(inputs["models"])]
    blocks += show(pictures, "scatter")
    blocks.append(scatter_table(tables, level=levels[0]))
    effort = effort_sentences(inputs["models"])
    if effort:
        blocks += [Heading("Where effort is best spent", "effort"), Bullets(effort)]
    return Section("scatter", "Where the scatter comes from", blocks)


def findings_section(inputs, folder) -> Section:
    """What was wrong or doubtful in the tables, and what was left out."""
    blocks: list = []
    counts = inputs.get("counts") or {}
    pairs = [(first_upper(TABLE_WORDS.get(k, k.replace("_", " "))), n) for k, n in counts.items()]
    if pairs:
        blocks.append(
            pairs_table(
                pairs,
                id="table-counts",
                caption="Rows read from the tables in config/",
                headings=("What", "Rows"),
                numbers=True,
            )
        )
    table = unfilled_table(inputs)
    if table is not None:
        blocks.append(table)
    if firings_are_empty(inputs):
        blocks.append(Text(NO_FIRINGS))
    tables = findings_tables(inputs["findings"], file=f"{folder}/collect/findings.csv")
    blocks += [fold_if_long(table, on_paper=True) for table in tables]
    if not tables:
        blocks.append(Text("Nothing impossible, missing or doubtful was found in the tables."))
    if len(inputs["left_out"]):
        table = left_out_table(inputs["left_out"], file=f"{folder}/collect/left_out.csv")
        blocks.append(fold_if_long(table, on_paper=True))
    else:
        blocks.append(Text("No row was left out."))
    flags = flags_table(inputs["test_results"], file=f"{folder}/collect/test_results.csv")
    if flags is not None:
        blocks.append(flags)
    return Section("findings", "Findings, and what was left out", blocks)


def unused_section(inputs) -> Section:
    """Columns that no result rests on."""
    unused = [str(name) for name in inputs.get("unused") or []]
    if not unused:
        return Section("unused", "Columns not used", [Text("Every column given was used.")])
    blocks = [Text("These columns were read and checked but no result rests on them yet:")]
    return Section("unused", "Columns not used", [*blocks, Bullets(unused)])


def methods_section(inputs, config) -> Section:
    """Methods in words, with sources."""
    paragraphs, sources = methods(inputs, config)
    blocks = [Definitions(paragraphs), Heading("Sources", "sources"), Bullets(sources)]
    return Section("methods", "Methods", blocks)


def provenance_section(inputs) -> Section:
    """Versions, seed and hashes."""
    provenance = inputs.get("provenance") or {}
    blocks: list = [
        Text(
            "The same inputs and code give this page byte for byte; so it carries no date. "
            f"Seed: {provenance.get('seed')}. Code (SHA-256): {provenance.get('code')}."
        )
    ]
    versions = provenance.get("versions") or {}
    if versions:
        blocks.append(
            pairs_table(
                versions.items(),
                id="table-versions",
                caption="Versions",
                headings=("Program", "Version"),
            )
        )
    files = provenance.get("inputs") or []
    if files:
        blocks.append(
            fold_if_long(
                pairs_table(
                    files,
                    id="table-inputs",
                    caption="Files read, with the start of their SHA-256",
                    headings=("File", "SHA-256"),
                )
            )
        )
    return Section("provenance", "Provenance", blocks)


def cautions_section(inputs, config) -> Section:
    """What can hurt people, chosen by what the screen does."""
    limits, plan = config.get("limits") or {}, config.get("plan") or {}
    frames = (inputs["yields"], inputs["cells"], inputs["ranking"])
    activated = "KOH" in (plan.get("activation") or []) or any(
        len(frame) and (frame["activation"] == "KOH").any() for frame in frames
    )
    tests = inputs["test_results"]
    upper = pd.Series(dtype=float)
    if "upper_voltage_V" in tests:
        upper = pd.to_numeric(tests["upper_voltage_V"], errors="coerce").dropna()
    cautions = cautions_for(
        carbonise=True,
        activate=activated,
        nitrogen_rich=tuple(inputs.get("nitrogen_rich") or ()),
        handling=True,
        cells=True,
        upper_voltage_V=float(upper.max()) if len(upper) else None,
        koh_warning_C=limits.get("koh_warning_C", 650.0),
        aqueous_voltage_V=limits.get("aqueous_voltage_V", 1.0),
        nitrogen_limit_d_percent=limits.get("nitrogen_d_percent", 2.0),
    )
    blocks = [Definitions([(c.title, c.text) for c in cautions]), Text(FOOTER, "note")]
    return Section("cautions", "Cautions", blocks)
