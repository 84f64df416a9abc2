"""Whether a command that a document, a unit or a container names exists, with all of its options."""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence

import click
import typer.main

from watcher.cli.app import app

_ROOT = typer.main.get_command(app)


def what_is_wrong(words: Sequence[str]) -> str | None:
    """Return what is wrong with the words after `hoarline`; None when there is such a command with such options."""
    command: click.Command = _ROOT
    left = list(words)
    context = click.Context(command)
    while left and hasattr(command, "get_command"):
        found = command.get_command(context, left[0])
        if found is None:
            if left[0].startswith("-"):
                break
            return f"there is no command {left[0]}"
        command, context = found, click.Context(found, parent=context)
        left.pop(0)
    known = {option for parameter in command.params for option in (*parameter.opts, *parameter.secondary_opts)}
    known |= {"--help", "-h"}
    unknown = [word for word in left if word.startswith("-") and word.partition("=")[0] not in known]
    if unknown:
        return f"{command.name} has no option {unknown[0]}"
    if hasattr(command, "get_command") and not left:
        return f"{command.name} needs a command of its own"
    return None


def named_in(text: str) -> list[list[str]]:
    """Return the words of every `hoarline ...` in the code of a Markdown text, in blocks and between backticks."""
    blocks = re.findall(r"```[a-z]*\n(.*?)```", text, re.DOTALL)
    spans = re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL))
    lines = [line for block in blocks for line in block.replace("\\\n", " ").splitlines()] + spans
    found = []
    for line in lines:
        for part in re.split(r"&&|\|\||[;|]", line.partition(" #")[0]):
            if match := re.search(r"(?:^|\s|/)hoarline\s+(?=[a-z-])(.*)", part.strip()):
                before = part.strip()[: match.start()]
                if not re.search(r"\b(systemctl|journalctl|docker|podman|useradd|chown|install|pg_\w+)\b", before):
                    found.append(shlex.split(match[1], comments=True))
    return found
