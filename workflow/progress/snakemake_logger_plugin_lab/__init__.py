"""What a run says on the terminal: lab words, how far it is, and one block where it failed.

The engine finds this package by its name on the Python path (scripts/with_env.sh puts it there)
and the profile asks for it by ``logger: lab``. Everything the engine has to say beyond this
stands in its own log under ``.snakemake/log``.
"""

import sys
import time
from logging import WARNING, LogRecord

from snakemake_interface_logger_plugins.base import LogHandlerBase
from snakemake_interface_logger_plugins.common import LogEvent

# Rules that only name a target make nothing and are not counted as steps.
_TARGETS = ("report", "all", "plan", "check", "collect", "fit", "rank", "next")
_PAGES = (".html", ".pdf", ".xlsx")
_REASONS = {
    "Forced": "it was asked for",
    "Missing output files": "not made yet",
    "Incomplete": "it was cut off",
    "Code has changed": "the program has changed",
    "Params have changed": "its rows or settings have changed",
    "Set of input files has changed": "it has other inputs than before",
    "Updated input files": "an input has changed",
    "Input files updated by another job": "an earlier step is made anew",
}
# What the engine itself met on the disk, by the system's error number in its words.
_DISK = {
    "[Errno 28]": "The disk is full. Make room on it",
    "[Errno 122]": "Your share of the disk is used up. Make room in it",
    "[Errno 27]": "A file would be larger than is allowed here. Raise the limit (ulimit -f)",
    "[Errno 30]": "The disk can only be read. Make it writable, or copy the screen to one that is",
    "[Errno 13]": "A file or folder is not yours to write. Give yourself the right",
}


class LogHandler(LogHandlerBase):
    """Prints the events of a run."""

    writes_to_stream = True
    writes_to_file = False
    has_filter = True
    has_formatter = True
    needs_rulegraph = False

    def __post_init__(self) -> None:
        self._began = time.monotonic()
        self._total = 0
        self._shown = 0
        self._done = 0
        self._words: dict[int, str] = {}
        self._failed: dict[int, dict] = {}
        self._pages: list[str] = []

    def emit(self, record: LogRecord) -> None:
        """Print one event, or remember it for the end."""
        try:
            said = getattr(record, "event", None)
            event = LogEvent(said) if said is not None else None
            if event == LogEvent.RUN_INFO:
                self._total = self._total or _steps(record.stats)
            elif event == LogEvent.JOB_INFO:
                self._start(record)
            elif event == LogEvent.JOB_FINISHED:
                self._done += record.job_id in self._words
            elif event == LogEvent.JOB_ERROR:
                self._failed[record.jobid] = {"rule": record.rule_name, "logs": list(record.log)}
            elif event == LogEvent.ERROR or (event is None and record.levelno >= WARNING):
                self._complain(record)
            elif event is None:
                self._remark(record)
        except Exception:
            self.handleError(record)

    def close(self) -> None:
        """Say how the run ended."""
        if self._total and not self.common_settings.dryrun:
            self._end()
            self._total = 0
        super().close()

    def _start(self, record: LogRecord) -> None:
        words = record.rule_msg or ""
        if record.rule_name in _TARGETS and not words:
            self._pages = [path for path in record.input if path.endswith(_PAGES)]
        if not words:
            return
        if self.common_settings.dryrun:
            if record.jobid not in self._words:
                self._say(f"  {words}  ({_because(record.reason)})")
        else:
            self._shown += record.jobid not in self._words
            width = len(str(self._total))
            self._say(f"[{self._shown:{width}d}/{self._total}] {words}")
        self._words[record.jobid] = words

    def _complain(self, record: LogRecord) -> None:
        text = record.getMessage().strip()
        name = getattr(record, "exception", "")
        if not text or self._failed or "CalledProcessError" in name + text or name == "SystemExit":
            return  # told in the block at the end, or by whoever stopped
        if text.startswith(
            ("At least one job did not complete", "Exiting because a job execution")
        ):
            return
        if name == "LockException":
            self._say(
                "The screen is locked: another run is at work on it, or one was cut off and the "
                "file system here cannot tell.\n"
                "  Wait for the other run. If there is none (after a power cut, say): "
                "repeat the command with --unlock, then without."
            )
            return
        for mark, words in _DISK.items():
            if mark in text:
                line = next(line for line in text.splitlines() if mark in line)
                self._say(f"{words}, then repeat the command: it goes on from here.\n  {line}")
                return
        if name == "MissingRuleException":
            text = f"{text.split(chr(10), 1)[-1]}\n  Targets with a name: {', '.join(_TARGETS)}."
        self._say(text)

    def _remark(self, record: LogRecord) -> None:
        text = record.getMessage().strip()
        if text.startswith("Nothing to be done"):
            self._say("Nothing to do: every result is up to date.")
        elif text.startswith("This was a dry-run"):
            self._say(f"Nothing was run. A run would take these {self._total} steps.")
        elif text.startswith(("Unlocked", "Unlocking")):
            self._say("The lock is taken away.")
        elif self.common_settings.verbose:
            self._say(text)

    def _end(self) -> None:
        seconds = time.monotonic() - self._began
        if not self._failed:
            if self._done:
                self._say(" ".join([f"Done in {_duration(seconds)}.", *self._pages]))
            return
        lines = [""]
        for job, failure in sorted(self._failed.items()):
            lines.append(f"Failed: {self._words.get(job, failure['rule'])}")
            lines += [f"  its log: {log}" for log in failure["logs"]]
        left = self._total - self._done - len(self._failed)
        lines.append(
            f"{self._done} of {self._total} steps are done and kept, {left} were not begun or hang "
            "on what failed. Mend it and repeat the command: it goes on from here."
        )
        self._say("\n".join(lines))

    def _say(self, text: str) -> None:
        stream = sys.stdout if self.common_settings.stdout else sys.stderr
        print(text, file=stream, flush=True)


def _steps(stats: dict) -> int:
    """Steps of a run, targets that make nothing left out."""
    return sum(count for rule, count in stats.items() if rule not in (*_TARGETS, "total"))


def _because(reason: str) -> str:
    """The engine's reason in a few words."""
    for start, words in _REASONS.items():
        if start in reason:
            return words
    return "it was asked for"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"
