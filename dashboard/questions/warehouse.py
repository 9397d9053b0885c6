"""The published warehouse, opened read-only and hardened, one cursor a question."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass
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
_open_files: dict[Path, duckdb.DuckDBPyConnection] = {}
_opening = threading.Lock()


class NothingBuiltError(KinbayError):
    """No warehouse has been published in this home yet."""


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
    """

    build_id: str
    connection: duckdb.DuckDBPyConnection

    def ask(self, question: str, **given: Any) -> pl.DataFrame:
        """Run the SQL file named `question` with named parameters and return its rows.

        Raises
        ------
        KinbayError
            Where the question takes longer than `QUESTION_SECONDS` or cannot be answered.
        """
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
                _open_files.pop(other).close()
            _open_files[path] = connection
        return Warehouse(build_id, _open_files[path])
