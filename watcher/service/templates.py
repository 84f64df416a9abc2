"""How messages look: the operator's templates over the shipped ones."""

from __future__ import annotations

from pathlib import Path

from watcher.errors import Problem, SettingsError
from watcher.notify.templating import Templates
from watcher.settings import Settings


def load_templates(settings: Settings) -> Templates:
    """Return how messages look; SettingsError when a template of the operator's is wrong."""
    folder = settings.text.notify.templates
    return Templates.load(_template_texts(settings.path(folder)) if folder is not None else {})


def _template_texts(folder: Path) -> dict[str, str]:
    if not folder.is_dir():
        raise SettingsError(
            [Problem(str(folder), "is no folder", "name a folder with templates in [notify] templates")]
        )
    texts: dict[str, str] = {}
    problems = []
    for path in sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith(".")):
        try:
            texts[path.name] = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            problems.append(Problem(str(path), f"cannot be read: {error}"))
    if problems:
        raise SettingsError(problems)
    return texts
