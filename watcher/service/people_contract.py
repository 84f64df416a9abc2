"""Destinations, subscriptions and previews as JSON has them, for commands and programs. No secret is among them."""

from __future__ import annotations

from urllib.parse import urlsplit

from watcher.alerts.preview import Preview
from watcher.service.directory import KnownDestination, KnownSubscription
from watcher.settings.people import DestinationSection
from watcher.units import iso_z


def destination_as_contract(item: KnownDestination, *, whole: bool = True) -> dict[str, object]:
    """Return a destination.

    Parameters
    ----------
    item
        With all that is known of it.
    whole
        Give the whole web address; many receivers take it for the permission. False: only where it leads to.
    """
    section = item.section
    state = "on"
    if not item.confirmed:
        state = "waits for its owner to confirm"
    if item.off is not None:
        state = f"switched off: {item.off.reason}"
    return {
        "name": item.name,
        "source": item.source,
        "kind": section.kind,
        "to": _goes_to(section, whole=whole),
        "state": state,
        "confirmed": item.confirmed,
        "disabled": item.off.reason if item.off is not None else None,
        "fallback": section.fallback,
    }


def subscription_as_contract(item: KnownSubscription) -> dict[str, object]:
    """Return a subscription under the keys that its section in the settings has, and where it stands."""
    return {"source": item.source, **item.section.model_dump(mode="json")}


def preview_as_contract(seen: Preview) -> dict[str, object]:
    """Return what a subscription would have told, message by message, and in figures."""
    return {
        "messages": [
            {
                "destination": message.destination,
                "at": iso_z(message.at),
                "level": message.level.word if message.level is not None else None,
                "items": [
                    {
                        "told_as": item.told_as.value,
                        "event": item.event.id,
                        "headline": item.headline,
                        "level": item.level.word if item.level is not None else None,
                        "reminder": item.repeat,
                    }
                    for item in message.items
                ],
            }
            for message in seen.messages
        ],
        "digests": [
            {
                "destination": digest.destination,
                "at": iso_z(digest.at),
                "stations": digest.stations,
                "alerts": digest.subjects,
                "worst": digest.worst.word if digest.worst is not None else None,
            }
            for digest in seen.digests
        ],
        "counts": [
            {
                "destination": counts.destination,
                "zone": counts.zone,
                "messages": counts.messages,
                "by_day": {day.isoformat(): count for day, count in counts.by_day},
                "at_night": counts.at_night,
                "by_level": {(level.word if level is not None else "blind"): count for level, count in counts.by_level},
                "busiest_hour": (
                    {"begins": iso_z(counts.busiest_hour[0]), "messages": counts.busiest_hour[1]}
                    if counts.busiest_hour is not None
                    else None
                ),
            }
            for counts in seen.counts
        ],
        "events_reach_back_h": round(seen.warm_up.total_seconds() / 3600, 1),
    }


def _goes_to(section: DestinationSection, *, whole: bool) -> str:
    if section.kind == "matrix":
        return f"{section.room_id} at {section.url}"
    if section.kind == "mqtt":
        return f"{section.topic} at {section.broker}"
    url = section.url if whole or section.url is None else _origin(section.url)
    return section.address or url or "a chat room"


def _origin(url: str) -> str:
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}/"
