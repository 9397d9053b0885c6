"""`python -m pipeline`: the commands that need no dashboard.

`KINBAY_MEMORY_MB` limits the memory of the run, where the system can: the dashboard starts its work this way.
"""

import contextlib
import os

if limit := os.environ.get("KINBAY_MEMORY_MB"):
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_DATA, (int(limit) * 2**20,) * 2)

from pipeline.cli import main

main()
