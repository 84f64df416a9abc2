"""An invented station whose durations do not vary, one departure, and the weather it leaves in."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from tests.outlook.night.asking import question
from tests.treatment.at_hand import fluid_rules
from tests.treatment.at_hand import shipped as tables
from watcher.outlook.night.model import NightQuestion
from watcher.service.treatment_files import load_fleet, load_operations
from watcher.treatment.departures import Departure
from watcher.treatment.parse_operations import parse_operations
from watcher.treatment.plan import plan
from watcher.treatment.planned import Option, Plan
from watcher.treatment.profiles import AircraftProfile, Fleet, Operations

NOW = datetime(2026, 1, 12, 3, 25, tzinfo=UTC)
OFF_BLOCK = NOW.replace(hour=5, minute=40)
SNOW = "34008KT 3000 -SN OVC012 M02/M03 Q1003"
STEADY = "1203/1218 34008KT 3000 -SN OVC012 TX01/1212Z TNM03/1206Z"


def _fixed(minutes: float) -> str:
    return f"{{ p10 = {minutes}, p50 = {minutes}, p90 = {minutes} }}"


def _site(name: str, place: str, engines: str, rest: str, pace: float = 1.0) -> str:
    return f"""
[[station.site]]
name = "{name}"
place = "{place}"
provider = "crew"
bays = 2
rigs = 4
engines = "{engines}"
pace = {pace}
notice = {_fixed(10)}
get_ready = {_fixed(4)}
leave = {_fixed(3)}
{rest}
source = "invented"
"""


def operations_text(taxi_out: float = 10, queue: float = 3) -> str:
    """Return the operations of XNOR with durations that do not vary."""
    times = "".join(
        f"""
[[station.time]]
size = "{size}"
contamination = "{kind}"
de_icing = {_fixed(5)}
anti_icing = {_fixed(3)}
source = "invented"
"""
        for size in ("small", "medium", "large")
        for kind in ("frost", "snow", "ice", "deep-snow")
    )
    fluids = "".join(
        f"""
[[station.fluid]]
type = "{kind}"
mix = "{mix}"
places = ["stand", "after-push", "pad"]
heated = {heated}
freezing_point_c = {freezing}
acceptance_c = {acceptance}
source = "invented"
"""
        for kind, mix, heated, freezing, acceptance in (
            ("Type I", "60/40", "true", -38, -32),
            ("Type IV", "100/0", "false", -36, -26),
        )
    )
    pad = _site("pad", "pad", "running", f'taxi_in = {_fixed(8)}\ntaxi_out = {{ "19" = {_fixed(2)} }}', pace=0.5)
    return f"""
[[station]]
code = "XNOR"
zone = "Europe/Oslo"
source = "invented"
push_back = {_fixed(4)}
engine_start = {_fixed(4)}
queue = {{ "19" = {_fixed(queue)} }}
{_site("stands", "stand", "off", f'taxi_out = {{ "19" = {_fixed(taxi_out)} }}')}
{_site("line", "after-push", "off", f'taxi_out = {{ "19" = {_fixed(taxi_out)} }}')}
{pad}
{times}
{fluids}
"""


@cache
def fixed(taxi_out: float = 10, queue: float = 3) -> Operations:
    """Return that station."""
    return parse_operations(operations_text(taxi_out, queue), "fixed.toml")["XNOR"]


@cache
def shipped() -> Operations:
    """Return the station that the rules folder carries."""
    return load_operations()["XNOR"]


@cache
def fleet() -> Fleet:
    """Return the aircraft that the rules folder carries."""
    return load_fleet()


def profile(name: str = "medium-jet", **changed: Any) -> AircraftProfile:
    """Return an aircraft, with changes."""
    return replace(fleet().profiles[name], **changed)


def weather(metar: str | None = SNOW, taf: str | None = STEADY, **rest: Any) -> NightQuestion:
    """Return what is known of the station."""
    return question(metar, taf, now=NOW, **rest)


def departure(**changed: Any) -> Departure:
    """Return a departure at 0540Z."""
    return replace(Departure("HL101", "XNOR", "medium-jet", OFF_BLOCK), **changed)


def planned(
    metar: str | None = SNOW,
    taf: str | None = STEADY,
    *,
    at: Operations | None = None,
    aircraft: AircraftProfile | None = None,
    members: int = 50,
    training: bool = True,
    others: Any = (),
    **changed: Any,
) -> Plan:
    """Return the plan of the departure."""
    return plan(
        departure(**changed),
        weather(metar, taf),
        at or fixed(),
        aircraft or profile(),
        fluid_rules(),
        tables(),
        NOW,
        members=members,
        training=training,
        others=others,
    )


def option(made: Plan, place: str) -> Option:
    """Return one place of a plan."""
    return next(each for each in made.options if each.place == place)


def after(minutes: float) -> datetime:
    """Return a time so many minutes after off-block."""
    return OFF_BLOCK + timedelta(minutes=minutes)
