"""Makes deploy/templates.md from the table of fields. Run it after changing them; a test compares."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from watcher.notify.template_check import FILTERS
from watcher.notify.template_fields import FIELDS

_TARGET = Path(__file__).parent / "templates.md"
_INTRODUCTION = """# Templates

How messages look is six files: `mail.txt` and `mail.html` (the two halves of a mail), `chat.txt` (a chat room of the
shapes text and markdown, and the plain text of a Matrix room), `card.json` (one of the shape card), `room.html`
(a Matrix room) and `webhook.json` (the body of a webhook and of an MQTT message). The shipped ones stand in
`watcher/notify/templates`. Put your own, under the same name, into a folder, and name the folder in the settings; a
file that is not there is the shipped one. A CAP document follows its standard and has no template.
`hoarline check` tries each with an invented message of every kind and names file, line and what is allowed.

They are [Jinja](https://jinja.palletsprojects.com/en/stable/templates/) templates in a sandbox: fields, `if`, `for`,
`macro`, and the filters at the end of this page. A template stands alone, and an unknown field is an error.

```jinja
{{ headline }}
{% for part in parts %}
{{ part.station }} {{ part.level }}: {{ part.next_step }} ({{ part.age }})
{% endfor %}
{{ caution }}
```

- Values are made harmless for where they stand: HTML is escaped in `mail.html` and `room.html`, line breaks and control
  characters are taken out in `mail.txt`, and `chat.txt` exchanges what a room would read as a command, mention, entity
  or hidden link. For the shape markdown, and in `card.json`, its signs get a backslash as well.
- In `webhook.json` and `card.json` every `{{ }}` writes a whole JSON literal, quotes included: `"where": {{ station }}`
  and not `"{{ station }}"`. A webhook's body must be an object with `type`, `timestamp` and `data`; it is signed.
- A mail tells every change. A chat room gets the worst that fit into 1,900 characters, a card into 24,000 bytes,
  `room.html` into 48,000, and `more` says how many are left out.
- Keep `{{ caution }}`, `{{ headline }}` and the age of the data: whoever reads only this message must have them.
- Should one of your templates fail on a message all the same, the shipped one is sent and the log says so.
"""
_GROUPS = {
    "message": ("Fields of a message", "In all but `webhook.json`, as they stand: `{{ headline }}`."),
    "part": (
        "Fields of a change",
        "`{% for part in parts %}{{ part.headline }}{% endfor %}`, or `{{ first.headline }}`.",
    ),
    "line": ("Fields of a line", "`{% for line in first.lines %}{{ line.label }}: {{ line.text }}{% endfor %}`."),
    "station": (
        "Fields of a digest's station",
        "`{% for station in first.stations %}{{ station.headline }}{% endfor %}`.",
    ),
    "parked": (
        "Fields of a digest's parked aircraft",
        "`{% for aircraft in first.parked %}{{ aircraft.headline }}{% endfor %}`.",
    ),
    "webhook": ("Fields of webhook.json", "Times are `2026-01-12T05:50:00Z`, unknown is `null`."),
}


def page() -> str:
    """Return the page."""
    return "\n".join([_INTRODUCTION, *_sections()])


def _sections() -> Iterator[str]:
    for group, (title, use) in _GROUPS.items():
        yield f"## {title}\n\n{use}\n\n{_table('field', FIELDS[group])}\n"
    yield f"## Filters\n\n{_table('filter', FILTERS)}\n"


def _table(head: str, rows: Mapping[str, str]) -> str:
    return "\n".join([
        f"| {head} | meaning |",
        "| --- | --- |",
        *(f"| `{name}` | {meaning.replace('|', chr(92) + '|')} |" for name, meaning in rows.items()),
    ])  # fmt: skip


if __name__ == "__main__":
    _TARGET.write_text(page(), encoding="utf-8")
