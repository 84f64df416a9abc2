"""Notifications in the form of the standard, a publisher that is not ours, and reports of invented stations.

Standard: WMO, WIS2 Notification Message encoding 1; the shape is that of its published example (id, conformsTo, type,
geometry, properties with pubtime, datetime, data_id, metadata_id, integrity, content; links). The publisher is the
Eclipse Paho client.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

METAR_TOPIC = "cache/a/wis2/xx-northby/data/core/weather/aviation/metar"
TAF_TOPIC = "cache/a/wis2/xx-northby/data/core/weather/aviation/taf"
NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
BULLETIN = b"SAXX60 XNOR 120550\r\r\nMETAR XNOR 120550Z 24008KT 3000 -FZDZ BKN008 M02/M03 Q1004=\r\r\n"
TAF_BULLETIN = b"FTXX60 XNOR 120500\r\r\nTAF XNOR 120500Z 1206/1306 24008KT 3000 -SN BKN008=\r\r\n"

Encoding = Literal["utf-8", "base64", "gzip"]


def digest_of(body: bytes, method: str = "sha512") -> dict[str, str]:
    """Return an integrity property; `hashlib` names the third generation with an underscore."""
    value = hashlib.new(method.replace("-", "_") if method.startswith("sha3") else method, body).digest()
    return {"method": method, "value": base64.b64encode(value).decode()}


def content_of(body: bytes, encoding: Encoding = "utf-8") -> dict[str, object]:
    if encoding == "utf-8":
        return {"encoding": encoding, "value": body.decode(), "size": len(body)}
    packed = gzip.compress(body) if encoding == "gzip" else body
    return {"encoding": encoding, "value": base64.b64encode(packed).decode(), "size": len(packed)}


def notification(
    body: bytes = BULLETIN,
    *,
    message_id: str | None = None,
    data_id: str | None = None,
    published_at: datetime = NOW,
    encoding: Encoding | None = "utf-8",
    method: str = "sha512",
    href: str = "https://data.example.org/bulletin.txt",
    relation: str = "canonical",
    **properties: object,
) -> dict[str, Any]:
    """Return a notification of a body; without an encoding the body is only linked to."""
    name = message_id or str(uuid.uuid4())
    return {
        "id": name,
        "conformsTo": ["http://wis.wmo.int/spec/wnm/1/conf/core"],
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [11.1, 60.2]},
        "properties": {
            "pubtime": published_at.isoformat().replace("+00:00", "Z"),
            "datetime": (published_at - timedelta(minutes=10)).isoformat().replace("+00:00", "Z"),
            "data_id": data_id or f"wis2/xx-northby/data/core/weather/aviation/metar/{name}",
            "metadata_id": "urn:wmo:md:xx-northby:aviation.metar",
            "integrity": digest_of(body, method),
            **({"content": content_of(body, encoding)} if encoding is not None else {}),
            **properties,
        },
        "links": [{"href": href, "rel": relation, "type": "text/plain", "length": len(body)}],
    }


def packed(message: object) -> bytes:
    return json.dumps(message).encode()


@contextmanager
def publisher(port: int) -> Iterator[Client]:
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.max_queued_messages_set(0)
    client.max_inflight_messages_set(500)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def publish(client: Client, message: object, topic: str = METAR_TOPIC) -> None:
    payload = message if isinstance(message, bytes) else packed(message)
    client.publish(topic, payload, qos=1).wait_for_publish(10)
