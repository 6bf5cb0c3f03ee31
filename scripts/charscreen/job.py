"""The frame of a rule script: its log, and how a fault is told."""

import errno
import logging
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from charscreen.findings import UserError
from charscreen.locking import hold_step

# What the user can mend when a file cannot be written or read, by the system's error number.
_DISK_TROUBLE = {
    errno.ENOSPC: ("the disk is full", "Make room on it"),
    errno.EDQUOT: ("your share of the disk is used up", "Make room in it"),
    errno.EFBIG: ("the file would be larger than is allowed here", "Raise the limit (ulimit -f)"),
    errno.EROFS: ("the disk can only be read", "Make it writable, or copy the screen"),
    errno.EACCES: ("that is not permitted", "Give yourself the right to read and write there"),
    errno.EPERM: ("that is not permitted", "Give yourself the right to read and write there"),
    errno.EIO: ("the disk reported an error", "See to the disk"),
}


def tell(text: str) -> None:
    """Say something on the terminal that the user should not miss; it goes to the log as well.

    Parameters
    ----------
    text : str
        In lab words, one line or a few.
    """
    logging.getLogger("charscreen").info("%s", text)
    print(text, flush=True)


def disk_trouble(error: Exception) -> str | None:
    """What the user is told of a disk that is full or cannot be written; None for other errors.

    Parameters
    ----------
    error : Exception
        As it was caught.
    """
    known = _DISK_TROUBLE.get(error.errno) if isinstance(error, OSError) else None
    if known is None:
        return None
    found, remedy = known
    return (
        f"1 problem with {error.filename or 'a file of the results'}\n  It cannot be read or "
        f"written: {found} ({error.strerror}). {remedy}, then repeat the command: it goes on from "
        "here. No result is left half written."
    )


def keep_freed_memory() -> None:
    """Have the C library of Linux reuse freed memory instead of giving it back to the system.

    Notes
    -----
    By default glibc gives back each array of some 100 kB when it is freed, and the next one is
    faulted in anew page by page, which can take longer than what is worked out in it. The largest
    block freed so far, up to 32 MB, sets the size from which on it does so (its manual page
    mallopt(3), from memory); one that is never written to costs nothing. Elsewhere this changes
    nothing.
    """
    bytearray(31 << 20)


@contextmanager
def job(log: str) -> Iterator[logging.Logger]:
    """Run the body of a rule script with its own log file.

    Warnings of libraries go to the log. A `UserError` prints its message, and so does a disk that
    is full or cannot be written; any other exception is ours: its traceback goes to the log and
    one line to the terminal. All end the script with exit status 1.

    Parameters
    ----------
    log : str
        Path of the log file; written anew.

    Yields
    ------
    logging.Logger
        Writes to the log file.
    """
    hold_step()
    keep_freed_memory()
    path = Path(log)
    logging.raiseExceptions = False  # a log on a full disk must not hide what happened
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler = logging.FileHandler(path, mode="w", encoding="utf-8")
    except OSError as error:
        print(disk_trouble(error) or f"charscreen: {error}", file=sys.stderr)
        sys.exit(1)
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
        trouble = disk_trouble(error)
        if trouble:
            print(f"\n{trouble}\n", file=sys.stderr)
            logging.getLogger("charscreen").error("%s", trouble)
            sys.exit(1)
        with suppress(OSError), path.open("a", encoding="utf-8") as stream:
            traceback.print_exc(file=stream)
        print(
            f"charscreen: {type(error).__name__}: {error}\n"
            f"  This is a fault of the program; the details are in {path}.",
            file=sys.stderr,
        )
        sys.exit(1)
    finally:
        with suppress(OSError):
            handler.flush()
