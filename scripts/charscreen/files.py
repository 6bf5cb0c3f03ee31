"""Reading and writing of our own result files: whole or not at all, the same bytes each time."""

import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


def write_bytes(path: str | os.PathLike, data: bytes) -> None:
    """Write a file through a temporary name, so that it is whole or not there.

    Raises
    ------
    OSError
        Where the folder cannot be written or the disk is full; the old file then stays, and the
        error names the file that was meant.
    """
    path = Path(path)
    temporary = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(
            dir=path.parent, prefix=f".{path.name}.", suffix=".part"
        )
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(temporary, 0o666 & ~umask)
        os.replace(temporary, path)
    except BaseException as error:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise _about(path, error) from error
        raise


def write_folder(path: str | os.PathLike, texts: Mapping[str, str]) -> None:
    """Write a folder of text files in place of what it held, whole or not at all.

    Parameters
    ----------
    path : path-like
        The folder; one that is there already is replaced.
    texts : mapping of str to str
        File name to content.

    Raises
    ------
    OSError
        See `write_bytes`; the old folder then stays.
    """
    path = Path(path)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.mkdir(parents=True)
        for name, text in texts.items():
            write_text(part / name, text)
        if path.is_dir():
            shutil.rmtree(path)
        os.replace(part, path)
    except OSError as error:
        raise _about(path, error) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _about(path: Path, error: OSError) -> OSError:
    """The same error, told of the file that was meant and not of its temporary name."""
    return OSError(error.errno, error.strerror or str(error), os.fspath(path))


def write_text(path: str | os.PathLike, text: str) -> None:
    """Write text as UTF-8 with line feeds; see `write_bytes`."""
    write_bytes(path, text.encode("utf-8"))


def write_csv(frame: "pd.DataFrame", path: str | os.PathLike) -> None:
    """Write a result table: comma, decimal point, ten significant digits, no index.

    Parameters
    ----------
    frame : DataFrame
        Missing values become empty cells.
    path : path-like
        Where to write.
    """
    write_text(path, frame.to_csv(index=False, float_format="%.10g", lineterminator="\n"))


def read_csv(path: str | os.PathLike) -> "pd.DataFrame":
    """A result table back as a DataFrame; empty text cells are None.

    Text such as ``none`` or ``NA`` stays text: only an empty cell is missing.
    """
    import pandas as pd

    frame = pd.read_csv(path, keep_default_na=False, na_values=[""])
    for name in frame.columns:
        if not pd.api.types.is_numeric_dtype(frame[name]) and frame[name].dtype != bool:
            column = frame[name].astype(object)
            frame[name] = column.where(column.notna(), None)
    return frame


def write_json(obj: object, path: str | os.PathLike) -> None:
    """Write plain data as indented JSON with keys in the order given; NaN is refused."""
    write_text(path, json.dumps(obj, indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def read_json(path: str | os.PathLike) -> object:
    """Plain data from a JSON file."""
    return json.loads(Path(path).read_text(encoding="utf-8"))


def to_frame(rows: list[dict], columns: list[str] | None = None) -> "pd.DataFrame":
    """Rows of a checked table as a DataFrame.

    Parameters
    ----------
    rows : list of dict
        One dict per row; numbers are float or None, text is str or None.
    columns : list of str, optional
        Columns of the result; needed where `rows` may be empty.

    Returns
    -------
    DataFrame
        A column with any number is float64 (None becomes NaN), the rest object.
    """
    import pandas as pd

    names = list(columns) if columns is not None else list(rows[0] if rows else [])
    data = {}
    for name in names:
        values = [row.get(name) for row in rows]
        known = [value for value in values if value is not None]
        is_number = bool(known) and all(
            isinstance(value, (int, float)) and not isinstance(value, bool) for value in known
        )
        data[name] = pd.Series(values, dtype="float64" if is_number else "object")
    return pd.DataFrame(data, columns=names)
