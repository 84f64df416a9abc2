"""What a digest says of parked aircraft comes out of the store as it went in."""

from __future__ import annotations

from dataclasses import replace

from tests.store.scenes import NOW
from watcher.alerts.changes import Changes
from watcher.alerts.model import Event, EventType, SubjectKind
from watcher.notify.samples import digest_part


def test_a_digest_with_parked_aircraft_survives_a_restart(store):
    body = digest_part().body
    digest = Event(SubjectKind.DIGEST, "digest-duty", 1, EventType.DIGEST, NOW, body)
    store.commit(Changes(at=NOW, stations=(), deliveries=(), digests=(digest,), unreadable=()))
    ((_, read),) = store.events_after(0, 10)
    assert read.body.parked == body.parked
    assert read == replace(digest, body=read.body)
