"""The command line: every process and every tool of an installation."""

from service.cli.commands import main

__all__ = ["main"]
