"""The load drawn over time: what the service owes, what it has sent, what it holds in memory."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from watcher.pictures import axis as axes
from watcher.pictures.axis import Axis, TimeMark
from watcher.pictures.colours import Theme
from watcher.pictures.sheet import alone, chart
from watcher.pictures.svg import Svg, element, text, way

_WIDTH, _LEFT, _RIGHT = 960, 70, 944
_HEAD_PX, _PANEL_PX, _GAP_PX = 62, 120, 44


@dataclass(frozen=True, slots=True)
class Sample:
    """A moment of the run. `at_s`: since its begin; `cpu_percent`: of one core, since the sample before."""

    at_s: float
    memory_mib: float
    owed: int
    sent: int
    cpu_percent: float


_PANELS: tuple[tuple[str, Callable[[Sample], float]], ...] = (
    ("Messages owed: waiting, gathering or on their way", lambda sample: sample.owed),
    ("Messages sent so far", lambda sample: sample.sent),
    ("Resident memory of the service, MiB", lambda sample: sample.memory_mib),
    ("Processor time of the service, % of one core", lambda sample: sample.cpu_percent),
)


def plotted(samples: Sequence[Sample], begun_s: float, marks: Sequence[tuple[float, str]], title: str) -> str:
    """Return the drawing as an SVG file. `marks`: seconds since the begin, with words."""
    begun = datetime.fromtimestamp(begun_s, UTC)
    ends_at = begun + timedelta(seconds=max(sample.at_s for sample in samples))
    axis = Axis(begun, ends_at, _LEFT, _RIGHT, _WIDTH, least_step_min=1)
    parts = [element("text", text(title), x=0, y=16, class_="head")]
    titles: list[Svg] = []
    bottom = _HEAD_PX
    for name, value in _PANELS:
        top = bottom + _GAP_PX
        bottom = top + _PANEL_PX
        parts += [axes.grid(axis, top, bottom), *_scale([value(sample) for sample in samples], top, bottom)]
        points = _points(axis, samples, value, top, bottom)
        parts.append(element("path", d=way(points), class_="forms"))
        titles.append(element("text", text(name), x=_LEFT, y=top - 8, class_="bold halo"))
    times = [TimeMark(begun + timedelta(seconds=at_s), words) for at_s, words in marks]
    parts += [axes.marked(axis, times, _HEAD_PX, bottom), *titles, axes.times(axis, bottom, None)]
    said = f"{title}: at most {max(sample.owed for sample in samples)} messages were owed."
    return alone(chart("load", parts, width=_WIDTH, height=bottom + axes.FOOT_PX, said=said), Theme.LIGHT)


def _scale(values: Sequence[float], top: int, bottom: int) -> list[Svg]:
    return [
        element("path", d=f"M{_LEFT} {bottom}H{_RIGHT}", class_="base"),
        element("text", text("0"), x=_LEFT - 8, y=bottom + 4, text_anchor="end"),
        element("text", text(f"{max(values):,.0f}"), x=_LEFT - 8, y=top + 4, text_anchor="end"),
    ]


def _points(
    axis: Axis, samples: Sequence[Sample], value: Callable[[Sample], float], top: int, bottom: int
) -> list[tuple[int, int]]:
    most = max(map(value, samples)) or 1.0
    return [
        (
            axis.x(axis.begins_at + timedelta(seconds=sample.at_s)),
            round(bottom - (bottom - top) * value(sample) / most),
        )
        for sample in samples
    ]
