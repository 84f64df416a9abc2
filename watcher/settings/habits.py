"""The file of habits that the settings may name: what an archive taught of stations."""

from __future__ import annotations

from watcher.alerts.habit_words import habits_in_file
from watcher.alerts.habits import Habits
from watcher.errors import Problem, SettingsError
from watcher.settings.load import Settings


def habits_of(settings: Settings) -> dict[str, Habits]:
    """Return the habits by station that the settings' file holds; none where they name no file.

    Raises
    ------
    SettingsError
        The file cannot be read, or is another one.
    """
    if settings.text.watch.habits is None:
        return {}
    path = settings.path(settings.text.watch.habits)
    try:
        return habits_in_file(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        remedy = "make one with hoarline replay, or leave [watch] habits out"
        raise SettingsError([Problem(f"[watch] habits: {path}", f"cannot be used: {error}", remedy)]) from error
