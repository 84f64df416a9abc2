"""A real service with known secrets, among servers that refuse and repeat what they got: no secret is ever shown again."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import os
import re
import signal
import socket
import sqlite3
import ssl
import sys
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import timedelta
from functools import partial
from pathlib import Path

import httpx
import pytest
from aiosmtpd.smtp import AuthResult

from tests.net.loopback import loopback, ok
from tests.notify.scenes import tls
from tests.service.night_watch import SECRET, surroundings
from watcher.clock import utc_now
from watcher.demo.receivers import MailReceiver

pytestmark = [pytest.mark.anyio, pytest.mark.slow, pytest.mark.timeout(300)]

PASSWORD = "Zu3-mail-password-Qx"
ROOM = "Tk9-room-path-Wv"
ACCESS = "Bn4-matrix-access-token-Hy"
COMMANDS = (
    ("config", "show", "--json"), ("check",), ("destination", "list", "--json"), ("destination", "test", "desk"), ("destination", "test", "room"),
    ("destination", "test", "chat"), ("destination", "test", "kept-room"), ("destination", "test", "kept-hook"), ("subscription", "list"), ("episode", "list", "--json"), ("token", "list"),
    ("db", "status"), ("health",),
)  # fmt: skip


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


@dataclass
class Heard:
    """All that came out of the service, by where."""

    texts: dict[str, str] = field(default_factory=dict)
    secrets: dict[str, str] = field(default_factory=dict)

    def shown(self) -> list[str]:
        """Return which secret stands where, in any of the forms that it takes on the way; never the secret itself."""
        return [
            f"{name} in {where}"
            for where, text in self.texts.items()
            for name, secret in self.secrets.items()
            if any(form in text for form in forms(secret))
        ]


def forms(secret: str) -> set[str]:
    packed = base64.b64encode(secret.encode()).decode().rstrip("=")
    login = base64.b64encode(f"\0hoarline\0{secret}".encode()).decode().rstrip("=")
    return {secret, secret.removeprefix("whsec_"), packed, login}


async def said(*words: str, env: dict[str, str]) -> str:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "watcher.cli", *words, env=env,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
    )  # fmt: skip
    out, _ = await asyncio.wait_for(process.communicate(), 60)
    return out.decode()


def refuses_and_repeats(_server, _session, _envelope, _mechanism, data) -> AuthResult:
    return AuthResult(success=False, handled=False, message=f"535 5.7.8 no {data.password.decode()} is not known")


async def every_page(client: httpx.AsyncClient, heard: Heard) -> None:
    """Follow every link inside the service from the board on, as far as 80 pages."""
    waiting = [
        "/",
        "/status",
        "/deliveries",
        "/destinations",
        "/subscriptions",
        "/api/v1/openapi.json",
        "/api/v1/status",
    ]
    waiting += ["/api/v1/deliveries", "/api/v1/destinations", "/api/v1/subscriptions", "/api/v1/events", "/missing"]
    seen: set[str] = set()
    while waiting and len(seen) < 80:
        path = waiting.pop(0)
        if path in seen or path.startswith("/leave"):
            continue
        seen.add(path)
        with contextlib.suppress(httpx.TimeoutException):
            answer = await client.get(path)
            heard.texts[f"page {path}"] = f"{answer.status_code} {answer.headers}\n{answer.text}"
            links = re.findall(r'(?:href|action|src)="(/[^"#]*)', answer.text) if "html" in str(answer.headers) else []
            waiting += [link.replace("&amp;", "&") for link in links if not link.startswith(("/live", "/static"))]
    assert len(seen) > 12


async def keep_more(
    heard: Heard,
    matrix_url: str,
    hook_url: str,
    folder: Path,
    config: tuple[str, ...],
    run: Callable[..., Awaitable[str]],
) -> None:
    """Add destinations by command: their secrets stand in the store, not in files that the settings name."""
    (folder / "access").write_text(ACCESS + "\n")
    heard.secrets["access token"] = ACCESS
    room = ("--matrix", matrix_url, "--room-id", "!made-up:example.org", "--token-file", str(folder / "access"))
    heard.texts["destination add kept-room"] = await run("destination", "add", "kept-room", *room, *config)
    hook = json.loads(await run("destination", "add", "kept-hook", "--webhook", hook_url, "--json", *config))
    heard.secrets["kept secret"] = hook["secret"]
    heard.texts["subscription add"] = await run(
        "subscription", "add", "kept", "--to", "kept-room", "--to", "kept-hook", *config
    )


async def all_that_is_said(heard: Heard, health: int, config: tuple[str, ...], env: dict[str, str]) -> None:
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{health}", trust_env=False) as probe:
        for path in ("/metrics", "/readyz", "/livez"):
            heard.texts[path] = (await probe.get(path)).text
    answers = await asyncio.gather(*(said(*words, *config, env=env) for words in COMMANDS))
    heard.texts |= {" ".join(words): answer for words, answer in zip(COMMANDS, answers, strict=True)}


async def test_no_secret_leaves_the_service_that_does_not_have_to(tmp_path):  # noqa: PLR0915 - one story
    port, health = free_port(), free_port()
    heard = Heard(secrets={"mail password": PASSWORD, "webhook secret": SECRET, "room address": ROOM})
    repeats = ok(f"there is no room at /in/{ROOM}".encode(), f"X-Path: /in/{ROOM}", status="404 Not Found")
    refusing = MailReceiver(
        smtp_options={"tls_context": tls().server, "require_starttls": True, "authenticator": refuses_and_repeats}
    )
    told = json.dumps({"errcode": "X_INVENTED", "error": f"{ACCESS} may not"})
    refusal = ok(told.encode(), status="500 Internal Server Error")
    async with loopback(repeats) as chat_server, loopback(refusal) as matrix, refusing as mail_server, surroundings(tmp_path, ["XNOR"], every="300ms", more=f"""
