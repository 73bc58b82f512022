"""`python -m collector` is the command `clampbook`."""

from collector.cli import main

main()
