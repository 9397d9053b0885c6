"""One command in a process of its own, with limits on time and memory: what it said, and how far it is."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.terminal import PROGRESS_MARK

MEMORY_SHARE = 0.75
MOST_KEPT = 2 * 2**20
_CRASH = "Traceback (most recent call last)"
Told = Callable[[str, str, float | None], None]
"""Called with the work a command does, what it is at, and the share done (0 to 1) or None."""


@dataclass(frozen=True)
class Step:
    """One command of a job.

    Parameters
    ----------
    title : str
        What it does, as a person reads it while waiting ("Loading").
    args : tuple of str
        The command and its options, without `--home`.
    seconds : float
        The longest it may take.
    """

    title: str
    args: tuple[str, ...]
    seconds: float = 900.0


@dataclass(frozen=True)
class Answer:
    """What a command gave back: exit code, stdout, and what it said on stderr.

    `code` is None where it was stopped because it took too long; `is_data_due` where it was to end with data on stdout.
    """

    code: int | None
    out: str
    said: tuple[str, ...]
    is_data_due: bool = False

    @property
    def is_done(self) -> bool:
        """Whether it did its work, even if something is left for a person (exit code 1).

        The interpreter leaves with 1 too where a fault was not foreseen, and so does a library that finds no memory:
        their last words tell the two apart, or that the data is missing.
        """
        is_broken = any(line.startswith(_CRASH) for line in self.said)
        is_broken |= self.is_data_due and self.as_json() is None
        return self.code == 0 or (self.code == 1 and not is_broken)

    def as_json(self) -> Any:
        """Return stdout as data; None where it is none."""
        try:
            return json.loads(self.out)
        except ValueError:
            return None


def call(home: Path, step: Step, given: str | None = None, on_progress: Told | None = None) -> Answer:
    """Run one command in a process group of its own, and end the group where it takes too long.

    Parameters
    ----------
    home : Path
        The fleet's folder.
    step : Step
        The command.
    given : str, optional
        Text for its stdin.
    on_progress : callable, optional
        Told how far it has come, from another thread.
    """
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline", step.args[0], "--home", str(home), *step.args[1:]],
        stdin=subprocess.PIPE if given is not None else subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        errors="replace",
        env=_environment(),
        cwd=home if home.is_dir() else None,
        start_new_session=os.name == "posix",
    )
    said: list[str] = []
    out: list[str] = []
    readers = [
        threading.Thread(target=_read_said, args=(process, said, on_progress), daemon=True),
        threading.Thread(target=_read_out, args=(process, out), daemon=True),
    ]
    for reader in readers:
        reader.start()
    if given is not None and process.stdin is not None:
        with process.stdin as stdin:
            stdin.write(given)
    try:
        code: int | None = process.wait(timeout=step.seconds)
    except subprocess.TimeoutExpired:
        _end(process)
        code = None
    for reader in readers:
        reader.join(timeout=5)
    return Answer(code, "".join(out), tuple(said), "--json" in step.args)


def _environment() -> dict[str, str]:
    """The server's own, with this installation first, progress as lines and a limit on memory."""
    root = str(Path(__file__).parents[2])
    path = os.pathsep.join(p for p in (root, os.environ.get("PYTHONPATH", "")) if p)
    own = {"PYTHONPATH": path, "PYTHONSAFEPATH": "1", "PYTHONIOENCODING": "utf-8", "KINBAY_PROGRESS": "lines"}
    try:
        whole = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return {**os.environ, **own}
    return {**os.environ, **own, "KINBAY_MEMORY_MB": str(int(whole * MEMORY_SHARE / 2**20))}


def _end(process: subprocess.Popen[str]) -> None:
    """Stop a process and what it started."""
    if os.name == "posix":
        os.killpg(process.pid, signal.SIGKILL)
    else:
        process.kill()
    process.wait(timeout=10)


def _read_said(process: subprocess.Popen[str], said: list[str], on_progress: Told | None) -> None:
    for line in process.stderr or ():
        if line.startswith(PROGRESS_MARK):
            if on_progress is not None:
                on_progress(*_progress(line.removeprefix(PROGRESS_MARK)))
        elif line.strip():
            said.append(line.rstrip())
            del said[:-200]


def _progress(line: str) -> tuple[str, str, float | None]:
    try:
        told = json.loads(line)
        total = float(told["total"])
        share = min(1.0, float(told["done"]) / total) if total > 0 else None
        return str(told["work"]), str(told["text"]), share
    except (ValueError, KeyError, TypeError):
        return "", "", None


def _read_out(process: subprocess.Popen[str], out: list[str]) -> None:
    """Keep stdout up to a limit; what is longer is read on and dropped, so that nobody waits."""
    kept = 0
    while block := (process.stdout.read(65536) if process.stdout else ""):
        if kept < MOST_KEPT:
            out.append(block)
            kept += len(block)
