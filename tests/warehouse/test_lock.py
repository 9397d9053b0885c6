"""One writer at a time, and a dead one holds nothing."""

from __future__ import annotations

import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from pipeline.errors import KinbayError
from pipeline.warehouse import lock
from tests.patience import PATIENCE_S

ROOT = Path(__file__).parents[2]
HOLDER = """
    import sys
    sys.path.insert(0, {root!r})
    from pathlib import Path
    from pipeline.warehouse import lock
    with lock.hold(Path({path!r})):
        print("held", flush=True)
        sys.stdin.read()
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
    with subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(KinbayError), lock.hold(path):
            pass
        holder.kill()
        holder.wait()
    with lock.hold(path):
        pass


def test_waiting_for_the_holder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The holder lets go while the other waits, whose pauses stand still until it has."""
    path, held, done, pauses = tmp_path / ".lock", threading.Event(), threading.Event(), []

    def hold() -> None:
        with lock.hold(path):
            held.set()
            done.wait()

    holder = threading.Thread(target=hold)
    holder.start()
    held.wait()

    def pause(seconds: float) -> None:
        pauses.append(seconds)
        done.set()
        holder.join()

    monkeypatch.setattr(lock, "time", SimpleNamespace(monotonic=time.monotonic, sleep=pause))
    with lock.hold(path, wait_s=PATIENCE_S):
        assert len(pauses) == 1


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
