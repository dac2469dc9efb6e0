"""`python -m pipeline` is the `billetwright` command."""

from pipeline.cli import main

main()
