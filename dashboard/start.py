"""What `kinbay` runs: the commands, and one sentence where a person stops it while they are still being loaded."""

from __future__ import annotations

import sys


def main() -> None:
    """Load the commands and run the one that is asked for."""
    try:
        from dashboard.cli import main as run  # a second or two on a busy machine, which Ctrl-C may fall into

        run()
    except KeyboardInterrupt:
        sys.stderr.write("Stopped before anything was done.\n")
        sys.exit(2)
