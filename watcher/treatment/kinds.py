"""The kinds of places, aircraft and deposits that profiles, procedures and plans share, as their files name them."""

from __future__ import annotations

from enum import StrEnum


class Place(StrEnum):
    """Where a treatment happens."""

    STAND = "stand"
    AFTER_PUSH = "after-push"
    PAD = "pad"


class Engines(StrEnum):
    """The main engines during a treatment."""

    RUNNING = "running"
    OFF = "off"


class Size(StrEnum):
    """How large an aircraft is for those who treat it."""

    SMALL = "small"
    MEDIUM = "medium"
    LARGE = "large"


class Contamination(StrEnum):
    """What must come off. From the least work to the most."""

    FROST = "frost"
    SNOW = "snow"
    ICE = "ice"
    DEEP_SNOW = "deep-snow"


class Tank(StrEnum):
    """Whether fuel touches the upper skin of the wing when the tanks are full: cold fuel then cools it."""

    TO_UPPER_SKIN = "to-upper-skin"
    CLEAR_OF_SKIN = "clear-of-skin"


class EnginePlace(StrEnum):
    """Where the engines are. Behind the wing: what comes off the upper fuselage goes into them."""

    WING = "wing"
    REAR = "rear"
    NOSE = "nose"


class ApuPlace(StrEnum):
    """Where the inlet of the auxiliary power unit is."""

    TAIL = "tail"
    ELSEWHERE = "elsewhere"
    NONE = "none"


class Flaps(StrEnum):
    """Slats and flaps during a treatment, by the manual of the aircraft."""

    RETRACTED = "retracted"
    EXTENDED = "extended"
