"""Where a report comes from: versions, content of inputs and code; commit and time apart."""

import hashlib
import platform
import subprocess
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path

from charscreen.findings import UserError

PACKAGES = ("snakemake", "numpy", "scipy", "pandas", "polars", "formulaic", "seaborn", "matplotlib")


def digest(path: str | Path) -> str:
    """SHA-256 of a file's content, as 64 hexadecimal digits."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


class ReadWhole:
    """Notes files before they are read, so that their digests tell what was read.

    Parameters
    ----------
    paths : iterable of path-like
        Files that are about to be read.
    """

    def __init__(self, paths: Iterable[str | Path]):
        self._seen = {str(path): self._state(path) for path in paths}

    def digests(self) -> list[dict]:
        """Rows of trace and sha256, once all were read.

        Raises
        ------
        UserError
            Where a file was changed in between: the results would not be those of the digest.
        """
        rows = [{"trace": path, "sha256": digest(path)} for path in self._seen]
        changed = [path for path, state in self._seen.items() if self._state(path) != state]
        if changed:
            raise UserError(
                f"{len(changed)} problem{'s' if len(changed) > 1 else ''} with files that changed "
                "while they were read\n"
                + "\n".join(f"  {path}: wait until it is whole." for path in changed)
                + "\n  Then repeat the command."
            )
        return rows

    @staticmethod
    def _state(path: str | Path) -> tuple[int, int, int]:
        found = Path(path).stat()
        return found.st_size, found.st_mtime_ns, found.st_ino


def digest_of_all(pairs: Iterable[tuple[str, str]]) -> str:
    """One SHA-256 over many (name, digest) pairs; their order does not count."""
    lines = "".join(f"{name} {value}\n" for name, value in sorted(pairs))
    return hashlib.sha256(lines.encode("utf-8")).hexdigest()


def provenance(
    config_files: Mapping[str, str],
    traces: Mapping[str, str],
    code: Iterable[str],
    *,
    seed: int,
) -> dict:
    """What a report was made from, the same for the same inputs.

    Parameters
    ----------
    config_files : mapping of str to str
        Settings and tables, relative to the screen, to their SHA-256 when they were read.
    traces : mapping of str to str
        Trace file to its SHA-256.
    code : iterable of str
        Files of the library.
    seed : int
        Seed of every random draw.

    Returns
    -------
    dict
        ``versions``, ``seed``, ``inputs`` (pairs of name and first 12 digits of the SHA-256;
        the traces as one line) and ``code`` (12 digits over all files of the library).
    """
    from importlib.metadata import version  # jobs that only take digests start without it

    inputs = [(path, value[:12]) for path, value in sorted(config_files.items())]
    if traces:
        count = f"{len(traces)} trace" if len(traces) == 1 else f"{len(traces)} traces"
        inputs.append((f"config/traces ({count})", digest_of_all(traces.items())[:12]))
    library = [(Path(file).name, digest(file)) for file in code]
    return {
        "versions": {"python": platform.python_version()}
        | {package: version(package) for package in PACKAGES},
        "seed": seed,
        "inputs": inputs,
        "code": digest_of_all(library)[:12],
    }


def run_record(root: str | Path) -> dict:
    """Time and commit of this run: what differs between runs on the same inputs.

    Parameters
    ----------
    root : path-like
        Folder of the code.

    Returns
    -------
    dict
        ``time`` (UTC, ISO 8601) and ``commit`` (None outside a checkout).
    """
    try:
        done = subprocess.run(
            ["git", "-C", str(root), "describe", "--always", "--dirty", "--abbrev=12"],
            capture_output=True,
            text=True,
            timeout=10,
            check=False,
        )
        commit = done.stdout.strip() or None
    except (OSError, subprocess.TimeoutExpired):
        commit = None
    return {
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "commit": commit,
    }
