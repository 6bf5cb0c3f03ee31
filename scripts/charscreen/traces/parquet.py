"""Parquet files read in a process of their own, since a damaged one can end the process it is in.

The package that reads them takes a damaged length for a good one, asks for the memory and is ended
by the system where there is not so much: no error that a program could catch. So a helper process
reads, one for all files of a job; where it ends, the file is told and the next one gets another.
"""

import io
import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

import numpy as np

from charscreen.traces.files import RawColumns, TraceFileError, column_index, take_texts

MOST_ROWS = 10_000_000
#: Memory the helper may ask for: twice what ten million rows of four columns take. [bytes]
MAX_MEMORY = 4_000_000_000
#: Ten million rows take a few seconds. [s]
LONGEST_S = 120.0
#: Stands at the beginning and at the end of every such file.
MARK = b"PAR1"
CUT_OFF = (
    "is a damaged Parquet file (its end is not there). Copy it again from the logger, or export it "
    "as text."
)
CRASHED = (
    "is a damaged Parquet file (the reader broke down over it). Copy it again from the logger, or "
    "export it as text."
)
_TOO_SLOW = (
    "is a Parquet file that could not be read within {:.0f} s. Copy it again from the logger, or "
    "export it as text."
)
_HELPER = "from charscreen.traces.parquet import serve; serve()"


class ParquetReader:
    """Reads Parquet files through a helper process, started with the first of them.

    Parameters
    ----------
    longest_s : float
        Time one file may take. [s]

    Notes
    -----
    The helper ends with `close`, and by itself where this process ends: its input is then at an
    end. It shares no memory with this process, so it can be ended at any moment.
    """

    def __init__(self, *, longest_s: float = LONGEST_S):
        self.longest_s = longest_s
        self._helper: subprocess.Popen | None = None

    def close(self) -> None:
        """End the helper, where there is one."""
        helper, self._helper = self._helper, None
        if helper is not None:
            for pipe in (helper.stdin, helper.stdout):
                with suppress(OSError):  # what was not sent is lost with a helper that has ended
                    pipe.close()
            helper.kill()
            helper.wait()

    def __del__(self):
        self.close()

    def read(self, data: bytes, wanted: list, *, text_columns: list) -> RawColumns:
        """Wanted columns of a Parquet file.

        Parameters
        ----------
        data : bytes
            The file, unpacked.
        wanted : list of str or int
            Names of columns, or their numbers from 1.
        text_columns : list of str or int
            Those that may hold text.

        Raises
        ------
        TraceFileError
            Damaged, too many rows, or a wanted name that stands there more than once.
        """
        with self._answer({"wanted": wanted}, data) as answer:
            head = _take_json(answer)
            raw = RawColumns(values={}, names=head["names"], lines=lambda index: index + 1)
            for key, kind in head["columns"]:
                if kind == "numbers":
                    raw.values[key] = np.frombuffer(bytearray(_take(answer)), dtype=float)
                elif kind == "times":
                    raw.values[key] = _take_json(answer)
                else:
                    take_texts(raw, key, _take_json(answer), ".", key in text_columns)
            return raw

    def read_head(self, data: bytes, most_rows: int) -> tuple[list[str], list[list[str]]]:
        """Names of all columns and their first cells as text.

        Parameters
        ----------
        data : bytes
            The file, unpacked.
        most_rows : int
            Cells to give of each column.

        Raises
        ------
        TraceFileError
            As `read`.
        """
        with self._answer({"most_rows": most_rows}, data) as answer:
            head = _take_json(answer)
            return head["names"], head["cells"]

    @contextmanager
    def _answer(self, request: dict, data: bytes) -> Iterator[BinaryIO]:
        """What the helper says to a request; a crash or an error becomes a `TraceFileError`."""
        if len(data) < 12 or data[-4:] != MARK:
            raise TraceFileError(CUT_OFF)
        if self._helper is None:
            self._helper = _start()
        helper, too_slow = self._helper, threading.Event()

        def stop() -> None:
            too_slow.set()
            helper.kill()

        timer = threading.Timer(self.longest_s, stop)
        timer.daemon = True
        timer.start()
        try:
            _give(helper.stdin, json.dumps(request).encode())
            _give(helper.stdin, data)
            helper.stdin.flush()
            error = _take(helper.stdout)
            if error:
                raise TraceFileError(error.decode())
            yield helper.stdout
        except (EOFError, BrokenPipeError):
            self.close()
            words = _TOO_SLOW.format(self.longest_s) if too_slow.is_set() else CRASHED
            raise TraceFileError(words) from None
        except TraceFileError:
            raise  # the whole of an answer
        except BaseException:
            self.close()  # what is left of the answer would be taken for the next one
            raise
        finally:
            timer.cancel()


