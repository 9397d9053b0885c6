"""Commands run beside the server: each in a process of its own, with limits on time and memory.

A page only starts a job and looks at it; what a job does goes on when the page is closed. Jobs of one home run
one after another, since only one process may write at a time.
"""

from __future__ import annotations

import logging
import secrets
import threading
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from dashboard.parts.processes import Answer, Step, Told, call
from pipeline.errors import KinbayError

LOG = logging.getLogger("kinbay.dashboard")
_turn: dict[Path, threading.Lock] = defaultdict(threading.Lock)
_latest: dict[Path, Job] = {}


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
        What is being done, what it is at, and the share done (0 to 1) or None.
    reference : str
        The id under which the server's log has the details of a failure.
    """

    title: str
    steps: tuple[Step, ...]
    state: str = "waiting"
    answers: list[Answer] = field(default_factory=list)
    progress: tuple[str, str, float | None] = ("", "", None)
    reference: str = ""
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
        if _is_unpublished(step, last) and last.said:
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
    answer = call(home, Step(args[0], args, seconds), given)
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
                job.answers.append(call(home, step, on_progress=_teller(job, step)))
                if not job.answers[-1].is_done or _is_unpublished(step, job.answers[-1]):
                    _note_failure(job)
                    return
            job.state = "done"
    except Exception:
        job.answers.append(Answer(-1, "", ()))
        _note_failure(job)
        LOG.exception("reference %s", job.reference)
    finally:
        job.ended.set()


def _is_unpublished(step: Step, answer: Answer) -> bool:
    """Whether a command ran that should build, and the build before is still the one that is shown."""
    if step.args[0] == "build":
        return answer.code == 1
    told = answer.as_json() if answer.code == 1 and "--build" in step.args else None
    return isinstance(told, dict) and told["build"]["build_id"] is None


def _teller(job: Job, step: Step) -> Told:
    def tell(work: str, at: str, share: float | None) -> None:
        job.progress = (work or step.title, at, share)

    return tell


def _note_failure(job: Job) -> None:
    job.reference = secrets.token_hex(3).upper()
    last = job.answers[-1]
    LOG.error("reference %s: %s: exit %s: %s", job.reference, job.title, last.code, " | ".join(last.said))
    job.state = "failed"
