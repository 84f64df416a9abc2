"""A plain connection to a server that whoever runs the service has named: the mail server. No guard judges it."""

from __future__ import annotations

import asyncio
import socket

from watcher.net.lookups import system_resolver


async def connected_socket(host: str, port: int, within_s: float) -> socket.socket:
    """Return a connection to the first address of a host that accepts, for its new owner to close.

    Libraries look names up in the threads that the store is asked with; those that are given a connection need not.

    Parameters
    ----------
    host, port
        Where.
    within_s
        Seconds for the look-up, and once more for all addresses, each of which has an equal share.

    Raises
    ------
    OSError
        There is no connection.
    """
    try:
        async with asyncio.timeout(within_s):
            addresses = await system_resolver(host, port)
    except TimeoutError as error:
        raise OSError(f"the name was not looked up within {within_s:g} s") from error
    except UnicodeError as error:
        raise OSError(f"the name could not be looked up ({error})") from error
    failure: OSError | None = None
    for address in addresses:
        try:
            return await _connected(address, port, within_s / len(addresses))
        except OSError as error:
            failure = error
    raise failure or OSError("the name has no address")


async def _connected(address: str, port: int, within_s: float) -> socket.socket:
    made = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_STREAM)
    try:
        made.setblocking(False)
        async with asyncio.timeout(within_s):
            await asyncio.get_running_loop().sock_connect(made, (address, port))
    except TimeoutError as error:
        made.close()
        raise OSError(f"no connection within {within_s:g} s") from error
    except BaseException:
        made.close()
        raise
    return made
