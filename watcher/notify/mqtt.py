"""MQTT: one event as one message at a topic, and how things stand as what the broker keeps.

Source: OASIS Standard MQTT 5.0, 7 March 2019; sections are named beside what follows them.

No will message: it would say that one of several senders hung up, not that the data are old. A subscriber knows that by
`valid_until` and `report_age_min`, and by the station's own message that it is blind.
"""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any

from watcher.alerts.model import EventType
from watcher.errors import DeliveryError, GuardError, NetError
from watcher.net import Broker, Refused
from watcher.net.broker import ANSWER_TIMEOUT_S
from watcher.notify.message import Message, Part
from watcher.notify.model import MqttDestination
from watcher.notify.templating import Templates
from watcher.notify.wording import OF_SERVICE, short

_SIGHT = frozenset({EventType.BLIND, EventType.SEEING})
# Reason codes that say that this message will never be taken (2.4): topic name invalid, packet too large, payload
# format invalid. The others may be different after a word with whoever runs the broker.
_NEVER = frozenset({0x90, 0x95, 0x99})
# 4.7.1: these are for those who subscribe; "/" would make levels that the pattern does not have.
_NOT_IN_A_LEVEL = re.compile(r"[+#/\x00-\x1f\x7f]")
_UTF_8 = 1


class MqttChannel:
    """Publishes messages at one broker.

    Parameters
    ----------
    destination
        Under which topics.
    broker
        The connection; several destinations may share it.
    templates
        What a body looks like: the webhook's.
    timeout_s
        Seconds for one message.
    """

    kind = "mqtt"

    def __init__(
        self,
        destination: MqttDestination,
        broker: Broker,
        templates: Templates,
        *,
        timeout_s: float = ANSWER_TIMEOUT_S,
    ) -> None:
        self._destination = destination
        self._broker = broker
        self._templates = templates
        self._timeout_s = timeout_s

    async def send(self, message: Message, now: datetime) -> None:
        """Publish one message, and what the broker keeps of its matter; both again when the second fails.

        Its id goes along as correlation data and as a user property, the same in every attempt: quality of service 1
        brings a message at least once.

        Raises
        ------
        DeliveryError
            The broker could not be reached or did not take it.
        """
        part, body = message.first, self._templates.webhook(message)
        marks: dict[str, Any] = {
            "PayloadFormatIndicator": _UTF_8,
            "ContentType": "application/json",
            "CorrelationData": message.id.encode(),
            "UserProperty": [("delivery", message.id), ("type", part.told_as.value)],
        }
        try:
            # 3.3.2.3.3: after so many seconds the broker gives it to nobody any more.
            left_s = max(1, int((message.valid_until - now).total_seconds()))
            topic = topic_of(self._destination.topic, part)
            expiring = {**marks, "MessageExpiryInterval": left_s}
            await self._broker.publish(topic, body, expiring, timeout=self._timeout_s)
            if self._destination.stand_topic is not None and _stands(part):
                # An expiry would take an alert off a display while the weather goes on. An end takes it off.
                topic = topic_of(self._destination.stand_topic, part)
                over = part.ending or part.told_as is EventType.SEEING
                kept = b"" if over else body
                await self._broker.publish(topic, kept, marks, retain=True, timeout=self._timeout_s)
        except Refused as error:
            raise DeliveryError(short(str(error)), permanent=error.code in _NEVER) from error
        except (GuardError, NetError) as error:
            raise DeliveryError(short(str(error))) from error


def topic_of(pattern: str, part: Part) -> str:
    """Return the topic of a message; what is filled in stays within its level."""
    body = part.body
    values = {
        "station": body.station or "all",
        "flag": body.flag.value if body.flag is not None else _matter(part),
        "level": body.level.word if body.level is not None else "none",
        "type": part.told_as.value.removeprefix("icing."),
        "subject": "test" if part.told_as is EventType.TEST else part.subject,
    }
    return re.sub(r"\{(\w+)\}", lambda match: _NOT_IN_A_LEVEL.sub("-", values[match[1]]), pattern)


def _matter(part: Part) -> str:
    """Return what a message is about that has no flag."""
    if part.told_as in {EventType.DIGEST, EventType.TEST}:
        return part.told_as.value.removeprefix("icing.")
    if part.told_as in OF_SERVICE:
        return "service"
    return "protection" if part.body.protection is not None else "blind"


def _stands(part: Part) -> bool:
    """Return whether it is about what goes on until its end is told: an alert, or a blind station."""
    return part.episode is not None or part.told_as in _SIGHT or (part.ending and part.body.protection is None)
