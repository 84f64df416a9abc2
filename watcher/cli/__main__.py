"""So that `python -m watcher.cli` is the command."""

from __future__ import annotations

from watcher.cli import main

main()
