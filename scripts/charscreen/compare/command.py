"""From folders of screens to a page and a table."""

from collections.abc import Sequence
from pathlib import Path

from charscreen.compare.page import compare_page
from charscreen.compare.ratios import put_side_by_side
from charscreen.compare.screens import RankedScreen, read_ranked_screen
from charscreen.files import write_csv, write_text
from charscreen.findings import UserError, nearest

INTERVAL_PERCENT = 90.0


def compare_folders(
    folders: Sequence[Path],
    output: Path,
    *,
    merit: str | None = None,
    reference: str | None = None,
) -> str:
    """Compare ranked screens; writes side_by_side.html and side_by_side.csv.

    Parameters
    ----------
    folders : sequence of path
        Folders of two or more screens.
    output : path
        Folder to write to; made where absent.
    merit : str, optional
        What to compare by; the first that all screens rank by where absent.
    reference : str, optional
        Feedstock that stands for 1 in each screen.

    Returns
    -------
    str
        What to tell the user.

    Raises
    ------
    UserError
        With every problem; nothing is written then.
    """
    screens = _read_all(folders)
    merit = _merit(screens, merit)
    try:
        found = put_side_by_side(
            screens, merit, reference=reference, interval_percent=INTERVAL_PERCENT
        )
    except ValueError:
        common = set.intersection(*(_feedstocks(screen, merit) for screen in screens))
        raise UserError(
            f"--reference {reference}: not every screen has a candidate of '{reference}'. "
            + (f"All have {', '.join(sorted(common))}." if common else "They share no feedstock.")
        ) from None
    page = compare_page(
        screens, found, merit, file="side_by_side.csv", interval_percent=INTERVAL_PERCENT
    )
    output.mkdir(parents=True, exist_ok=True)
    write_csv(found.table, output / "side_by_side.csv")
    write_text(output / "side_by_side.html", page)
    return f"{found.reference_words}\nThe page: {output / 'side_by_side.html'}"


def _read_all(folders: Sequence[Path]) -> list[RankedScreen]:
    if len(folders) < 2:
        raise UserError("One screen has nothing beside it. Name the folders of two or more.")
    if len({folder.resolve() for folder in folders}) < len(folders):
        raise UserError("The same folder is named twice. Name each screen once.")
    screens, problems = [], []
    for folder, label in zip(folders, _labels(folders), strict=True):
        try:
            screens.append(read_ranked_screen(folder, label=label))
        except UserError as trouble:
            problems.append(str(trouble))
    if problems:
        raise UserError("\n\n".join(problems))
    return screens


def _labels(folders: Sequence[Path]) -> list[str]:
    """The folders' own names, with their parents where two are alike."""
    names = [folder.resolve().name for folder in folders]
    if len(set(names)) == len(names):
        return names
    return [str(folder) for folder in folders]


def _feedstocks(screen: RankedScreen, merit: str) -> set[str]:
    return set(screen.ranking.loc[screen.ranking["merit"] == merit, "feedstock"])


def _merit(screens: Sequence[RankedScreen], wanted: str | None) -> str:
    common = [
        name
        for name in dict.fromkeys(screens[0].ranking["merit"])
        if all((screen.ranking["merit"] == name).any() for screen in screens)
    ]
    if not common:
        raise UserError("The screens rank by no common merit. Give them one in config.yaml.")
    if wanted is None:
        return common[0]
    if wanted not in common:
        near = nearest(wanted, common)
        raise UserError(
            f"--merit {wanted}: not every screen ranks by '{wanted}'. "
            + (f"Did you mean '{near}'? " if near else "")
            + f"All rank by {', '.join(common)}."
        )
    return wanted
