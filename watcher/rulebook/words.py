"""The words of a verdict: level, flag, kind and certainty, each once, with what they mean."""

from __future__ import annotations

from enum import IntEnum, StrEnum


class Level(IntEnum):
    """How much a finding asks of people. Ordered: a higher number asks more."""

    NOTE = 1
    PREPARE = 2
    TREAT = 3
    NO_TIME = 4

    @property
    def word(self) -> str:
        """The word on screens, in files and in messages."""
        return _LEVEL_WORDS[self]

    @property
    def meaning(self) -> str:
        """One clause that says what the level asks for."""
        return _LEVEL_MEANINGS[self]

    @classmethod
    def of(cls, word: str) -> Level:
        """Return the level of a word; KeyError for another word."""
        return _LEVELS_BY_WORD[word]


_LEVEL_WORDS = {Level.NOTE: "note", Level.PREPARE: "prepare", Level.TREAT: "treat", Level.NO_TIME: "no-time"}
_LEVELS_BY_WORD = {word: level for level, word in _LEVEL_WORDS.items()}
_LEVEL_MEANINGS = {
    Level.NOTE: "marginal, keep an eye on it",
    Level.PREPARE: "treatment likely, arrange it",
    Level.TREAT: "treatment expected to be needed",
    Level.NO_TIME: "no holdover time exists",
}


class Flag(StrEnum):
    """What a rule says about the station."""

    FROST_LIKELY = "frost-likely"
    DEICING_LIKELY = "deicing-likely"
    ANTI_ICING_LIKELY = "anti-icing-likely"
    FREEZING_PRECIPITATION = "freezing-precipitation"
    SNOW = "snow"
    FREEZING_FOG = "freezing-fog"
    COLD_SOAKED_WING = "cold-soaked-wing"
    NO_HOLDOVER = "no-holdover"
    FROZEN_RESIDUAL_WATER = "frozen-residual-water"


class Kind(StrEnum):
    """Whether a finding comes from a report or from the outlook."""

    OBSERVED = "observed"
    EXPECTED = "expected"


class NoTime(StrEnum):
    """Why a no-time finding has no holdover time."""

    NONE = "none"
    ALLOWANCE = "allowance"
    SPECIAL = "special"


class Certainty(StrEnum):
    """How something is said to come: in the words of a TAF, or computed from reports, TAF and physics.

    The TAF's probability groups and a computed probability are never mixed.
    """

    PREVAILING = "prevailing"
    COMPUTED = "computed"
    BECOMING = "becoming"
    TEMPORARY = "temporary"
    PROBABILITY_40 = "probability 40 %"
    PROBABILITY_30 = "probability 30 %"
    PROBABILITY_40_TEMPORARY = "probability 40 %, temporary"
    PROBABILITY_30_TEMPORARY = "probability 30 %, temporary"
