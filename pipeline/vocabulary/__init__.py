"""The words of the trade as data: readings, units, operating states, parts, cautions, code titles.

`parameters()`, `states()` and `cautions()` give frozen records; `tables()` gives the same as Arrow
tables, loaded into the warehouse so that labels and units travel with the data.
"""

from pipeline.vocabulary.names import fold, fold_unit, write_part
from pipeline.vocabulary.parts import may_need_relearn
from pipeline.vocabulary.pids import by_pid, decode_pid_bytes
from pipeline.vocabulary.records import (
    Caution,
    Parameter,
    State,
    cautions,
    parameter,
    parameters,
    states,
)
from pipeline.vocabulary.tables import tables

__all__ = [
    "Caution",
    "Parameter",
    "State",
    "by_pid",
    "cautions",
    "decode_pid_bytes",
    "fold",
    "fold_unit",
    "may_need_relearn",
    "parameter",
    "parameters",
    "states",
    "tables",
    "write_part",
]
