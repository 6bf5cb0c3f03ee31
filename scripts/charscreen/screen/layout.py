"""An empty screen on disk: settings, tables with headers, a guide."""

import os
import shlex
from pathlib import Path

from charscreen.files import write_text
from charscreen.screen.config_guide import TEMPLATES, render_header, render_new_config
from charscreen.screen.schemas import table_schemas


class LayoutError(Exception):
    """A screen that cannot be laid out; the text is ready to print, nothing was written."""


def lay_out_screen(folder: str | os.PathLike) -> list[Path]:
    """Write an empty screen.

    Parameters
    ----------
    folder : path-like
        Where; it may exist, but nothing of a screen may be in it.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    LayoutError
        Where something of the same name exists already, or the folder cannot be written.
    """
    folder = Path(folder)
    contents = _contents(folder)
    in_the_way = [
        path for path in (folder, folder / "config") if path.exists() and not path.is_dir()
    ]
    in_the_way += [path for path in contents if os.path.lexists(path)]
    if in_the_way:
        names = "\n".join(f"  {path}" for path in in_the_way)
        raise LayoutError(
            f"Nothing was written, since this exists already:\n{names}\n"
            "Name another folder, or move these away."
        )
    written: list[Path] = []
    try:
        for path, text in contents.items():
            write_text(path, text)
            written.append(path)
        (folder / "config" / "traces").mkdir(exist_ok=True)
    except OSError as error:
        for path in written:
            path.unlink(missing_ok=True)
        raise LayoutError(
            f"{folder} cannot be written ({error.strerror or error}). Nothing was kept; name a "
            "folder you may write to."
        ) from None
    return written


def _contents(folder: Path) -> dict[Path, str]:
    title = " ".join(folder.resolve().name.replace("_", " ").split()) or "My screen"
    title = (title[0].upper() + title[1:])[:200]
    guide = (TEMPLATES / "screen_README.md").read_text(encoding="utf-8")
    guide = guide.replace("<!-- title -->", title)
    guide = guide.replace("<!-- folder -->", shlex.quote(str(folder)))
    texts = {
        folder / "README.md": guide,
        folder / ".gitignore": "results/\n.snakemake/\n",
        folder / "config" / "config.yaml": render_new_config(title),
    }
    for name, schema in table_schemas().items():
        texts[folder / "config" / f"{name}.csv"] = render_header(schema)
    return texts
