"""Commands run beside the server: each in a process of its own, with limits on time and memory.

A page only starts a job and looks at it; what a job does goes on when the page is closed. Jobs of one home run
one after another, since only one process may write at a time.
"""

from __future__ import annotations

import json
import logging
import os
import secrets
import signal
import subprocess
import sys
import threading
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.errors import KinbayError

LOG = logging.getLogger("kinbay.dashboard")
PROGRESS_MARK = "@progress "
MEMORY_SHARE = 0.75
MOST_KEPT = 2 * 2**20
_turn: dict[Path, threading.Lock] = defaultdict(threading.Lock)
_latest: dict[Path, Job] = {}


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

    `code` is None where it was stopped because it took too long.
    """

    code: int | None
    out: str
    said: tuple[str, ...]

    @property
    def is_done(self) -> bool:
        """Whether it did its work, even if something is left for a person (exit code 1)."""
        return self.code in (0, 1)

    def as_json(self) -> Any:
        """Return stdout as data; None where it is none."""
        try:
            return json.loads(self.out)
        except ValueError:
            return None


@dataclass
class Job:
    """Commands on their way; a thread writes it, pages read it.

    Parameters
    ----------
    title : str
        What a person set going.
    steps : tuple of Step
        The commands, in order; the first that fails ends the job.
    state : str
        `waiting`, `running`, `done` or `failed`.
    answers : list of Answer
        What the finished steps gave back.
    progress : tuple
        Step's title, what it is at, and the share done (0 to 1) or None.
    reference : str
        The id under which the server's log has the details of a failure.
    """

    title: str
    steps: tuple[Step, ...]
    state: str = "waiting"
    answers: list[Answer] = field(default_factory=list)
    progress: tuple[str, str, float | None] = ("", "", None)
    reference: str = ""
    process: subprocess.Popen[str] | None = None
    ended: threading.Event = field(default_factory=threading.Event)

    @property
    def is_ended(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in ("done", "failed")

    @property
    def trouble(self) -> str:
        """Why it failed, in one sentence; empty where it did not."""
        if self.state != "failed":
            return ""
        last = self.answers[-1] if self.answers else Answer(None, "", ())
        step = self.steps[len(self.answers) - 1] if self.answers else self.steps[0]
        if last.code is None:
            return f"{step.title} took longer than {step.seconds:.0f} seconds and was stopped."
        if last.code == 2 and last.said:
            return last.said[-1]
        if step.args[0] == "build" and last.said:
            return " ".join(last.said)
        return f"{step.title} ended unexpectedly, as when memory runs out."


def start(home: Path, title: str, steps: Sequence[Step]) -> Job:
    """Set a job going and return it at once; it waits for the jobs of the same home before it."""
    job = Job(title, tuple(steps))
    _latest[home] = job
    threading.Thread(target=_run, args=(home, job), daemon=True, name=f"kinbay {title}").start()
    return job


def latest(home: Path) -> Job | None:
    """Return the job set going last in a home, by whichever page."""
    return _latest.get(home)


def run_now(home: Path, *args: str, seconds: float = 60.0, given: str | None = None) -> Answer:
    """Run one short command and wait for it.

    Parameters
    ----------
    home : Path
        The fleet's folder.
    args : str
        The command and its options.
    seconds : float
        The longest it may take.
    given : str, optional
        Text for its stdin.

    Raises
    ------
    KinbayError
        Where it could not do its work; the sentence is the command's own.
    """
    answer = _call(home, Step(args[0], args, seconds), given, None)
    if answer.is_done:
        return answer
    reference = secrets.token_hex(3).upper()
    LOG.error("reference %s: %s: exit %s: %s", reference, args[0], answer.code, " | ".join(answer.said))
    if answer.code == 2 and answer.said:
        raise KinbayError(answer.said[-1].rstrip("."))
    raise KinbayError(
        f"The command {args[0]} did not come to an end", f"reference {reference}", "Nothing was changed."
    )


def _run(home: Path, job: Job) -> None:
    try:
        with _turn[home]:
            job.state = "running"
            for step in job.steps:
                job.progress = (step.title, "", None)
                job.answers.append(_call(home, step, None, job))
                is_blocked = step.args[0] == "build" and job.answers[-1].code == 1
                if not job.answers[-1].is_done or is_blocked:
                    _note_failure(job)
                    return
            job.state = "done"
    except Exception:
        job.answers.append(Answer(-1, "", ()))
        _note_failure(job)
        LOG.exception("reference %s", job.reference)
    finally:
        job.ended.set()


def _note_failure(job: Job) -> None:
    job.reference = secrets.token_hex(3).upper()
    last = job.answers[-1]
    LOG.error("reference %s: %s: exit %s: %s", job.reference, job.title, last.code, " | ".join(last.said))
    job.state = "failed"


def _call(home: Path, step: Step, given: str | None, job: Job | None) -> Answer:
    """Run one command in a process group of its own, and end the group where it takes too long."""
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline", *step.args, "--home", str(home)],
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
        threading.Thread(target=_read_said, args=(process, step, said, job), daemon=True),
        threading.Thread(target=_read_out, args=(process, out), daemon=True),
    ]
    if job is not None:
        job.process = process
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
    return Answer(code, "".join(out), tuple(said))


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


def _read_said(process: subprocess.Popen[str], step: Step, said: list[str], job: Job | None) -> None:
    for line in process.stderr or ():
        if line.startswith(PROGRESS_MARK):
            if job is not None:
                job.progress = (step.title, *_progress(line.removeprefix(PROGRESS_MARK)))
        elif line.strip():
            said.append(line.rstrip())
            del said[:-200]


def _progress(line: str) -> tuple[str, float | None]:
    try:
        told = json.loads(line)
        total = float(told["total"])
        return str(told["text"]), min(1.0, float(told["done"]) / total) if total > 0 else None
    except (ValueError, KeyError, TypeError):
        return "", None


def _read_out(process: subprocess.Popen[str], out: list[str]) -> None:
    """Keep stdout up to a limit; what is longer is read on and dropped, so that nobody waits."""
    kept = 0
    while block := (process.stdout.read(65536) if process.stdout else ""):
        if kept < MOST_KEPT:
            out.append(block)
            kept += len(block)
