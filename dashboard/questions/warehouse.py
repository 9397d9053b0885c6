"""The published warehouse, opened read-only and hardened, one cursor a question."""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.errors import KinbayError
from pipeline.settings import Home

QUESTION_SECONDS = 20.0
OPEN_OPTIONS: dict[str, str | bool | int | float | list[str]] = {
    "enable_external_access": False,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "python_enable_replacements": False,
    "memory_limit": "2GB",
    "threads": 2,
    "lock_configuration": True,
}
MOST_KEPT = 64_000_000  # bytes of answers kept of one build
_opening = threading.Lock()


class Answers:
    """The answers given last of one build. A build never changes, so an answer holds as long as the file is open."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, tuple[pl.DataFrame, int]] = OrderedDict()
        self._size = 0
        self._lock = threading.Lock()

    def find(self, key: str) -> pl.DataFrame | None:
        """Return an answer kept, which then counts as the one given last."""
        with self._lock:
            if key not in self._kept:
                return None
            self._kept.move_to_end(key)
            return self._kept[key][0]

    def keep(self, key: str, answer: pl.DataFrame) -> None:
        """Keep an answer and let go of the oldest ones beyond `MOST_KEPT`."""
        size = int(answer.estimated_size()) + len(key)
        with self._lock:
            self._size += size - self._kept.pop(key, (answer, 0))[1]
            self._kept[key] = (answer, size)
            while self._size > MOST_KEPT:
                self._size -= self._kept.popitem(last=False)[1][1]


_open_files: dict[Path, tuple[duckdb.DuckDBPyConnection, Answers]] = {}


class NothingBuiltError(KinbayError):
    """No warehouse has been published in this home yet."""


class OtherVersionError(KinbayError):
    """The published build has not the tables or columns that this version reads."""


@dataclass(frozen=True)
class Warehouse:
    """One published build; its id belongs in every cache key.

    Parameters
    ----------
    build_id : str
        Names the build the answers come from.
    connection : duckdb.DuckDBPyConnection
        Never used itself: every question runs on a cursor of its own, because a shared connection gave
        wrong rows under several threads.
    answers : Answers
        What was asked of this build before; frames are shared and must not be changed in place.
    """

    build_id: str
    connection: duckdb.DuckDBPyConnection
    answers: Answers = field(default_factory=Answers, compare=False, repr=False)

    def ask(self, question: str, **given: Any) -> pl.DataFrame:
        """Return the rows of the SQL file named `question` with named parameters; the same question is run once.

        Raises
        ------
        OtherVersionError
            Where the build lacks what the question reads.
        KinbayError
            Where the question takes longer than `QUESTION_SECONDS` or cannot be answered.
        """
        key = f"{question} {sorted(given.items())!r}"
        known = self.answers.find(key)
        if known is None:
            known = self._run(question, given)
            self.answers.keep(key, known)
        return known

    def _run(self, question: str, given: dict[str, Any]) -> pl.DataFrame:
        cursor = self.connection.cursor()
        alarm = threading.Timer(QUESTION_SECONDS, cursor.interrupt)
        alarm.start()
        try:
            answer: pl.DataFrame = cursor.sql(read_sql(question), params=given).pl()
            return answer
        except duckdb.InterruptException as error:
            raise KinbayError(
                f"The question took longer than {QUESTION_SECONDS:.0f} seconds and was stopped",
                remedy="Nothing was changed. Choose fewer vans and try again.",
            ) from error
        except (duckdb.CatalogException, duckdb.BinderException) as error:
            raise OtherVersionError(
                "The data was built by another version of Kinbay",
                f"question {question}, build {self.build_id}",
                "Nothing is lost. Run `kinbay build`; if that does not help, `kinbay build --full`.",
            ) from error
        except duckdb.Error as error:
            raise KinbayError(
                "The warehouse could not answer",
                f"question {question}, build {self.build_id}",
                "Nothing was changed. Run `kinbay build --full`, then try again.",
            ) from error
        finally:
            alarm.cancel()
            cursor.close()


@cache
def read_sql(question: str) -> str:
    """Read the SQL file that belongs to a question."""
    return Path(__file__).with_name(f"{question}.sql").read_text(encoding="utf-8")


def _read_pointer(home: Home) -> tuple[Path, str]:
    """Return the published file and its build id."""
    try:
        pointer = json.loads(home.pointer.read_text(encoding="utf-8"))
        name, build_id = str(pointer["file"]), str(pointer["build_id"])
    except FileNotFoundError as error:
        raise NothingBuiltError(
            "Nothing is built yet",
            remedy="Put files into the inbox and run `kinbay load`, then `kinbay build`;"
            " or look around first with `kinbay demo`.",
        ) from error
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise KinbayError(
            "The note that names the published build cannot be read",
            "warehouse/current.json",
            "Run `kinbay build` again.",
        ) from error
    if Path(name).name != name:
        raise KinbayError("The published build lies outside the warehouse", name, "Run `kinbay build` again.")
    return home.warehouse / name, build_id


def open_warehouse(home: Home) -> Warehouse:
    """Open the build that `current.json` names; the same file is opened once and shared.

    Call it at the start of every page: a newer build is then taken up without a restart.

    Raises
    ------
    NothingBuiltError
        Where nothing has been published.
    KinbayError
        Where the pointer or the published file cannot be read.
    """
    path, build_id = _read_pointer(home)
    with _opening:
        if path not in _open_files:
            try:
                connection = duckdb.connect(str(path), read_only=True, config=OPEN_OPTIONS)
            except duckdb.Error as error:
                raise KinbayError(
                    "The published build cannot be opened", path.name, "Run `kinbay build` again."
                ) from error
            # Older builds of the same home are let go of here; cursors still at work keep theirs alive.
            for other in [p for p in _open_files if p.parent == path.parent]:
                _open_files.pop(other)[0].close()
            _open_files[path] = (connection, Answers())
        return Warehouse(build_id, *_open_files[path])
