"""The frame of a rule script: its log, and how a fault is told."""

import logging
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from charscreen.findings import UserError


def tell(text: str) -> None:
    """Say something on the terminal that the user should not miss; it goes to the log as well.

    Parameters
    ----------
    text : str
        In lab words, one line or a few.
    """
    logging.getLogger("charscreen").info("%s", text)
    print(text, flush=True)


@contextmanager
def job(log: str) -> Iterator[logging.Logger]:
    """Run the body of a rule script with its own log file.

    Warnings of libraries go to the log. A `UserError` prints its message; any other exception
    is ours: its traceback goes to the log and one line to the terminal. Both end the script
    with exit status 1.

    Parameters
    ----------
    log : str
        Path of the log file; written anew.

    Yields
    ------
    logging.Logger
        Writes to the log file.
    """
    path = Path(log)
    path.parent.mkdir(parents=True, exist_ok=True)
    handler = logging.FileHandler(path, mode="w", encoding="utf-8")
    handler.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.INFO)
    logging.captureWarnings(True)
    try:
        yield logging.getLogger("charscreen")
    except UserError as error:
        print(f"\n{error}\n", file=sys.stderr)
        logging.getLogger("charscreen").error("%s", error)
        sys.exit(1)
    except Exception as error:
        with path.open("a", encoding="utf-8") as stream:
            traceback.print_exc(file=stream)
        print(
            f"charscreen: {type(error).__name__}: {error}\n"
            f"  This is a fault of the program; the details are in {path}.",
            file=sys.stderr,
        )
        sys.exit(1)
    finally:
        handler.flush()
