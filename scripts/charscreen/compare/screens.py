"""A screen as far as a comparison needs it: its ranking, its draws, its reference."""

from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
import polars as pl

from charscreen.files import read_csv
from charscreen.findings import UserError
from charscreen.models.tables import read_draws
from charscreen.screen.opening import open_screen


@dataclass(frozen=True)
class RankedScreen:
    """A screen that was ranked.

    Parameters
    ----------
    label : str
        What it is called beside others; unlike that of any other.
    title : str
        From its settings.
    data_are_invented : bool
        Whether its data are invented.
    ranking : DataFrame
        Its rank/ranking.csv.
    draws : DataFrame
        Its rank/draws.parquet: a row per draw, a column per ``merit|candidate``.
    references : tuple of str
        Feedstocks of its reference lots.
    names : dict
        Feedstock id to name.
    """

    label: str
    title: str
    data_are_invented: bool
    ranking: pd.DataFrame
    draws: pd.DataFrame
    references: tuple[str, ...] = ()
    names: dict = field(default_factory=dict)

    def draws_of(self, merit: str) -> pd.DataFrame:
        """Draws of one merit, a column per candidate in the order of the ranking."""
        rows = self.ranking[self.ranking["merit"] == merit]
        wanted = {f"{merit}|{name}": name for name in rows["candidate"]}
        return self.draws[[name for name in wanted if name in self.draws]].rename(columns=wanted)


def read_ranked_screen(folder: str | Path, *, label: str) -> RankedScreen:
    """Read one screen's ranking.

    Parameters
    ----------
    folder : path
        The screen's folder.
    label : str
        What to call it.

    Raises
    ------
    UserError
        Where the folder is no screen or was not ranked yet; with what to do.
    """
    folder = Path(folder)
    if not (folder / "config" / "config.yaml").is_file():
        raise UserError(f"{folder} is no screen: it holds no config/config.yaml.")
    screen = open_screen(str(folder))
    results = folder / screen.config["results"]
    ranking, draws = results / "rank" / "ranking.csv", results / "rank" / "draws.parquet"
    missing = [path for path in (ranking, draws) if not path.is_file()]
    if missing:
        raise UserError(
            f"{missing[0]} is missing: {folder} is not ranked yet. Run\n"
            f"  sh scripts/with_env.sh snakemake --directory {folder} rank"
        )
    try:
        found = read_draws(draws)
    except (OSError, pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        raise UserError(
            f"{draws} cannot be read ({type(error).__name__}). Delete it and run again."
        ) from None
    references = {
        row["feedstock"] for row in screen.tables["design"] if row.get("role") == "reference"
    }
    return RankedScreen(
        label=label,
        title=str(screen.config["title"]),
        data_are_invented=bool(screen.config["data_are_invented"]),
        ranking=read_csv(ranking),
        draws=found,
        references=tuple(sorted(references)),
        names={
            row["feedstock"]: row.get("name") or row["feedstock"]
            for row in screen.tables["feedstocks"]
        },
    )
