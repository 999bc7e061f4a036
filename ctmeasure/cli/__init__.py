"""The command line: thin, and the same use cases as the window."""

from ctmeasure.cli.main import main

__all__ = ["main"]