def _start() -> subprocess.Popen:
    """A helper: this interpreter with this library, nothing taken from the working folder."""
    library = str(Path(__file__).resolve().parents[2])
    paths = [library, os.environ.get("PYTHONPATH", "")]
    env = os.environ | {"PYTHONPATH": os.pathsep.join(path for path in paths if path)}
    env |= {"POLARS_MAX_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.Popen(
        [sys.executable, "-P", "-c", _HELPER],
        env=env,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )


def _give(stream: BinaryIO, block: bytes) -> None:
    """Write a block after its length."""
    stream.write(len(block).to_bytes(8, "little"))
    stream.write(block)


def _take(stream: BinaryIO) -> bytes:
    """Read a block; EOFError where the other side ended."""
    size = stream.read(8)
    block = stream.read(int.from_bytes(size, "little")) if len(size) == 8 else b""
    if len(size) < 8 or len(block) < int.from_bytes(size, "little"):
        raise EOFError
    return block


def _take_json(stream: BinaryIO) -> dict | list:
    return json.loads(_take(stream))


def serve() -> None:
    """Body of the helper: requests from standard input, answers to standard output, until its end.

    Notes
    -----
    An answer is a block with the text of an error, empty where all is well, and then, for columns,
    their names and kinds and a block for each (numbers as 64-bit floats, texts as JSON), or for a
    head the names and the cells.
    """
    _bound_memory()
    source, sink = sys.stdin.buffer, sys.stdout.buffer
    with suppress(EOFError, KeyboardInterrupt):
        while True:
            request, data = _take_json(source), _take(source)
            answer = _head if "most_rows" in request else _columns
            try:
                blocks = answer(data, **request)
            except TraceFileError as error:
                blocks = [str(error).encode()]
            for block in blocks:
                _give(sink, block)
            sink.flush()


def _bound_memory() -> None:
    """Let this process ask for so much memory and no more, where the system knows such a bound."""
    with suppress(ImportError, OSError, ValueError):
        import resource

        _, most = resource.getrlimit(resource.RLIMIT_AS)
        bound = MAX_MEMORY if most == resource.RLIM_INFINITY else min(MAX_MEMORY, most)
        resource.setrlimit(resource.RLIMIT_AS, (bound, most))


@contextmanager
def _damage_told() -> Iterator[None]:
    """Errors of the package as `TraceFileError`."""
    import polars as pl

    try:
        yield
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError, ValueError) as error:
        lines = str(error).strip().splitlines() or [type(error).__name__]
        raise TraceFileError(
            f"is a damaged Parquet file ({lines[0]}). Copy it again from the logger, or export it "
            "as text."
        ) from None
    except MemoryError:
        raise TraceFileError(CRASHED) from None


def _check_rows(data: bytes) -> None:
    """Refuse a file of too many rows."""
    import polars as pl

    rows = pl.scan_parquet(io.BytesIO(data)).select(pl.len()).collect().item()
    if rows > MOST_ROWS:
        raise TraceFileError(
            f"holds {rows} rows, more than {MOST_ROWS // 1_000_000} million. Log at a lower "
            "rate, or cut the file into one file per test."
        )


def _columns(data: bytes, wanted: list) -> list[bytes]:
    """Blocks of an answer: no error, names and kinds, the wanted columns that are there."""
    import polars as pl

    with _damage_told():
        _check_rows(data)
        names = list(pl.read_parquet_schema(io.BytesIO(data)))
        found = {key: column_index(key, names, len(names)) for key in wanted}
        found = {key: names[i] for key, i in found.items() if i is not None}
        kinds, blocks = [], []
        for key, name in found.items():  # one at a time, for the sake of memory
            kind, block = _block(pl.read_parquet(io.BytesIO(data), columns=[name])[name])
            kinds.append((key, kind))
            blocks.append(block)
    return [b"", json.dumps({"names": names, "columns": kinds}).encode(), *blocks]


def _block(series) -> tuple[str, bytes]:
    """Kind and content of one polars column."""
    import polars as pl

    if series.dtype.is_numeric() or series.dtype == pl.Boolean:
        numbers = series.cast(pl.Float64).fill_null(float("nan")).to_numpy()
        return "numbers", numbers.tobytes()
    if series.dtype.is_temporal():
        return "times", json.dumps([str(value) for value in series.to_list()]).encode()
    texts = ["" if value is None else str(value) for value in series.to_list()]
    return "texts", json.dumps(texts).encode()


def _head(data: bytes, most_rows: int) -> list[bytes]:
    """Blocks of an answer: no error, names and first cells."""
    import polars as pl

    with _damage_told():
        _check_rows(data)
        frame = pl.read_parquet(io.BytesIO(data)).head(most_rows)
        cells = [
            ["" if cell is None else str(cell).strip() for cell in column.to_list()]
            for column in frame
        ]
    return [b"", json.dumps({"names": frame.columns, "cells": cells}).encode()]
