"""`python -m pipeline`: the commands that need no dashboard."""

from pipeline.cli import main

main()
