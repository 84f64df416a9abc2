"""What all strips of a page share: style rules, the grid of hours, the line of the present, hatches, axis and key."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from watcher.pictures.band_model import AHEAD, BEHIND
from watcher.pictures.strip_frame import FOOT, HEIGHT, NOW, SHOWN, UNIT
from watcher.pictures.svg import Svg, element, joined, text
from watcher.rulebook.words import Level
from watcher.units import clock_z

AXIS_HEIGHT = 56
# Room for the name of the dotted line at the right edge.
REFERENCE = 76
# Where there is less room than the least height needs, only the middle of a strip is shown, the hours around the
# present; the zero line is named again inside of it.
_NARROW_PX = 1150
_NARROW_LEFT = 452
_MARKED_HOURS = 3

FAMILY = "system-ui,sans-serif"


def rules() -> str:
    """Return the style rules of a strip, colours by their names."""
    levels = "".join(_level_rules(level) for level in Level)
    return (
        f".tb,.tbx{{font-family:{FAMILY};font-size:20px;font-variant-numeric:tabular-nums}}"
        ".tb text,.tbx text{fill:var(--ink)}"
        ".tb text,.tb-j{stroke:var(--paper);stroke-width:5px;stroke-linejoin:round;paint-order:stroke}"
        ".tb-j,.tb text.s.e,.tb-s{stroke:var(--paper);stroke-width:12px;stroke-linejoin:round;paint-order:stroke}"
        # What is used from elsewhere sees the rules of one class only, not where it stands.
        ".tb-l{fill:none;stroke:var(--line);stroke-width:2px}"
        ".tb-c{fill:none;stroke:var(--ink);stroke-width:3px}"
        ".tb-r{fill:none;stroke:var(--soft);stroke-width:2.5px;stroke-dasharray:2.5 7}"
        ".tb-j{display:none}"
        ".tb .n{fill:var(--night)}"
        ".tb .b{opacity:.55}"
        ".tb .h,.tbx .h{fill:var(--frost);fill-opacity:.3;stroke:var(--frost);stroke-width:2px}"
        ".tb .u{stroke:var(--soft);stroke-width:2px}"
        ".tb .k,.tbx .k{fill:var(--skin);stroke:var(--skin-edge);stroke-width:1.5px}"
        ".tb .a,.tbx .a{fill:none;stroke:var(--ink);stroke-width:4.5px;stroke-linejoin:round;stroke-linecap:round}"
        ".tb .f,.tbx .f{fill:none;stroke:var(--frost);stroke-width:4px;stroke-dasharray:11 7;stroke-linejoin:round}"
        ".tb .w path{fill:none;stroke:var(--ink);stroke-width:5px}"
        ".tb .w .x{stroke-width:2.5px}"
        ".tb .w .t{stroke-width:4px;stroke-dasharray:14 7}"
        ".tb .w .p{stroke:var(--soft);stroke-width:4px;stroke-dasharray:3 6}"
        ".tb .z,.tbx .y{font-weight:700}"
        ".tb .e,.tbx .e,.tb-e{text-anchor:end}.tbx .d{text-anchor:middle}"
        ".tb .s,.tbx .s,.tb-s{fill:var(--soft)}.tb .q{fill:var(--frost)}"
        ".tb .l .o{stroke:none}"
        f"{levels}"
        ".tb .l .i{fill:var(--no-time);color:var(--no-time)}"
    )


def page_rules() -> str:
    """Return what a page needs besides: the size of a strip, and its middle alone on a narrow screen."""
    return (
        f".tb{{display:block;width:100%;aspect-ratio:{SHOWN}/{HEIGHT};min-height:76px}}"
        f".tbx{{display:block;width:100%;aspect-ratio:{SHOWN}/{AXIS_HEIGHT};min-height:28px}}"
        f"@media(max-width:{_NARROW_PX}px){{.tb-j{{display:inline}}}}"
        "@media(forced-colors:active){.tb,.tbx{forced-color-adjust:none}}"
    )


def shared(now: datetime) -> Svg:
    """Return what every strip uses: the grid, the line of the present, the line of zero and the hatches."""
    lines = "".join(f"M{x} 0V{HEIGHT}" for x, _ in _marked(now))
    grid = element("path", class_="tb-l", d=f"M0 {FOOT}h{SHOWN}{lines}")
    present = element("path", class_="tb-c", d=f"M{NOW} 0V{HEIGHT}")
    zero = joined(
        (
            element("path", class_="tb-r", d=f"M0 0H{SHOWN - REFERENCE}"),
            element("text", text("0 °C"), class_="tb-s tb-e", x=SHOWN - 4, y=7),
            element("text", text("0 °C"), class_="tb-s tb-j", x=_NARROW_LEFT, y=7),
        )
    )
    return element(
        "defs",
        element("g", grid, id="tb-g"),
        element("g", present, id="tb-n"),
        element("g", zero, id="tb-z"),
        _hatch("b", 14, "soft", 3),
        *(_hatch(str(level.value), 9, _ink(level), 3) for level in Level),
    )


def hours(now: datetime, top: int, said: datetime | None = None) -> Svg:
    """Return the names of the hours and of the present. `top`: where they hang. `said`: the present in words."""
    drawn = [element("text", text(f"now {clock_z(said or now)}"), class_="y d", x=NOW, y=top + 20)]
    drawn.append(element("path", class_="tb-c", d=f"M{NOW} {top + 26}v30"))
    for x, at in _marked(now):
        drawn.append(element("path", class_="tb-l", d=f"M{x} {top + 46}v10"))
        midnight = at.hour == 0
        words = f"{at:%d %b}" if midnight else f"{at:%H}Z"
        if abs(x - NOW) > 40 and 24 < x < SHOWN - 24:
            drawn.append(element("text", text(words), class_="y d" if midnight else "s d", x=x, y=top + 42))
    return joined(drawn)


def key_of_lines() -> Svg:
    """Return a sample of each line with its name, in one row."""
    samples = (
        ("a", "M0 20h44", "air"),
        ("f", "M0 20h44", "frost point"),
        ("k", "M0 12h44v16h-44z", "skin, 8 of 10 nights"),
        ("h", "M0 32q22-40 44 0z", "chance of frost"),
    )
    drawn, x = [], 0
    for name, d, words in samples:
        inside = (element("path", class_=name, d=d), element("text", text(words), x=54, y=27))
        drawn.append(element("g", *inside, transform=f"translate({x} 0)"))
        x += 54 + 12 * len(words) + 24
    return joined(drawn)


def _marked(now: datetime) -> Iterator[tuple[int, datetime]]:
    """Return place and time of every third full hour that is shown."""
    begins_at = now.astimezone(UTC) - BEHIND
    at = begins_at.replace(minute=0, second=0, microsecond=0)
    while at < begins_at or at.hour % _MARKED_HOURS:
        at += timedelta(hours=1)
    while at <= now + AHEAD:
        yield round((at - begins_at) / UNIT), at
        at += timedelta(hours=_MARKED_HOURS)


def _hatch(name: str, size: int, ink: str, wide: int) -> Svg:
    line = element("path", d=f"M0 0V{size}", stroke=f"var(--{ink})", stroke_width=wide)
    return element(
        "pattern",
        line,
        id=f"tb-{name}",
        width=size,
        height=size,
        patternUnits="userSpaceOnUse",
        patternTransform="rotate(35)",
    )


def _ink(level: Level) -> str:
    return "ink" if level is Level.NO_TIME else level.word


def _level_rules(level: Level) -> str:
    number, ink = level.value, _ink(level)
    # What is only expected never has the full contrast of no-time: its word must stay readable.
    pale = 0 if level is Level.NO_TIME else 0.35
    edge = f"stroke:var(--{ink});stroke-width:2.5px"
    return (
        f".tb .o{number}{{fill:var(--{level.word}-ground);{edge}}}"
        f".tb .x{number}{{fill:var(--{level.word}-ground);fill-opacity:{pale};{edge};stroke-dasharray:9 5}}"
        f".tb .s{number}{{fill:var(--{level.word}-ground);fill-opacity:{pale};{edge}}}"
        f".tb .t{number}{{fill:none;{edge};stroke-dasharray:4 5}}"
        f".tb .p{number}{{fill-opacity:.35;{edge};stroke-dasharray:2.5 5}}"
        f".tb .m{number}{{color:var(--{ink})}}"
    )
