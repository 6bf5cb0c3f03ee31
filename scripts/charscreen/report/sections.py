"""Sections of the report, in the order a group reads them; each says so where data are missing."""

from collections.abc import Mapping

import pandas as pd

from charscreen.report.backing import (
    cautions_section,
    findings_section,
    methods_section,
    provenance_section,
    scatter_section,
    show,
    unused_section,
)
from charscreen.report.blocks import (
    Bullets,
    Heading,
    Picture,
    Pointers,
    Section,
    Text,
    fold_if_long,
)
from charscreen.report.changes_view import changes_section, choice_sentence
from charscreen.report.checks_view import checks_section
from charscreen.report.choice_view import not_told_apart, several_merits, two_views
from charscreen.report.figure_text import model_level
from charscreen.report.firings import firings_blocks
from charscreen.report.flags_view import count_flagged
from charscreen.report.headline import answer, by_other_merits
from charscreen.report.model_view import record_of
from charscreen.report.next_view import next_section
from charscreen.report.ranking_tables import RANKING_TOP, ranking_table
from charscreen.report.ranking_view import has_values, of_merit
from charscreen.report.resistance import resistance_words
from charscreen.report.screened import screened_section
from charscreen.report.standing import Standing
from charscreen.report.tables import means_table, spread_table
from charscreen.report.text import (
    answering_merit,
    group_rule,
    interval_level,
    missing_sentences,
)
from charscreen.report.unfilled_view import unfilled_doubts
from charscreen.rounding import is_number
from charscreen.words import count_words, merit_words, method_words, model_words, number_text


def make_sections(
    inputs: Mapping, config: Mapping, pictures: Mapping[str, Picture]
) -> list[Section]:
    """All sections of the page.

    Parameters
    ----------
    inputs, config : mapping
        See `charscreen.report.page.render_report`.
    pictures : mapping of str to Picture
        Figures that have something to show.
    """
    folder = str(config.get("results", "results"))
    changes, several = inputs.get("changes"), several_merits(inputs, folder)
    names = inputs.get("feedstock_names")
    return [
        _answer(inputs, config, pictures),
        *([changes_section(changes, config["merits"], names)] if changes else []),
        screened_section(inputs, folder),
        _ranking(inputs, config, pictures, folder),
        _groups(inputs, config, folder),
        *([several] if several else []),
        next_section(inputs, folder),
        _yields(inputs, pictures, folder),
        _capacitances(inputs, pictures, folder),
        _response(inputs, pictures),
        scatter_section(inputs, pictures, folder),
        checks_section(inputs, pictures, folder),
        findings_section(inputs, folder),
        unused_section(inputs),
        methods_section(inputs, config),
        provenance_section(inputs),
        cautions_section(inputs, config),
    ]


def _merits(inputs: Mapping, config: Mapping) -> list[str]:
    """Merits to show: those of the config, then any other that was ranked."""
    ranking = inputs["ranking"]
    ranked = list(dict.fromkeys(ranking["merit"])) if len(ranking) else []
    return list(dict.fromkeys([*config["merits"], *ranked]))


def _answer(inputs, config, pictures) -> Section:
    blocks: list = [Text(sentence, "lead") for sentence in answer(inputs, config)]
    merit = answering_merit(inputs["ranking"], config["merits"])
    if merit:
        blocks += show(pictures, f"ranking_{merit}")
    others = by_other_merits(inputs, config)
    blocks += [Bullets(others)] if others else []
    changes = inputs.get("changes")
    if changes:
        names = inputs.get("feedstock_names")
        said = (
            choice_sentence(changes.merits[0], names) if changes.merits else "measurements differ"
        )
        blocks.append(Pointers(f"Since {changes.since}:", [(said.rstrip("."), "changes")]))
    doubts = _unplaced(inputs, merit) + _doubts(inputs)
    if doubts:
        blocks.append(Pointers("Before using this:", doubts))
    return Section("answer", "Answer", blocks)


