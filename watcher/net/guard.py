"""The guard: which address an outgoing connection may reach.

A name is looked up once for each connection, every address of the answer is judged, and the connection goes to a
judged address, not to the name. A second look-up with another answer has therefore nothing to act on.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable, Sequence
from ipaddress import ip_address, ip_network

from watcher.errors import GuardError
from watcher.net.addresses import Address, Network, embedded, is_metadata, why_not_public
from watcher.net.lookups import system_resolver

Resolver = Callable[[str, int], Awaitable[Sequence[str]]]


class Guard:
    """Judges addresses. Only public ones may be reached, and those in networks that were listed.

    Parameters
    ----------
    allow_private
        Networks that may be reached though they are not public, such as ``10.20.0.0/16``.
    resolve
        Looks a name up; the machine's own resolver unless given.
    """

    def __init__(self, allow_private: Iterable[str | Network] = (), *, resolve: Resolver = system_resolver) -> None:
        self._allowed: tuple[Network, ...] = tuple(ip_network(network) for network in allow_private)
        self._resolve = resolve

    def objection(self, address: str) -> str | None:
        """Return why an address may not be reached; None when it may."""
        try:
            found = ip_address(address.partition("%")[0])
        except ValueError:
            return "no address"
        return self._objection(found)

    def _objection(self, address: Address) -> str | None:
        if is_metadata(address):
            return "metadata of the hosting machine, never allowed"
        reason = why_not_public(address)
        if reason is None:
            return None
        if not any(address in network for network in self._allowed):
            return reason
        # A listed translation prefix must not be a way around the list for what it translates to.
        return next(
            (f"{reason}, leads to {inner}: {why}" for inner in embedded(address) if (why := self._objection(inner))),
            None,
        )

    async def addresses(self, host: str, port: int) -> tuple[str, ...]:
        """Look a host up and return the addresses that may be reached, in the order of the answer.

        Raises
        ------
        GuardError
            None of its addresses may be reached.
        OSError
            The name has no address.
        """
        answer = await self._resolve(host, port)
        if not answer:
            raise OSError(f"{host} has no address")
        objections = {address: self.objection(address) for address in answer}
        allowed = tuple(address for address, objection in objections.items() if objection is None)
        if not allowed:
            told = ", ".join(f"{address} ({objection})" for address, objection in objections.items())
            raise GuardError(f"{host}: refused to connect to {told}; see [network] allow_private")
        return allowed
