"""The settings: read once at the start, checked as a whole, never changed afterwards."""

from __future__ import annotations

from watcher.settings.load import Settings, load_settings
from watcher.settings.model import SettingsText

__all__ = ["Settings", "SettingsText", "load_settings"]
