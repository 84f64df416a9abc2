"""How treated aircraft are printed: first how many minutes are left, then what comes next, then where it comes from."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap

from watcher.cli.marks import shown
from watcher.notify.message import CAUTION
from watcher.notify.wording import plain
from watcher.service.protections import Reading
from watcher.treatment.clocks import whole_minutes_to
from watcher.treatment.procedures import Item
from watcher.treatment.protection import Standing
from watcher.treatment.protection_steps import next_step
from watcher.treatment.protection_words import (
    figures_words,
    fluid_words,
    headline,
    open_words,
    report_words,
    waits_words,
    why_words,
)
from watcher.units import clock_z

_WIDTH = 80
_LEAD = 13


def text_of(reading: Reading, step: Item | None, link: str | None = None) -> str:
    """Return one treated aircraft in lines of at most 80 characters.

    Parameters
    ----------
    reading
        How it stands.
    step
        Where the checklist of its place goes on; None: not known.
    link
        The page for the phone of the crew, which stands on a line of its own however long it is; None: not shown.
    """
    return "\n".join(shown(line) for line in _lines(reading, step, link))


def _lines(reading: Reading, step: Item | None, link: str | None) -> Iterator[str]:
    protection, clocks = reading.protection, reading.clocks
    training = "TRAINING  " if clocks.training and protection.live else ""
    began = f"final application {clock_z(protection.started_at)}"
    who = f"{protection.id}  {plain(protection.aircraft)} at {protection.station}"
    yield from _wrapped("", f"{who}, {fluid_words(protection)}, {began}")
    yield from _wrapped("  ", f"{training}{headline(protection, clocks)}")
    if clocks.upper_ends_at is not None and clocks.standing is Standing.RUNNING:
        left = whole_minutes_to(clocks.upper_ends_at, clocks.at)
        yield f"  {left} min to the upper end at {clock_z(clocks.upper_ends_at)}"
    if protection.ended_at is not None:
        return
    yield from _wrapped("  ", waits_words(protection, clocks))
    yield ""
    yield from _said("Next step", next_step(protection, clocks))
    if step is not None:
        yield from _said("Checklist", step.text)
    why = why_words(clocks)
    if why is not None:
        yield from _said("Why", why)
    for gap in open_words(protection, clocks):
        yield from _said("Open", gap)
    yield from _said("Report", report_words(clocks, reading.observation))
    yield from _said("Figures", figures_words(protection, clocks))
    if link is not None:
        yield "  For the phone of the crew; whoever has it may look and press:"
        yield f"  {link}"
    yield from _wrapped("  ", CAUTION)


def _said(label: str, text: str) -> Iterator[str]:
    yield from _wrapped(f"  {label}".ljust(_LEAD), plain(text), " " * _LEAD)


def _wrapped(first: str, text: str, rest: str | None = None) -> Iterator[str]:
    yield from wrap(text, _WIDTH, initial_indent=first, subsequent_indent=first if rest is None else rest)
