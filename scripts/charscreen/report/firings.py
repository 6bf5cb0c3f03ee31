"""What the kiln did, beside what was planned."""

from collections.abc import Mapping

from charscreen.firing_log.firings import LOG, PLANNED, READINGS, TYPED
from charscreen.report.blocks import Column, Heading, Table, Text, fold_if_long
from charscreen.rounding import fixed, is_number
from charscreen.words import FIRING_KINDS, count_words

_FROM = {LOG: "kiln log", READINGS: "hand readings", TYPED: "typed", PLANNED: "plan"}


def firings_blocks(inputs: Mapping, folder: str) -> list:
    """Heading, a sentence and the table of the firings; nothing where none was done.

    Parameters
    ----------
    inputs : mapping
        ``firings``: the table collect/firings.csv.
    folder : str
        Results folder, named in the caption.
    """
    firings = inputs.get("firings")
    if firings is None or not len(firings):
        return []
    done = firings[firings["peak_from"].isin([LOG, READINGS, TYPED])]
    if not len(done):
        return []
    counts = done["peak_from"].value_counts()
    parts = [
        f"{counts[source]} from {words}"
        for source, words in (
            (LOG, "a kiln log"),
            (READINGS, "readings by hand"),
            (TYPED, "what was typed"),
        )
        if source in counts
    ]
    text = (
        f"{count_words(len(done), 'firing is', 'firings are')} known as done "
        f"({', '.join(parts)}); the models take these peaks and holds in place of the planned ones."
    )
    if len(firings) > len(done):
        rest = len(firings) - len(done)
        text += f" {count_words(rest, 'firing counts', 'firings count')} as planned."
    rows = [_row(row) for row in done.to_dict("records")]
    table = Table(
        id="table-firings",
        caption="Firings as done; peak and hold with the plan in brackets where it differs",
        file=f"{folder}/collect/firings.csv",
        columns=[
            Column("Firing"),
            Column("Kind"),
            Column("Peak [°C]", True),
            Column("Hold [min]", True),
            Column("Ramp [°C/min]", True),
            Column("Severity, log10", True),
            Column("Known from"),
        ],
        rows=rows,
    )
    return [Heading("Firings as done", "firings"), Text(text), fold_if_long(table)]


def _row(row: Mapping) -> list[str]:
    sources = dict.fromkeys(
        _FROM[row[name]] for name in ("peak_from", "hold_from") if row[name] in _FROM
    )
    return [
        str(row["firing"]),
        FIRING_KINDS.get(row["kind"], ""),
        _done(row["peak_temperature_C"], row["planned_peak_temperature_C"]),
        _done(row["hold_min"], row["planned_hold_min"]),
        fixed(row["ramp_C_per_min"], 1),
        fixed(row["severity_log10_min"], 1),
        ", ".join(sources),
    ]


def _done(value: object, planned: object) -> str:
    """A value as done, with the planned one behind it where they differ by more than rounding."""
    text = fixed(value, 0)
    wanted = fixed(planned, 0) if is_number(planned) else ""
    return f"{text} ({wanted})" if wanted and wanted != text else text