def _unplaced(inputs: Mapping, merit: str | None) -> list[tuple[str, str]]:
    """Said where measured conditions are not in the ranking that gives the answer."""
    missing = (inputs.get("rank_summary") or {}).get("missing") or []
    words = f"not ranked by {merit_words(merit)}" if merit else None
    if words and any(words in str(sentence) for sentence in missing):
        return [("some conditions have no place in the ranking", "ranking-left-out")]
    return []


def _doubts(inputs: Mapping) -> list[tuple[str, str]]:
    """What to look at first, each with the section it stands in."""
    doubts = []
    n_out = len(inputs["left_out"])
    if n_out:
        doubts.append((f"{count_words(n_out, 'row was', 'rows were')} left out", "findings"))
    findings = inputs["findings"]
    if len(findings):
        answered = findings["accepted"].map(lambda value: isinstance(value, str) and bool(value))
        n_open = int(((findings["severity"] == "questions") & ~answered).sum())
        if n_open:
            doubts.append((f"{count_words(n_open, 'value is', 'values are')} doubtful", "findings"))
    n_tests = count_flagged(inputs["test_results"])
    if n_tests:
        flagged = count_words(n_tests, "test carries a flag", "tests carry a flag")
        doubts.append((flagged, "table-test-flags"))
    doubts += [
        (part, "table-unfilled" if inputs.get("unfilled") else "findings")
        for part in unfilled_doubts(inputs)
    ]
    n_flags = sum(len(record_of(model).get("flags") or []) for model in inputs["models"].values())
    if n_flags:
        doubts.append((f"{count_words(n_flags, 'warning')} about the models", "checks"))
    return doubts


def _ranking(inputs, config, pictures, folder) -> Section:
    ranking, names = inputs["ranking"], inputs.get("feedstock_names")
    missing = missing_sentences(inputs)
    blocks: list = []
    shown = answering_merit(ranking, config["merits"])
    for merit in _merits(inputs, config):
        blocks.append(Heading(f"By {merit_words(merit)}", f"ranking-{merit}"))
        if not len(of_merit(ranking, merit)):
            blocks.append(Text(f"No candidate is ranked by {merit_words(merit)} yet."))
            continue
        if merit != shown:
            blocks += show(pictures, f"ranking_{merit}")
        blocks.append(
            ranking_table(
                ranking,
                merit,
                level=interval_level(inputs, config),
                rule=group_rule(inputs, config),
                file=f"{folder}/rank/ranking.csv",
                names=names,
                top=RANKING_TOP,
            )
        )
    if missing:
        blocks += [Heading("What the ranking counts and leaves out", "ranking-left-out")]
        blocks.append(Bullets(missing))
    if shown is None:
        blocks.append(
            Text(
                "A ranking by electrode capacitance needs cells with a capacitance "
                "(config/cells.csv, config/tests.csv); one by farads per kg of feed needs the "
                "yields of the same lots as well (config/masses.csv)."
            )
        )
    return Section("ranking", "Ranking", blocks)


def _groups(inputs, config, folder) -> Section:
    ranking = inputs["ranking"]
    blocks: list = []
    explained = False
    for merit in _merits(inputs, config):
        rows = of_merit(ranking, merit).to_dict("records")
        if len(rows) < 2:
            continue
        blocks += not_told_apart(Standing(inputs, merit, rows), folder)
        blocks += two_views(inputs, merit, folder, explain=not explained)
        explained = True
    if not blocks:
        blocks.append(Text("There are not two candidates to compare yet."))
    return Section("not-told-apart", "What cannot be told apart", blocks)


