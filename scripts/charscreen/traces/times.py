"""Clock times and dates of a log as seconds; a whole column at once."""

from collections.abc import Iterable

import numpy as np

HALF_DAY_S = 43200.0
DAY_S = 86400.0


def parse_times(texts: Iterable[str]) -> tuple[np.ndarray, int | None]:
    """Seconds since the first row from clock times or dates.

    Parameters
    ----------
    texts : iterable of str
        ``hh:mm:ss`` (also ``mm:ss.f``), ISO stamps, or a date in another order before a clock
        time; then only the clock is used and a step back of more than half a day is midnight.

    Returns
    -------
    tuple
        (n,) array [s] with NaN for empty cells, and the index of the first text that is no
        time (None where all are).
    """
    import polars as pl

    cells = pl.Series("t", list(texts), dtype=pl.String).fill_null("")
    cells = cells.str.strip_chars().str.strip_chars('"').str.strip_chars()
    frame = pl.DataFrame({"t": cells})
    dated = cells.str.contains(r"^\d{4}[-/]\d{2}[-/]\d{2}[ T]")
    stamps = np.full(len(cells), np.nan)
    if dated.any():
        stamps = frame.select(_iso_seconds(pl.col("t"))).to_series().to_numpy()
    out = stamps
    if not dated.all():
        clocks = frame.select(_clock_seconds(pl.col("t"))).to_series().to_numpy()
        out = np.where(dated.to_numpy(), stamps, clocks)
    out = out.copy()
    empty = (cells == "").to_numpy()
    known = np.flatnonzero(np.isfinite(out))
    wrong = np.flatnonzero(~np.isfinite(out) & ~empty)
    if len(wrong):
        return out[: wrong[0]], int(wrong[0])
    if len(known) and np.isnan(stamps[known]).any():
        back = np.diff(out[known]) < -HALF_DAY_S
        out[known[1:]] += DAY_S * np.cumsum(back)
    return (out - out[known[0]] if len(known) else out), None


def _iso_seconds(text):
    """Seconds since 1970 of ``2024-05-01 13:45:10.5`` with or without a time zone; else NaN."""
    import polars as pl

    def part(pattern):
        return text.str.extract(pattern, 1)

    day = text.str.replace_all("/", "-", literal=True).str.slice(0, 10)
    day = day.str.to_date("%Y-%m-%d", strict=False).cast(pl.Int32).cast(pl.Float64)
    clock = r"^\d{4}[-/]\d{2}[-/]\d{2}[ T]"
    zone = r"[ ]?([+-])(\d{2}):?(\d{2})$"
    rest = r"(?:[ ]?(?:Z|[+-]\d{2}:?\d{2}))?$"
    hours = part(clock + r"(\d{1,2}):\d{2}(?::\d{2}(?:[.,]\d+)?)?" + rest).cast(pl.Float64)
    minutes = part(clock + r"\d{1,2}:(\d{2})").cast(pl.Float64)
    seconds = part(clock + r"\d{1,2}:\d{2}:(\d{2}(?:[.,]\d+)?)")
    seconds = seconds.str.replace(",", ".", literal=True).cast(pl.Float64).fill_null(0.0)
    sign = pl.when(text.str.extract(zone, 1) == "-").then(-1.0).otherwise(1.0)
    ahead = text.str.extract(zone, 2).cast(pl.Float64) * 3600.0
    ahead = sign * (ahead + text.str.extract(zone, 3).cast(pl.Float64) * 60.0)
    real = (hours < 24) & (minutes < 60) & (seconds < 61)
    total = day * DAY_S + hours * 3600.0 + minutes * 60.0 + seconds - ahead.fill_null(0.0)
    return pl.when(real).then(total).otherwise(None).fill_null(float("nan"))


def _clock_seconds(text):
    """Seconds since midnight of ``13:45:10``, ``1:45:10 PM``, ``45:10.5``, ``1d 02:03:04``."""
    import polars as pl

    half = r"\s*(?:[AaPp][Mm])?$"
    pattern = r"(?:^|[ T])(?:(\d+):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)" + half

    def part(group):
        return text.str.extract(pattern, group)

    hours = part(1).cast(pl.Float64).fill_null(0.0)
    noon = text.str.to_lowercase().str.extract(r"([ap])m$", 1)
    hours = (
        pl.when(noon == "p").then(hours % 12 + 12).when(noon == "a").then(hours % 12)
        .otherwise(hours)
    )  # fmt: skip
    seconds = part(3).str.replace(",", ".", literal=True).cast(pl.Float64)
    days = text.str.extract(r"^(\d+)(?:d|\.| )\s*\d+:\d+:\d", 1).cast(pl.Float64).fill_null(0.0)
    total = hours * 3600.0 + part(2).cast(pl.Float64) * 60.0 + seconds + days * DAY_S
    return total.fill_null(float("nan"))
