"""Questions to the health port of the service on this machine."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPException

from watcher.errors import NetError

# Whoever asks in a container is itself given five seconds.
_TIMEOUT_S = 4.0
_HERE = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104 - listening everywhere is answered here


@dataclass(frozen=True, slots=True)
class Probed:
    """What the port says.

    `ready`: None where that was not asked. `problems`: in plain words. `values`: what it is judged by.
    """

    alive: bool
    ready: bool | None
    problems: tuple[str, ...]
    values: dict[str, object] = field(default_factory=dict)


def probe(bind: str, *, alive_only: bool = False) -> Probed:
    """Ask the port that a service listens at.

    Parameters
    ----------
    bind
        As in [health] bind.
    alive_only
        Ask only whether the process does its rounds.

    Raises
    ------
    NetError
        Nobody answers there.
    """
    status, body = _asked(bind, "/livez")
    if status != 200:
        return Probed(False, None, (body.strip(),))
    if alive_only:
        return Probed(True, None, ())
    status, body = _asked(bind, "/readyz")
    try:
        values = dict(json.loads(body))
        problems = tuple(str(problem) for problem in values.pop("problems"))
    except (ValueError, KeyError, TypeError) as error:
        raise NetError(f"{bind}: something else than Hoarline answers there", "broken") from error
    return Probed(True, status == 200, problems, values)


def _asked(bind: str, path: str) -> tuple[int, str]:
    host, _, port = bind.rpartition(":")
    host = host.strip("[]")
    connection = HTTPConnection(_HERE.get(host, host), int(port), timeout=_TIMEOUT_S)
    try:
        connection.request("GET", path)
        answer = connection.getresponse()
        return answer.status, answer.read(1 << 20).decode("utf-8", "replace")
    except (OSError, HTTPException) as error:
        raise NetError(f"{bind}: nobody answers there ({error}); does the service run?", "no-connection") from error
    finally:
        connection.close()
