"""Keeping a ranking as a dated snapshot in the screen's history/."""

import json
import os
from datetime import date
from pathlib import Path

from charscreen.files import read_csv, read_json, write_json
from charscreen.findings import UserError, render
from charscreen.graph import HISTORY, latest_snapshot
from charscreen.provenance import digest
from charscreen.rank.snapshot import COLLECTED, make_snapshot, read_snapshot
from charscreen.screen.config import load_config
from charscreen.words import count_words

_MADE_BY_US = {"README.md"}


class KeepError(UserError):
    """A ranking that is not kept; the text is ready to print, nothing was written."""


def keep_ranking(folder: str | os.PathLike, *, today: date | None = None) -> list[str]:
    """Save the ranking of a screen with what it was made from.

    Parameters
    ----------
    folder : path-like
        The screen's folder.
    today : date, optional
        Date of the snapshot; that of the clock where absent.

    Returns
    -------
    list of str
        What was done, in lines to print.

    Raises
    ------
    KeepError
        Where there is no ranking, or the folder cannot be written.

    Notes
    -----
    The file is ``history/ranking_<date>.json``, with ``_2``, ``_3`` and so on for further ones of
    the same day. Nothing in history/ is ever overwritten, and no target writes there.
    """
    folder = Path(folder)
    results = _results(folder)
    again = "Make it with: sh scripts/with_env.sh snakemake rank"
    if folder.resolve() != Path.cwd().resolve():
        again += f" --directory {folder}"
    rank, collect = results / "rank", results / "collect"
    needed = [rank / "ranking.csv", rank / "summary.json"]
    needed += [collect / f"{name}.csv" for name in COLLECTED.values()]
    for path in needed:
        if not path.is_file():
            raise KeepError(f"There is no ranking yet ({path} is absent). {again}")
    ranking = read_csv(needed[0])
    if ranking.empty:
        raise KeepError("There is nothing to keep: no candidate is ranked yet.")
    kept = (today or date.today()).isoformat()
    config = folder / "config"
    files = [
        path
        for path in sorted(config.rglob("*"))
        if path.is_file() and path.name not in _MADE_BY_US and not path.name.startswith(".")
    ]
    newer = [path for path in files if path.stat().st_mtime > needed[0].stat().st_mtime]
    snapshot = make_snapshot(
        ranking,
        {kind: read_csv(collect / f"{name}.csv") for kind, name in COLLECTED.items()},
        kept=kept,
        inputs={path.relative_to(folder).as_posix(): digest(path) for path in files},
        summary=read_json(needed[1]),
    )
    last = latest_snapshot(folder / HISTORY)
    if last and _content(read_snapshot(last[0])) == _content(snapshot):
        name = Path(last[0]).name
        return [f"{HISTORY}/{name} holds this ranking already; nothing was written."]
    target = folder / HISTORY / f"ranking_{kept}.json"
    number = 2
    while target.exists():
        target = folder / HISTORY / f"ranking_{kept}_{number}.json"
        number += 1
    try:
        write_json(snapshot, target)
    except OSError as error:
        raise KeepError(
            f"{error.filename or target} cannot be written ({error.strerror or error})."
        ) from None
    n = ranking["candidate"].nunique()
    done = [
        f"The ranking of {count_words(n, 'candidate')} is kept as {HISTORY}/{target.name}; from "
        "now on the report says what changed since."
    ]
    if newer:
        done.append(
            f"Note: {newer[0].relative_to(folder).as_posix()} is newer than the ranking. If it "
            "changed, run snakemake first and keep the ranking after it."
        )
    return done


def _results(folder: Path) -> Path:
    path = folder / "config" / "config.yaml"
    if not path.is_file():
        raise KeepError(
            f"{folder} is no screen: it has no config/config.yaml. Name the folder of a screen."
        )
    config, findings = load_config(path)
    if findings:
        raise KeepError(render(findings, str(folder / "config")))
    return folder / config["results"]


def _content(snapshot: dict) -> str:
    """All of a snapshot but its date."""
    rest = {key: value for key, value in snapshot.items() if key != "kept"}
    return json.dumps(rest, sort_keys=True)
