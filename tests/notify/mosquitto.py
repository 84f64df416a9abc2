"""A real MQTT broker for tests: Debian's mosquitto on a port of its own, and a subscriber that is not ours.

The broker reads a folder of its own and is ended by its process; the subscriber is the Eclipse Paho client.
"""

from __future__ import annotations

import json
import os
import queue
import shutil
import socket
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

# Debian puts it where only the administrator's path looks.
PROGRAM = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
_WITHIN_S = 10.0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        assert isinstance(port, int)
        return port


@dataclass
class Mosquitto:
    """A broker that can be stopped and started again at the same port."""

    folder: Path
    lines: Sequence[str]
    port: int = field(default_factory=free_port)
    _process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        settings = self.folder / "mosquitto.conf"
        settings.write_text("\n".join([
            f"listener {self.port} 127.0.0.1",
            "persistence false",
            "log_dest stderr",
            "log_type information",
            "log_type error",
            *(["user root"] if os.geteuid() == 0 else []),
            *self.lines,
        ]) + "\n")  # fmt: skip
        self._process = subprocess.Popen(
            [PROGRAM, "-c", str(settings)], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True
        )
        assert self._process.stderr is not None
        said = []
        for line in self._process.stderr:
            said.append(line)
            if line.rstrip().endswith("running"):
                return
        raise AssertionError(f"the broker did not start: {said}")

    def stop(self) -> None:
        """End the broker as a machine that is switched off does."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait(_WITHIN_S)
            assert process.stderr is not None
            process.stderr.close()


@contextmanager
def mosquitto(folder: Path, *lines: str) -> Iterator[Mosquitto]:
    """Run a broker for as long as the block runs; without lines anybody may do anything."""
    if not Path(PROGRAM).exists():
        pytest.skip("Debian's package mosquitto is not installed")
    running = Mosquitto(folder, lines or ("allow_anonymous true",))
    running.start()
    try:
        yield running
    finally:
        running.stop()


def password_file(folder: Path, username: str, password: str) -> Path:
    path = folder / "passwords"
    path.touch(0o600)
    subprocess.run(["mosquitto_passwd", "-b", str(path), username, password], check=True, capture_output=True)
    return path


class Subscriber:
    """Hears all that is published."""

    def __init__(self, port: int, topic: str = "#", **login: str) -> None:
        self._heard: queue.Queue[MQTTMessage] = queue.Queue()
        ready: queue.Queue[None] = queue.Queue()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        if login:
            self._client.username_pw_set(**login)
        self._client.on_connect = lambda client, *_: client.subscribe(topic, qos=1)
        self._client.on_subscribe = lambda *_: ready.put(None)
        self._client.on_message = lambda _client, _data, message: self._heard.put(message)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        ready.get(timeout=_WITHIN_S)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def next(self) -> MQTTMessage:
        return self._heard.get(timeout=_WITHIN_S)

    def all_until(self, topic: str) -> list[MQTTMessage]:
        """Return what came before the first message of a topic, which this client publishes itself."""
        self._client.publish(topic, b"over", qos=1)
        found = []
        while (message := self.next()).topic != topic:
            found.append(message)
        return found


def read(message: MQTTMessage) -> dict[str, Any]:
    body = json.loads(message.payload)
    assert isinstance(body, dict)
    return body
