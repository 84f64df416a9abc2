"""The picture of an answered night: the hours after departure too, the aircraft's times marked, night shaded."""

from __future__ import annotations

from collections.abc import Sequence

from watcher.pictures.axis import TimeMark, nights_of
from watcher.pictures.night_plot import night_picture
from watcher.service.night_answers import Answer


def picture_of(answer: Answer, *, foot: Sequence[str] = (), width: int = 960) -> str:
    """Return the picture of an answer as an inline SVG.

    Parameters
    ----------
    answer
        What was computed.
    foot
        Lines beneath, such as the caution where the picture leaves its page.
    width
        In px; below 600 it is laid out for a phone.
    """
    station, night = answer.question.station, answer.after
    return night_picture(
        night,
        zone=station.zone,
        marks=marks_of(answer),
        dark=nights_of(station, night.begins_at, night.ends_at),
        part=answer.night.worst_part,
        foot=foot,
        width=width,
    )


def marks_of(answer: Answer) -> list[TimeMark]:
    """Return the times of the aircraft that are known: parked, out of the hangar, made clean, departing."""
    craft = answer.question.aircraft
    named = (
        ("parked", craft.arrived_at),
        ("out of hangar", craft.hangar_exit_at),
        ("made clean", craft.treated_at),
        ("departs", answer.asked.departs_at),
    )
    return [TimeMark(at, words) for words, at in named if at is not None]
