"""The options that many commands share, and how a command gets the settings and prints JSON."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from watcher.settings import Settings

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", "-c", help="Settings file. Left out: hoarline.toml in this folder.", show_default=False),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of text for people.")]
RulesOption = Annotated[
    Path | None,
    typer.Option("--rules", help="Folder of rules laid over the shipped ones.", show_default=False),
]


def settings_from(path: Path | None, *, required: bool = True) -> Settings:
    """Return the settings in force; SettingsError says all that is wrong with them."""
    from watcher.settings import load_settings

    return load_settings(path, os.environ, required=required)


def print_json(value: object) -> None:
    """Print one line of JSON."""
    json.dump(value, sys.stdout, ensure_ascii=False, separators=(",", ":"))
    sys.stdout.write("\n")
