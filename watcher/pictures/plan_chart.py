"""The plan of a departure: the places side by side on one time axis, a lane for each, to be compared by eye."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from watcher.pictures import axis as axes
from watcher.pictures.axis import Axis, Span, TimeMark
from watcher.pictures.labels import breakable, width_of
from watcher.pictures.plan_lane import Lane, lane, lane_px, spoken, verdict_word
from watcher.pictures.sheet import NARROW_PX, chart
from watcher.pictures.svg import Svg, element, text
from watcher.treatment.departures import SLOT_AFTER, SLOT_BEFORE
from watcher.treatment.planned import Option, Plan
from watcher.units import clock_z

_GUTTER_PX, _VERDICT_PX = 190, 164
_HEAD_PX, _LINE_PX, _GAP_PX = 28, 17, 14
_MARGIN = timedelta(minutes=5)
# An upper time of many hours would press everything else together.
_MOST_AFTER_TAKE_OFF = timedelta(minutes=45)


def plan_picture(plan: Plan, *, zone: str | None = None, foot: Sequence[str] = (), width: int = 960) -> str:
    """Return a plan as an inline SVG.

    Parameters
    ----------
    plan
        What was computed.
    zone
        IANA zone of the station, for local times; None: Z only.
    foot
        Lines beneath, such as the caution where the picture leaves its page.
    width
        In px; below 600 it is laid out for a phone.
    """
    narrow = width < NARROW_PX
    offered = [option for option in plan.options if option.not_offered is None and option.stages]
    closed = [line for each in plan.options if each not in offered for line in breakable(each.why, width, 12, most=3)]
    feet = [line for words in foot for line in breakable(words, width, 12, most=6)]
    begins_at, ends_at = _range(plan, offered)
    left, right = (2, width - 2) if narrow else (_GUTTER_PX, width - _VERDICT_PX)
    axis = Axis(begins_at, ends_at, left, right, width)
    marks = _marks(plan)
    top = _HEAD_PX + (axes.rows_of_marks(axis, marks) if offered else 0) + 8
    lanes = [Lane(option, axis, narrow, option is plan.choice) for option in offered]
    tops = [top + sum(lane_px(each) + _GAP_PX for each in lanes[:number]) for number in range(len(lanes) + 1)]
    bottom = tops[-1] - (_GAP_PX - 6 if lanes else 0)
    under = bottom + (axes.FOOT_PX if lanes else 0)
    parts = [_head(plan, width, narrow=narrow)]
    if lanes:
        parts += [
            _slot(plan, axis, top, bottom),
            axes.grid(axis, top, bottom),
            axes.marked(axis, marks, _HEAD_PX, bottom),
            *(lane(each, y) for each, y in zip(lanes, tops, strict=False)),
            axes.times(axis, bottom, zone),
        ]
    for row, line in enumerate((*closed, *feet)):
        shown = None if row < len(closed) else "soft"
        parts.append(element("text", text(line), x=0, y=under + 18 + _LINE_PX * row, class_=shown))
    height = under + 8 + _LINE_PX * (len(closed) + len(feet))
    return chart("plan-picture", parts, width=width, height=height, said=_said(plan, offered))


def _range(plan: Plan, offered: Sequence[Option]) -> tuple[datetime, datetime]:
    """Return from when until when there is something to show."""
    departure = plan.departure
    first, last = [departure.tobt], [departure.off_block]
    for option in offered:
        first += [option.stages[0].begins.p50, *([option.call_by] if option.call_by is not None else [])]
        take_off = option.take_off
        if take_off is None:
            continue
        last.append(take_off.p90)
        clocks = option.clocks
        ends = () if clocks is None else (clocks.lower_ends_at, clocks.upper_ends_at, clocks.engine_bleed_wait_ends)
        last += [min(end, take_off.p90 + _MOST_AFTER_TAKE_OFF) for end in ends if end is not None]
    if departure.ctot is not None:
        last.append(departure.ctot + SLOT_AFTER)
    return min(first) - _MARGIN, max(last) + _MARGIN


def _marks(plan: Plan) -> list[TimeMark]:
    departure = plan.departure
    named = (("TOBT", departure.tobt), ("TSAT", departure.tsat), ("CTOT", departure.ctot))
    return [TimeMark(at, name) for name, at in named if at is not None]


def _slot(plan: Plan, axis: Axis, top: int, bottom: int) -> Svg:
    """Return the slot as a ground: from five minutes before to ten after."""
    slot = plan.departure.ctot
    if slot is None:
        return Svg("")
    span = Span(slot - SLOT_BEFORE, slot + SLOT_AFTER)
    x = axis.x(span.begins_at)
    return element("rect", x=x, y=top, width=axis.x(span.ends_at) - x, height=bottom - top, class_="slot")


def _head(plan: Plan, width: int, *, narrow: bool) -> Svg:
    departure = plan.departure
    words = f"{departure.station} {departure.name}" + (", training figures" if plan.training else "")
    head = element("text", text(words), x=0, y=16, class_="head")
    report = "no report" if plan.observed_at is None else f"report {clock_z(plan.observed_at)}"
    rests = f"made {clock_z(plan.made_at)}, {report}, {plan.members} members"
    if narrow or width_of(words, 15, bold=True) + width_of(rests, 12) + 20 > width:
        return head
    return Svg(head + element("text", text(rests), x=width, y=16, text_anchor="end", class_="soft"))


def _said(plan: Plan, offered: Sequence[Option]) -> str:
    departure = plan.departure
    choice = "no place is recommended" if plan.choice is None else f"recommended: {plan.choice.place.value}"
    told = "; ".join(spoken(option) for option in offered)
    closed = "; ".join(f"{each.place.value} {verdict_word(each)}" for each in plan.options if each not in offered)
    parts = [part for part in (choice, told, closed) if part]
    training = ", training figures" if plan.training else ""
    return (
        f"{departure.station} {departure.name}, off-block {clock_z(departure.off_block)}{training}: {'; '.join(parts)}."
    )
