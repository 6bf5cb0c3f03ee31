"""Where a report comes from: versions, content of inputs and code; commit and time apart."""

import hashlib
import platform
import subprocess
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path

PACKAGES = ("snakemake", "numpy", "scipy", "pandas", "polars", "formulaic", "seaborn", "matplotlib")


def digest(path: str | Path) -> str:
    """SHA-256 of a file's content, as 64 hexadecimal digits."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def digest_of_all(pairs: Iterable[tuple[str, str]]) -> str:
    """One SHA-256 over many (name, digest) pairs; their order does not count."""
    lines = "".join(f"{name} {value}\n" for name, value in sorted(pairs))
    return hashlib.sha256(lines.encode("utf-8")).hexdigest()


def provenance(
    config_files: Iterable[str],
    traces: Mapping[str, str],
    code: Iterable[str],
    *,
    seed: int,
) -> dict:
    """What a report was made from, the same for the same inputs.

    Parameters
    ----------
    config_files : iterable of str
        Settings and tables, relative to the screen.
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

    inputs = [(str(path), digest(path)[:12]) for path in sorted(config_files)]
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