[web]
bind = "127.0.0.1:{port}"
[[destination]]
name = "chat"
kind = "chat"
url_file = "chat.url"
group_within = "0s"
[[subscription]]
name = "chat too"
flags = ["freezing-precipitation"]
to = ["chat"]
""") as around:  # fmt: skip
        (authority,) = tls().client.get_ca_certs(binary_form=True)
        (tmp_path / "authority.pem").write_text(ssl.DER_cert_to_PEM_cert(authority))
        around.webhook.status = 500
        (tmp_path / "mail.password").write_text(PASSWORD + "\n")
        (tmp_path / "chat.url").write_text(chat_server.url(path=f"/in/{ROOM}") + "\n")
        env = os.environ | {
            "SSL_CERT_FILE": str(tmp_path / "authority.pem"),
            "HOARLINE_MAIL__PORT": str(mail_server.port),
            "HOARLINE_MAIL__SECURITY": "starttls",
            "HOARLINE_MAIL__USERNAME": "hoarline",
            "HOARLINE_MAIL__PASSWORD_FILE": "mail.password",
            "HOARLINE_HEALTH__BIND": f"127.0.0.1:{health}",
            "HOARLINE_SERVICE__LOG": "json",
        }
        config = ("--config", str(around.settings))
        token = json.loads(
            await said("token", "add", "desk", "--scope", "manage", "--scope", "read", "--json", *config, env=env)
        )
        heard.secrets["token"] = token["token"]
        run = partial(said, env=env)
        await keep_more(heard, matrix.url(path=""), around.webhook.url("/kept"), tmp_path, config, run)
        observed = utc_now() - timedelta(minutes=5)
        around.publish([f"XNOR {observed:%d%H%M}Z 00000KT 3000 -FZDZ OVC006 M02/M03 Q1010"], utc_now())
        with (tmp_path / "log").open("wb") as log:
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "watcher.cli", "run", *config, env=env, stderr=log, stdout=log
            )
        try:
            async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", trust_env=False, timeout=20) as client:
                async with asyncio.timeout(60):
                    while not (
                        around.webhook.posts
                        and chat_server.requests
                        and matrix.requests
                        and mail_server.connections > 1
                    ):
                        await asyncio.sleep(0.1)
                own = {"Origin": f"http://127.0.0.1:{port}"}
                await client.post("/enter", data={"token": "hoarline_" + "x" * 43}, headers=own)
                entered = await client.post("/enter", data={"token": token["token"]}, headers=own)
                assert entered.status_code == 303, entered.text
                (session,) = client.cookies.jar
                assert session.value is not None
                heard.secrets["session"] = session.value
                connection = sqlite3.connect(tmp_path / "hoarline.db")
                heard.secrets["link key"] = connection.execute(
                    "SELECT value FROM kept WHERE name = 'link-key'"
                ).fetchone()[0]
                await every_page(client, heard)
                await all_that_is_said(heard, health, config, env)
                connection.execute("DROP TABLE station_state")
                connection.close()
                later = utc_now() - timedelta(minutes=1)
                around.publish([f"XNOR {later:%d%H%M}Z 00000KT 2000 FZDZ OVC004 M02/M03 Q1010"], utc_now())
                async with asyncio.timeout(60):
                    while b"Traceback" not in (tmp_path / "log").read_bytes():
                        await asyncio.sleep(0.1)
                heard.texts["board without a table"] = (await client.get("/")).text
        finally:
            if process.returncode is None:
                process.send_signal(signal.SIGTERM)
            await asyncio.wait_for(process.wait(), 30)
    heard.texts["log"] = (tmp_path / "log").read_text()
    assert "Traceback" in heard.texts["log"]
    assert "delivery" in heard.texts["log"]
    assert "535" in heard.texts["log"] + heard.texts["page /deliveries"], "the refusal itself is told"
    for repeated in ("there is no room at", "may not", "is not known"):
        assert repeated in heard.texts["log"] + heard.texts["page /deliveries"], "what they said is told, without it"
    assert heard.shown() == []


async def test_a_password_in_the_url_of_the_database_is_not_shown(tmp_path):
    """It does not belong there; whoever writes it into the environment all the same is not betrayed by our words."""
    (tmp_path / "hoarline.toml").write_text("")
    heard = Heard(secrets={"database password": "Lm7-database-password-Rt"})
    url = f"postgresql+psycopg://hoarline:{heard.secrets['database password']}@127.0.0.1:{free_port()}/ice"
    env = os.environ | {"HOARLINE_STORE__URL": url}
    config = ("--config", str(tmp_path / "hoarline.toml"))
    for words in (("config", "show"), ("config", "show", "--json"), ("check",), ("run",), ("db", "status"), ("db", "upgrade"),
                  ("db", "backup", "x.dump"), ("token", "list"), ("episode", "list")):  # fmt: skip
        heard.texts[" ".join(words)] = await said(*words, *config, env=env)
    heard.texts["copy"] = await said("db", "copy", url, f"sqlite:///{tmp_path / 'x.db'}", env=env)
    assert "pg_dump" in heard.texts["db backup x.dump"]
    assert "no connection" in heard.texts["db status"].lower() or "refused" in heard.texts["db status"]
    assert heard.shown() == []


def test_the_search_would_find_a_secret_in_each_of_its_forms():
    heard = Heard(secrets={"password": PASSWORD})
    for text in (
        f"said {PASSWORD}.",
        base64.b64encode(PASSWORD.encode()).decode(),
        "AGhvYXJsaW5lAFp1My1tYWlsLXBhc3N3b3JkLVF4",
    ):
        heard.texts = {"log": text}
        assert len(heard.shown()) >= 1, text
