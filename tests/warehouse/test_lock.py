"""One writer at a time, and a dead one holds nothing."""

from __future__ import annotations

import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import pytest

from pipeline.errors import KinbayError
from pipeline.warehouse import lock

ROOT = Path(__file__).parents[2]
HOLDER = """
    import sys, time
    sys.path.insert(0, {root!r})
    from pathlib import Path
    from pipeline.warehouse import lock
    with lock.hold(Path({path!r})):
        print("held", flush=True)
        time.sleep(60)
"""


def test_a_second_writer_is_told_to_wait(tmp_path: Path) -> None:
    path = tmp_path / "warehouse" / ".lock"
    with lock.hold(path), pytest.raises(KinbayError, match="Another load or build"), lock.hold(path):
        pass
    with lock.hold(path):
        assert path.exists()


def test_a_killed_holder_lets_go(tmp_path: Path) -> None:
    path = tmp_path / ".lock"
    script = textwrap.dedent(HOLDER.format(root=str(ROOT), path=str(path)))
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(KinbayError), lock.hold(path):
            pass
        holder.kill()
        holder.wait()
    with lock.hold(path):
        pass


def test_waiting_for_the_holder(tmp_path: Path) -> None:
    path, held, done = tmp_path / ".lock", threading.Event(), threading.Event()

    def hold() -> None:
        with lock.hold(path):
            held.set()
            done.wait()

    holder = threading.Thread(target=hold)
    holder.start()
    held.wait()
    threading.Timer(0.2, done.set).start()
    started = time.monotonic()
    with lock.hold(path, wait_s=20):
        assert time.monotonic() - started >= 0.1
    holder.join()


def test_an_error_inside_lets_go(tmp_path: Path) -> None:
    path = tmp_path / ".lock"
    with pytest.raises(ValueError, match="inside"), lock.hold(path):
        raise ValueError("inside")
    with lock.hold(path):
        pass


def test_a_place_that_cannot_be_locked(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(KinbayError, match="cannot be locked"), lock.hold(tmp_path / "file" / ".lock"):
        pass
