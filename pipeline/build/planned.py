"""Which tables Python makes between the models, without importing what makes them before one of them is due.

The modules of the steps and the libraries under them take most of a second to import. Which tables they make and
what those read is therefore kept in the work file, with the fingerprint of the code that said so. While that code
is the same, its modules are imported by the first step that runs, or beside the first queries where rows are new.
"""

from __future__ import annotations

import importlib
import threading
from functools import partial

from pipeline.settings import Settings
from pipeline.warehouse.engines import DuckDB, Engine
from pipeline.warehouse.prints import package_print
from pipeline.warehouse.runner import Computed

_CODE = ("pipeline.compare", "pipeline.build", "pipeline.findings", "pipeline.vocabulary")
"""What the computed tables are made by: another version of it computes them afresh."""
_STEPS = "pipeline.build.steps"
_KEEP = """
create or replace table build.steps as
select
    $1::varchar as made_by, unnest($2::varchar[]) as name, unnest($3::varchar[][]) as parents,
    unnest($4::varchar[]) as written_by
"""


def planned_steps(engine: DuckDB, settings: Settings) -> dict[str, Computed]:
    """Return the tables that Python makes between the models, by name."""
    said = package_print(*_CODE, also=settings.model_dump_json())
    if engine.columns("build.steps"):
        kept = engine.connection.execute(
            "select name, parents, written_by from build.steps where made_by = $1", [said]
        ).fetchall()
        if kept:
            return {
                name: Computed(tuple(parents), partial(_run, name, settings), said, written_by)
                for name, parents, written_by in kept
            }
    made = _imported(settings, said)
    engine.connection.execute(
        _KEEP,
        [
            said,
            list(made),
            [list(step.parents) for step in made.values()],
            [step.written_by for step in made.values()],
        ],
    )
    return made


def _imported(settings: Settings, said: str) -> dict[str, Computed]:
    made: dict[str, Computed] = importlib.import_module(_STEPS).computed_steps(settings, said)
    return made


def _run(name: str, settings: Settings, engine: Engine) -> None:
    _imported(settings, "")[name].run(engine)


def import_beside() -> None:
    """Begin to import what makes the tables, in a thread: queries leave the interpreter free meanwhile."""
    threading.Thread(target=importlib.import_module, args=(_STEPS,), name="kinbay imports").start()