def _model_or_spread(
    inputs, model: str, frame: pd.DataFrame, column: str, *, unit: str, folder: str, source: str
) -> list:
    """Estimated means where a model was fitted, else the spread of what was measured."""
    names = inputs.get("feedstock_names")
    tables = inputs["models"].get(model, {})
    means = tables.get("means")
    if means is not None and len(means):
        table = means_table(
            means,
            id=f"table-means-{model}",
            caption=f"Estimated means of {model_words(model)} at the mean condition of the "
            f"screen; intervals of {model_level(tables)}",
            unit=unit,
            file=f"{folder}/fit/{model}_means.csv",
            names=names,
        )
        return [fold_if_long(table)]
    if not has_values(frame, column):
        return []
    reason = record_of(tables).get("reason") or "there is none"
    table = spread_table(
        frame,
        column,
        by=["feedstock"] if model == "char_yield" else ["feedstock", "activation"],
        id=f"table-spread-{model}",
        caption=f"Measured {model_words(model)}, without a model",
        unit=unit,
        file=source,
        names=names,
    )
    note = Text(f"No model of {model_words(model)}: {reason.rstrip('.')}.", "note")
    return [note, fold_if_long(table)]


def _yields(inputs, pictures, folder) -> Section:
    yields, source = inputs["yields"], f"{folder}/collect/yields.csv"
    if not any(has_values(yields, f"yield_{name}_percent") for name in ("char_d", "activated")):
        text = (
            "No lot has a yield yet: weigh feed and char of each lot into config/masses.csv "
            "(feed_ar_g or feed_dry_g, and char_g)."
        )
        return Section("yields", "Yields", [Text(text), *firings_blocks(inputs, folder)])
    blocks: list = [Text(f"Yields of single lots, on all bases, stand in {source}.")]
    blocks += show(pictures, "yields")
    for model, column, unit in (
        ("char_yield", "yield_char_d_percent", "% of dry feed"),
        ("activation_yield", "yield_activated_percent", "% of char"),
        ("overall_yield", "carbon_g_per_kg_d", "g/kg dry feed"),
    ):
        blocks += _model_or_spread(
            inputs, model, yields, column, unit=unit, folder=folder, source=source
        )
    if not has_values(yields, "yield_activated_percent"):
        blocks.append(
            Text(
                "No activation yield yet: it needs char_taken_g and activated_g in "
                "config/masses.csv."
            )
        )
    blocks += firings_blocks(inputs, folder)
    return Section("yields", "Yields", blocks)


def _capacitances(inputs, pictures, folder) -> Section:
    cells, source = inputs["cells"], f"{folder}/collect/cells.csv"
    title = "Capacitances"
    if not has_values(cells, "electrode_F_per_g"):
        text = (
            "No cell has a capacitance yet: name the cells in config/cells.csv and their tests "
            "in config/tests.csv; a test can be a trace, stopwatch readings or farads typed in."
        )
        return Section("capacitances", title, [Text(text)])
    known = cells[cells["electrode_F_per_g"].map(is_number)]
    blocks: list = [Text(_cell_words(known, source))]
    blocks += show(pictures, "capacitances")
    blocks += _model_or_spread(
        inputs,
        "capacitance",
        cells,
        "electrode_F_per_g",
        unit="F/g",
        folder=folder,
        source=source,
    )
    return Section("capacitances", title, blocks)


def _cell_words(known: pd.DataFrame, source: str) -> str:
    counts = known["capacitance_method"].value_counts().sort_index()
    by_method = "; ".join(f"{method_words(str(k))}: {n}" for k, n in counts.items())
    text = f"{count_words(len(known), 'cell has', 'cells have')} a capacitance ({by_method})."
    parts = [text, resistance_words(known), f"Single cells stand in {source}."]
    return " ".join(filter(None, parts))


def _response(inputs, pictures) -> Section:
    blocks: list = show(pictures, "response")
    if not blocks:
        blocks = [Text("Nothing to show before candidates are ranked.")]
    conditions = inputs["ranking"][["peak_temperature_C", "hold_min"]].drop_duplicates()
    if len(conditions) == 1:
        only = conditions.iloc[0]
        blocks = [
            Text(
                f"All that is ranked was fired at {number_text(only['peak_temperature_C'])} °C for "
                f"{number_text(only['hold_min'])} min, so nothing is known of how temperature and "
                "hold act. It takes lots at two of each or more."
            )
        ]
    return Section("response", "Response to temperature and hold", blocks)
