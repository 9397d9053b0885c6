"""Files moved out of the way while something is done, and put back where it fails."""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.settings import Home

PREFIX = ".aside-"


class Aside:
    """Files moved aside and files made, so that a failure can be undone."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._old: list[tuple[Path, Path]] = []
        self.made: list[Path] = []
        self.due: list[Path] = []

    def away(self, path: Path) -> None:
        """Move a file aside; one that is not there is no matter."""
        if path.exists():
            place = self.folder / uuid.uuid4().hex
            path.replace(place)
            self._old.append((place, path))

    def away_with_due(self) -> None:
        """Move aside what is due, once all that takes its place is written."""
        for path in self.due:
            self.away(path)

    def before_change(self, path: Path) -> None:
        """Keep a copy of a file that is about to be replaced."""
        place = self.folder / uuid.uuid4().hex
        shutil.copy2(path, place)
        self._old.append((place, path))

    def undo(self) -> None:
        """Put everything back as it was."""
        for path in self.made:
            path.unlink(missing_ok=True)
        for place, path in reversed(self._old):
            place.replace(path)


@contextmanager
def set_aside(home: Home) -> Iterator[Aside]:
    """Keep what is moved aside until the block ends well; where it does not, put it back."""
    for left in home.warehouse.glob(f"{PREFIX}*"):
        shutil.rmtree(left)
    folder = home.warehouse / f"{PREFIX}{uuid.uuid4().hex}"
    folder.mkdir()
    moved = Aside(folder)
    try:
        yield moved
    except BaseException:
        moved.undo()
        raise
    finally:
        shutil.rmtree(folder)
