"""One writer at a time: a lock that the operating system lets go of when its holder dies."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import KinbayError

_PAUSE_S = 0.05

if sys.platform == "win32":
    import msvcrt

    def _take(handle: int) -> None:
        os.lseek(handle, 0, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _take(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


@contextlib.contextmanager
def hold(path: Path, wait_s: float = 0.0) -> Iterator[None]:
    """Hold the lock file at `path` while the block runs; not re-entrant.

    The lock belongs to the open file, not to the file's existence: a holder that is killed
    leaves the file behind but not the lock.

    Parameters
    ----------
    path : Path
        The lock file; made where it is missing, never removed.
    wait_s : float
        How long to wait for another holder, in seconds.

    Raises
    ------
    KinbayError
        Where another holder has not let go in time, or the file cannot be opened.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o644)
    except OSError as error:
        raise KinbayError(
            "The warehouse cannot be locked for writing", path.name, "Check the rights on the home folder."
        ) from error
    deadline = time.monotonic() + wait_s
    try:
        while True:
            try:
                _take(handle)
                break
            except OSError:
                if time.monotonic() >= deadline:
                    raise KinbayError(
                        "Another load or build is at work on this warehouse",
                        path.name,
                        "Wait until it has finished and try again.",
                    ) from None
                time.sleep(_PAUSE_S)
        yield
    finally:
        os.close(handle)
