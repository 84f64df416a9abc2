"""Matrix homeservers for tests: one of a few lines that checks every field by the specification, and a whole one.

Source: Matrix specification v1.12, client-server API. The whole one is started by its own Python, named in
HOARLINE_TEST_HOMESERVER: it is far too large to be among the packages that every developer installs.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import json
import os
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import unquote

import httpx

from tests.notify.mosquitto import free_port

WHOLE = os.environ.get("HOARLINE_TEST_HOMESERVER")
TOKEN = "syt_aG9hcmxpbmU_s3cret_1a2b3c"
ROOM = "!made-up/room+1:example.org"
# More messages in a row than this, and the whole one asks to wait.
TAKEN_AT_ONCE = 60
_SEND = ("_matrix", "client", "v3", "rooms", ROOM, "send", "m.room.message")


@dataclass
class SmallHomeserver:
    """Takes messages for one room from one account. Use as an async context manager.

    `refuses`: the status and body with which it answers instead. `events`: what is in the room, by event id.
    """

    refuses: tuple[int, Mapping[str, Any]] | None = None
    headers: Mapping[str, str] = field(default_factory=dict)
    says: bytes | None = None
    events: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    transactions: dict[str, str] = field(default_factory=dict)
    requests: int = 0
    port: int = 0
    _server: asyncio.Server | None = None

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._talk, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                first, *lines = (await reader.readuntil(b"\r\n\r\n")).decode("ascii").strip().split("\r\n")
                headers = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in lines)}
                content = await reader.readexactly(int(headers.get("content-length", "0")))
                self.requests += 1
                status, said = self._answer(first, headers, content)
                body = self.says if self.says is not None else json.dumps(said).encode()
                more = "".join(f"{name}: {value}\r\n" for name, value in self.headers.items())
                writer.write(f"HTTP/1.1 {status} -\r\nContent-Length: {len(body)}\r\n{more}\r\n".encode() + body)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    def _answer(self, first: str, headers: Mapping[str, str], content: bytes) -> tuple[int, Mapping[str, Any]]:
        if self.refuses is not None:
            return self.refuses
        method, target, _ = first.split(" ")
        # A "/" of an id is escaped, so that it does not part the path.
        *path, transaction = (unquote(part) for part in target.removeprefix("/").split("/"))
        if (method, tuple(path)) != ("PUT", _SEND):
            return 404, {"errcode": "M_UNRECOGNIZED", "error": f"{method} {target}"}
        if headers.get("authorization") != f"Bearer {TOKEN}":
            return 401, {"errcode": "M_UNKNOWN_TOKEN", "error": "no such token", "soft_logout": False}
        try:
            event = json.loads(content)
        except ValueError:
            return 400, {"errcode": "M_NOT_JSON", "error": "no JSON"}
        wrong = wrong_in(event)
        if wrong is not None:
            return 400, {"errcode": "M_BAD_JSON", "error": wrong}
        if transaction not in self.transactions:
            self.transactions[transaction] = f"$event{len(self.events)}"
            self.events[self.transactions[transaction]] = event
        return 200, {"event_id": self.transactions[transaction]}


def wrong_in(event: object) -> str | None:
    """Return what the specification does not allow in a text or notice of a room; None: nothing."""
    if not isinstance(event, dict):
        return "no object"
    if event.get("msgtype") not in {"m.text", "m.notice"} or not isinstance(event.get("body"), str):
        return "msgtype and body are required"
    if ("format" in event) is not ("formatted_body" in event):
        return "format and formatted_body go together"
    if event.get("format", "org.matrix.custom.html") != "org.matrix.custom.html":
        return "this format is not known"
    if set(event.get("m.mentions", {})) - {"user_ids", "room"}:
        return "m.mentions has other fields"
    # "Size limits": the whole event as canonical JSON, which escapes no letter; the server adds some 1,000 bytes.
    whole = json.dumps(event, ensure_ascii=False, separators=(",", ":")).encode()
    return None if len(whole) < 64_000 else "too large"


@dataclass(frozen=True)
class WholeHomeserver:
    """A homeserver with an account in a room, and what its room holds."""

    url: str
    token: str
    room: str

    def messages(self) -> list[Mapping[str, Any]]:
        found = self._ask("GET", f"rooms/{self.room}/messages?dir=f&limit=100")["chunk"]
        return [event for event in found if event["type"] == "m.room.message"]

    def logout(self) -> None:
        self._ask("POST", "logout")

    def leave(self) -> None:
        self._ask("POST", f"rooms/{self.room}/leave")

    def _ask(self, method: str, path: str, body: Mapping[str, Any] | None = None) -> Any:
        return ask(method, f"{self.url}/_matrix/client/v3/{path}", body or {}, self.token)


def ask(method: str, url: str, body: Mapping[str, Any], token: str | None = None) -> Any:
    headers = {"Authorization": f"Bearer {token}"} if token is not None else {}
    answer = httpx.request(method, url, json=body if method != "GET" else None, headers=headers, timeout=20)
    answer.raise_for_status()
    return answer.json()


@contextmanager
def whole_homeserver(folder: Path) -> Iterator[str]:
    """Run a homeserver that knows no other; return its address."""
    assert WHOLE is not None
    port = free_port()
    settings = folder / "homeserver.yaml"
    log = folder / "log.yaml"
    log.write_text(
        "version: 1\nhandlers: {console: {class: logging.StreamHandler}}\nroot: {level: WARNING, handlers: [console]}\n"
    )
    settings.write_text(f"""
server_name: "example.org"
pid_file: {folder / "pid"}
listeners:
  - {{port: {port}, bind_addresses: ["127.0.0.1"], type: http, tls: false, resources: [{{names: [client]}}]}}
database: {{name: sqlite3, args: {{database: "{folder / "homeserver.db"}"}}}}
log_config: "{log}"
media_store_path: {folder / "media"}
registration_shared_secret: "shared"
macaroon_secret_key: "macaroon"
form_secret: "form"
report_stats: false
signing_key_path: "{folder / "signing.key"}"
trusted_key_servers: []
federation_domain_whitelist: []
rc_message: {{per_second: 0.1, burst_count: {TAKEN_AT_ONCE}}}
""")
    command = [WHOLE, "-m", "synapse.app.homeserver", "--config-path", str(settings)]
    subprocess.run([*command, "--generate-keys"], check=True, capture_output=True, cwd=folder, timeout=60)
    with (folder / "said").open("w") as said:
        running = subprocess.Popen(command, stdout=said, stderr=said, cwd=folder)
    try:
        url = f"http://127.0.0.1:{port}"
        # No word of it says that it is ready but its answer.
        transport = httpx.HTTPTransport(retries=10)
        with httpx.Client(transport=transport, timeout=60) as client:
            client.get(f"{url}/_matrix/client/versions").raise_for_status()
        yield url
    finally:
        running.terminate()
        running.wait(30)


def an_account_in_a_room(url: str, name: str) -> WholeHomeserver:
    """Register an account as the server's own script does, and let it make a room."""
    register = f"{url}/_synapse/admin/v1/register"
    nonce = ask("GET", register, {})["nonce"]
    password = "a password of the tests"
    signed = f"{nonce}\0{name}\0{password}\0notadmin".encode()
    mac = hmac.new(b"shared", signed, hashlib.sha1).hexdigest()
    account = ask(
        "POST", register, {"nonce": nonce, "username": name, "password": password, "admin": False, "mac": mac}
    )
    token = account["access_token"]
    room = ask("POST", f"{url}/_matrix/client/v3/createRoom", {"preset": "private_chat", "name": "ramp"}, token)
    return WholeHomeserver(url, token, room["room_id"])
