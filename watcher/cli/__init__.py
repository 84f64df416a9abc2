"""The command line: one file for each command; heavy imports wait until a command needs them."""

from __future__ import annotations

from watcher.cli.app import main

__all__ = ["main"]
