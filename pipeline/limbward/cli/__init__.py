"""The command line: commands, their options, what they print, progress, and the demo."""

from limbward.cli.app import main

__all__ = ["main"]
