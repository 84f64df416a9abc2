"""Makes deploy/settings.md from the settings models. Run it after changing them; a test compares."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from watcher.settings.model import SettingsText

_TARGET = Path(__file__).parent / "settings.md"
_INTRODUCTION = """# Settings

All sections and keys of `hoarline.toml`. A wrong or unknown key is an error that names the nearest right one.
One value of a section with single brackets can be overridden from the environment, such as `HOARLINE_STORE__URL`.
Durations are written `60s`, `10m`, `1h 30m`, `7d`. Relative paths count from the folder of the settings file.
"""
_HEAD = "| key | default | meaning |\n| --- | --- | --- |"


def page() -> str:
    """Return the page."""
    return "\n".join([_INTRODUCTION, *_sections()])


def _sections() -> Iterator[str]:
    for name, field in SettingsText.model_fields.items():
        model = _model(field)
        brackets = f"[[{name}]]" if "tuple" in str(field.annotation) else f"[{name}]"
        yield f"## {brackets}\n\n{(model.__doc__ or '').splitlines()[0]}\n\n{_HEAD}"
        for key, item in model.model_fields.items():
            yield f"| `{item.alias or key}` | {_default(item)} | {item.description} |"
        yield ""


def _model(field: FieldInfo) -> type[BaseModel]:
    candidates = [field.annotation, *getattr(field.annotation, "__args__", ())]
    return next(item for item in candidates if isinstance(item, type) and issubclass(item, BaseModel))


def _default(field: FieldInfo) -> str:
    value = field.default
    if value is PydanticUndefined:
        return "required"
    if value is None or value in ((), ""):
        return ""
    return f"`{_written(value)}`"


def _written(value: object) -> str:
    if isinstance(value, timedelta):
        seconds = int(value.total_seconds())
        for unit, size in (("d", 86400), ("h", 3600), ("m", 60)):
            if seconds % size == 0 and seconds >= size:
                return f"{seconds // size}{unit}"
        return f"{seconds}s"
    if isinstance(value, bool):
        return str(value).lower()
    return ", ".join(map(str, value)) if isinstance(value, tuple) else str(value)


if __name__ == "__main__":
    _TARGET.write_text(page(), encoding="utf-8")
