"""What publishing and listening at an MQTT 5.0 broker share: where it is, and a connection that the guard opened.

Source: OASIS Standard MQTT 5.0, 7 March 2019. Needs the extra `mqtt`. A name is looked up here, and the library gets
the judged address: it never looks anything up, and never connects again by itself.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from watcher.errors import NetError, NetErrorKind
from watcher.net.guard import Guard
from watcher.net.reason_codes import reason_text

if TYPE_CHECKING:
    from paho.mqtt.client import Client

CONNECT_TIMEOUT_S = 10.0
KEEP_ALIVE_S = 30


@dataclass(frozen=True, slots=True)
class Login:
    """Who we are at a broker."""

    username: str
    password: str = field(repr=False)


class Refused(NetError):
    """The broker answered and did not take it. `code`: its reason code (MQTT 5.0, 2.4)."""

    def __init__(self, message: str, code: int) -> None:
        super().__init__(message, "broken")
        self.code = code


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where a broker is. `tls`: the certificate is checked against the machine's own store or that of SSL_CERT_FILE."""

    host: str
    port: int
    tls: bool

    def __str__(self) -> str:
        return f"mqtt{'s' if self.tls else ''}://{self.host}:{self.port}"


def can_use_mqtt() -> bool:
    """Return whether the extra `mqtt` is installed."""
    return find_spec("paho") is not None


class _NamedContext(ssl.SSLContext):
    """Checks the certificate against the name that was looked up, though the connection goes to an address."""

    name = ""

    def wrap_socket(self, sock: Any, *_: Any, **_options: Any) -> ssl.SSLSocket:  # noqa: ANN401 - the library's call
        """Protect a connection. The library would leave it open where the handshake fails; here it is closed."""
        protected = super().wrap_socket(sock, server_hostname=self.name, do_handshake_on_connect=False)
        try:
            protected.settimeout(CONNECT_TIMEOUT_S)
            protected.do_handshake()
        except BaseException:
            protected.close()
            raise
        return protected


def new_client(address: BrokerAddress, login: Login | None, *, client_id: str = "", manual_ack: bool = False) -> Client:
    """Return a client of the library that is not connected yet.

    Parameters
    ----------
    address, login
        Where, and as whom; login None: as nobody.
    client_id
        Empty: the broker gives one (3.1.3.1), so that several senders never push each other out.
    manual_ack
        Whether a message is acknowledged by us rather than on arrival.
    """
    from paho.mqtt.client import Client  # noqa: PLC0415 - an extra
    from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion  # noqa: PLC0415

    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=MQTTProtocolVersion.MQTTv5,
        reconnect_on_failure=False,
        manual_ack=manual_ack,
    )
    client.connect_timeout = CONNECT_TIMEOUT_S
    if address.tls:
        context = _NamedContext(ssl.PROTOCOL_TLS_CLIENT)
        context.name = address.host.strip("[]")
        context.load_default_certs()
        client.tls_set_context(context)
    if login is not None:
        client.username_pw_set(login.username, login.password)
    return client


async def connect(guard: Guard, address: BrokerAddress, to: Callable[[str], Awaitable[Client]]) -> Client:
    """Look the broker up, have its addresses judged, and return the first connection that `to` opens to one of them.

    Raises
    ------
    GuardError
        All of its addresses are refused.
    NetError
        There is no connection; `kind` says why. What `to` raises of this kind passes as it is.
    """
    try:
        addresses = await guard.addresses(address.host, address.port)
    except (OSError, UnicodeError) as error:
        raise NetError(f"{address}: the name could not be looked up ({error})", "no-name") from error
    failure: Exception | None = None
    for judged in addresses:
        try:
            return await to(judged)
        except OSError as error:
            failure = error
    kind: NetErrorKind = "tls" if isinstance(failure, ssl.SSLError) else "no-connection"
    raise NetError(f"{address}: no connection ({failure})", kind) from failure


def settle(waited_for: asyncio.Future[int], code: int) -> None:
    """Give a waiting one its answer, unless it waits no more."""
    if not waited_for.done():
        waited_for.set_result(code)


def broke_off(waited_for: asyncio.Future[int], code: int) -> None:
    """Tell a waiting one that the connection ended before it was open."""
    if not waited_for.done():
        waited_for.set_exception(ConnectionError(f"it broke off before it was open ({reason_text(code)})"))
