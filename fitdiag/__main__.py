"""`python -m fitdiag` runs the same commands as `fitdiag`."""

from fitdiag.cli.main import run

run()
