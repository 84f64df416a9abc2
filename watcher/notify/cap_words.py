"""What an event is in the words of the Common Alerting Protocol: one table for each word, each row with its reason.

The words and their meanings are those of OASIS Standard CAP 1.2 (1 July 2010), section 3.2. The level alone gives the
severity, so that whoever sorts by it keeps our order; kind and time give the urgency; the certainty is never more than
what is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.alerts.model import EventBody, EventType
from watcher.rulebook.words import Certainty, Kind, Level

ALERT, UPDATE, CANCEL = "Alert", "Update", "Cancel"
UNKNOWN = "Unknown"


@dataclass(frozen=True, slots=True)
class Weight:
    """How much a message asks for, in the three scales of the standard, and what is to be done."""

    urgency: str
    severity: str
    certainty: str
    response: str


# A message that takes an earlier one back says nothing of the weather, so nothing of it is claimed.
_TAKEN_BACK = Weight(UNKNOWN, UNKNOWN, UNKNOWN, "Monitor")
_FIXED = {
    # Nobody knows how bad the weather is; that it is not known is sure, and asks for a look within the hour.
    EventType.BLIND: Weight("Expected", UNKNOWN, "Observed", "Monitor"),
    EventType.SEEING: _TAKEN_BACK,
    EventType.WITHDRAWN: _TAKEN_BACK,
    # Said of the service, not of the weather.
    EventType.UNWELL: _TAKEN_BACK,
    EventType.WELL: _TAKEN_BACK,
    EventType.TEST: Weight(UNKNOWN, UNKNOWN, UNKNOWN, "None"),
}
# "The subject event no longer poses a threat or concern and any follow on action is described in <instruction>": the
# weather is over, and the instruction says that what lay on aircraft before is not.
_ALL_CLEAR = Weight("Past", "Minor", "Observed", "AllClear")
# What was arranged is released only after a look at the present report.
_NOT_EXPECTED = Weight(UNKNOWN, UNKNOWN, UNKNOWN, "Assess")

_SEVERITY = {
    Level.NOTE: "Minor",  # minimal to no known threat: marginal, nothing to arrange
    Level.PREPARE: "Moderate",  # possible threat: treatment likely
    Level.TREAT: "Severe",  # significant threat: a wing that is not treated is contaminated
    Level.NO_TIME: "Extreme",  # extraordinary threat: no treatment protects by the tables
}
_URGENCY_OBSERVED = {
    Level.NOTE: "Future",
    Level.PREPARE: "Expected",  # within the hour: the check by hand and the arrangement for the next departures
    Level.TREAT: "Immediate",
    Level.NO_TIME: "Immediate",
}
_RESPONSE = {
    (Level.NOTE, Kind.OBSERVED): "Monitor",
    (Level.NOTE, Kind.EXPECTED): "Monitor",
    (Level.PREPARE, Kind.OBSERVED): "Prepare",
    (Level.PREPARE, Kind.EXPECTED): "Prepare",
    (Level.TREAT, Kind.OBSERVED): "Execute",  # the planned activity: treatment close to take-off
    (Level.TREAT, Kind.EXPECTED): "Prepare",  # booked, not yet done
    (Level.NO_TIME, Kind.OBSERVED): "Avoid",
    (Level.NO_TIME, Kind.EXPECTED): "Avoid",
}
# ICAO Annex 3, appendix 5: what is 50 % likely or more stands in a TAF without PROB, as BECMG, TEMPO or FM; a PROB
# group says 30 or 40 %. CAP divides at the same half: Likely above it, Possible up to it.
_CERTAINTY = {
    Certainty.PREVAILING: "Likely",
    Certainty.BECOMING: "Likely",
    Certainty.TEMPORARY: "Likely",
    Certainty.PROBABILITY_40: "Possible",
    Certainty.PROBABILITY_30: "Possible",
    Certainty.PROBABILITY_40_TEMPORARY: "Possible",
    Certainty.PROBABILITY_30_TEMPORARY: "Possible",
}
_SOON = timedelta(hours=1)

_SUBJECTS = {
    EventType.BLIND: "Station blind",
    EventType.SEEING: "Station blind",
    EventType.WITHDRAWN: "Station blind",
    EventType.SHORTENED: "Protection of a treated aircraft",
    EventType.LOST: "Protection of a treated aircraft",
    EventType.DIGEST: "Icing digest",
    EventType.UNWELL: "Service of these messages",
    EventType.WELL: "Service of these messages",
    EventType.TEST: "Test message",
}


def message_type(type_: EventType, kind: Kind | None, *, first: bool) -> str:
    """Return whether a message begins its matter, carries it on, or takes back what was said.

    The end of what was observed is an Update with AllClear, not a Cancel: the message was right and the weather is
    over, but aircraft treated or parked before stay in need of a check, and that has to be read. An expectation that is
    given up, a station that is no longer watched and a blindness that is over are Cancels: the earlier message no
    longer stands, and an AllClear would say of the weather what nobody has seen.

    Parameters
    ----------
    type_, kind
        Of the event.
    first
        Whether nothing was said of the matter before; there is nothing then to be updated or cancelled.
    """
    if first:
        return ALERT
    given_up = type_ is EventType.CLOSED and kind is Kind.EXPECTED
    return CANCEL if given_up or type_ in {EventType.WITHDRAWN, EventType.SEEING} else UPDATE


def weight_of(type_: EventType, body: EventBody, at: datetime) -> Weight:
    """Return the weight of an event that was made at a time."""
    if type_ in _FIXED:
        return _FIXED[type_]
    if type_ is EventType.CLOSED:
        return _NOT_EXPECTED if body.kind is Kind.EXPECTED else _ALL_CLEAR
    severity = _SEVERITY[body.level] if body.level is not None else UNKNOWN
    if type_ is EventType.DIGEST:
        return Weight(UNKNOWN, severity, UNKNOWN, "Assess")
    if body.protection is not None:
        # Reported weather or the clock itself ends it: no take-off now, or the check that the procedure asks for.
        return Weight("Immediate", severity, "Observed", "Avoid" if body.level is Level.NO_TIME else "Execute")
    if body.level is None or body.kind is None:
        return Weight(UNKNOWN, severity, UNKNOWN, "Assess")
    # Whoever has it in hand is asked before anything is arranged for the same aircraft.
    response = "Assess" if type_ is EventType.TAKEN else _RESPONSE[body.level, body.kind]
    return Weight(_urgency(body.level, body, at), severity, _certainty(body), response)


def subject_of(type_: EventType, body: EventBody) -> str:
    """Return what the message is about, in a few words: the flag, or what else it tells of."""
    return body.flag.value.replace("-", " ").capitalize() if body.flag is not None else _SUBJECTS.get(type_, "Icing")


def _urgency(level: Level, body: EventBody, at: datetime) -> str:
    if body.kind is Kind.OBSERVED:
        return _URGENCY_OBSERVED[level]
    if body.begins_at is None:
        return UNKNOWN
    soon = body.begins_at - at <= _SOON
    return "Expected" if soon and level > Level.NOTE else "Future"


def _certainty(body: EventBody) -> str:
    if body.kind is Kind.OBSERVED:
        return "Observed"
    if body.odds is not None:
        return "Likely" if body.odds.probability > 0.5 else "Possible"
    return _CERTAINTY.get(body.certainty, UNKNOWN) if body.certainty is not None else UNKNOWN
