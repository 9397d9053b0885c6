"""What commands say to a person and how they end: messages, progress, JSON, faults in one sentence, Ctrl-C."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from pipeline.errors import KinbayError

PROGRESS_MARK = "@progress "
_STOPPED = 130
"""What typer leaves with when a person stops a command (Ctrl-C)."""
_QUERY_STOPPED = "Query interrupted"
"""What DuckDB says, as a plain RuntimeError, where Ctrl-C falls into one of its queries."""
ProgressCall = Callable[[str, int, int], None]


@contextmanager
def progress(title: str) -> Iterator[ProgressCall]:
    """Show a bar on a terminal; in a pipe nothing, or lines for whoever set `KINBAY_PROGRESS=lines`."""
    if os.environ.get("KINBAY_PROGRESS") == "lines":
        yield _progress_lines(title)
        return
    if not sys.stderr.isatty():
        yield lambda _text, _done, _total: None
        return
    from rich.console import Console  # a tenth of a second that nobody who sees no bar should wait for
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=None)

        def show(text: str, done: int, total: int) -> None:
            bar.update(task, description=f"{title}: {text}", completed=done, total=total)

        yield show


def _progress_lines(title: str) -> ProgressCall:
    """Say how far the work has come on stderr, a JSON object a line, at most three a second."""
    last = 0.0

    def show(text: str, done: int, total: int) -> None:
        nonlocal last
        if time.monotonic() - last >= 0.3:
            last = time.monotonic()
            told = {"work": title, "text": text, "done": done, "total": total}
            line = json.dumps(told, ensure_ascii=False)
            sys.stderr.write(f"{PROGRESS_MARK}{line}\n")
            sys.stderr.flush()

    return show


def print_json(data: Any) -> None:
    """Write JSON on stdout."""
    sys.stdout.write(json.dumps(data, ensure_ascii=False, indent=2, default=str) + "\n")


def say(text: str) -> None:
    """Write a message on stderr."""
    sys.stderr.write(f"{text}\n")


def run(application: Callable[[], Any]) -> None:
    """Run an application; a fault is said in one sentence and exits with 2."""
    try:
        application()
    except KinbayError as error:
        say(str(error))
        sys.exit(2)
    except BrokenPipeError:
        sys.exit(0)
    except (SystemExit, KeyboardInterrupt, RuntimeError) as left:
        if not _is_stop(left):
            raise
        say("Stopped; nothing half-done was kept.")
        sys.exit(2)


def _is_stop(left: BaseException) -> bool:
    """Whether a command ended because a person stopped it, wherever Ctrl-C fell."""
    if isinstance(left, SystemExit):
        return left.code == _STOPPED
    return isinstance(left, KeyboardInterrupt) or str(left) == _QUERY_STOPPED
