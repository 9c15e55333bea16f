"""``python -m benchpipe``."""

from benchpipe.cli.main import run

run()
