"""Which internet addresses are public, and why the others are not: one table, read from most to least specific.

Sources: IANA IPv4 and IPv6 Special-Purpose Address Registries (RFC 6890 and the RFC named in each row). The metadata
addresses are those at which hosting machines answer with their own credentials; link-local ones by common practice,
the others from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

_METADATA = frozenset(
    ip_address(text)
    for text in (
        "169.254.169.254",
        "169.254.170.2",
        "169.254.170.23",
        "100.100.100.200",
        "168.63.129.16",
        "192.0.0.192",
        "fd00:ec2::23",
        "fd00:ec2::254",
        "fd20:ce::254",
    )
)

_GLOBAL_UNICAST = IPv6Network("2000::/3")
_MAPPED = IPv6Network("::ffff:0:0/96")
_COMPATIBLE = IPv6Network("::/96")
_NAT64 = IPv6Network("64:ff9b::/96")
_LOCAL_NAT64 = IPv6Network("64:ff9b:1::/48")
_6TO4 = IPv6Network("2002::/16")
_TEREDO = IPv6Network("2001::/32")

_SPECIAL: tuple[tuple[Network, str], ...] = tuple(
    (ip_network(network), reason)
    for network, reason in (
        ("0.0.0.0/8", "unspecified (RFC 1122)"),
        ("10.0.0.0/8", "private (RFC 1918)"),
        ("100.64.0.0/10", "shared by carriers (RFC 6598)"),
        ("127.0.0.0/8", "loopback (RFC 1122)"),
        ("169.254.0.0/16", "link-local (RFC 3927)"),
        ("172.16.0.0/12", "private (RFC 1918)"),
        ("192.0.0.0/24", "protocol assignments (RFC 6890)"),
        ("192.0.2.0/24", "documentation (RFC 5737)"),
        ("192.88.99.0/24", "6to4 relay (RFC 7526)"),
        ("192.168.0.0/16", "private (RFC 1918)"),
        ("198.18.0.0/15", "benchmarks (RFC 2544)"),
        ("198.51.100.0/24", "documentation (RFC 5737)"),
        ("203.0.113.0/24", "documentation (RFC 5737)"),
        ("224.0.0.0/4", "multicast (RFC 5771)"),
        ("240.0.0.0/4", "reserved (RFC 1112)"),
        ("::/128", "unspecified (RFC 4291)"),
        ("::1/128", "loopback (RFC 4291)"),
        ("::ffff:0:0/96", "mapped IPv4 (RFC 4291)"),
        ("::/96", "compatible IPv4 (RFC 4291)"),
        ("64:ff9b::/96", "NAT64 (RFC 6052)"),
        ("64:ff9b:1::/48", "local NAT64 (RFC 8215)"),
        ("100::/64", "discard (RFC 6666)"),
        ("2001::/32", "Teredo (RFC 4380)"),
        ("2001:2::/48", "benchmarks (RFC 5180)"),
        ("2001:db8::/32", "documentation (RFC 3849)"),
        ("2001::/23", "protocol assignments (RFC 2928)"),
        ("2002::/16", "6to4 (RFC 3056)"),
        ("3fff::/20", "documentation (RFC 9637)"),
        ("fc00::/7", "private (RFC 4193)"),
        ("fe80::/10", "link-local (RFC 4291)"),
        ("fec0::/10", "site-local (RFC 3879)"),
        ("ff00::/8", "multicast (RFC 4291)"),
    )
)


def why_not_public(address: Address) -> str | None:
    """Return why an address is not a public one, such as "loopback (RFC 1122)"; None when it is public."""
    for network, reason in _SPECIAL:
        if address in network:
            return reason
    if isinstance(address, IPv6Address) and address not in _GLOBAL_UNICAST:
        return "reserved (RFC 4291)"
    return None


def is_metadata(address: Address) -> bool:
    """Return whether a hosting machine's metadata would answer there, directly or by an embedded IPv4 address."""
    return address in _METADATA or any(inner in _METADATA for inner in embedded(address))


def embedded(address: Address) -> Iterator[IPv4Address]:
    """Yield the IPv4 addresses that traffic to an IPv6 address can end at: mapped, compatible, NAT64, 6to4, Teredo.

    Of local NAT64 (RFC 8215) it cannot be seen how long the network's prefix is: several addresses may be meant.
    """
    if isinstance(address, IPv4Address):
        return
    number = int(address)
    if address in _MAPPED or address in _NAT64 or (address in _COMPATIBLE and number > 1):
        yield IPv4Address(number & 0xFFFFFFFF)
    elif address in _LOCAL_NAT64:
        yield from _translated(number)
    elif address in _6TO4:
        yield IPv4Address((number >> 80) & 0xFFFFFFFF)
    elif address in _TEREDO:
        yield IPv4Address((number >> 64) & 0xFFFFFFFF)
        yield IPv4Address((number & 0xFFFFFFFF) ^ 0xFFFFFFFF)


def _translated(number: int) -> Iterator[IPv4Address]:
    """Yield what an address reads as under prefixes of 48, 56, 64 and 96 bits; bits 64 to 71 are no part of it.

    Source: RFC 6052, 2.2. A translator need not look at the bits behind, so each reading counts. Left out is what
    comes about when an address of another length is read: no host is at 0.x.x.x or x.x.0.0.
    """
    readings = (
        (number >> 64 & 0xFFFF) << 16 | number >> 40 & 0xFFFF,
        (number >> 64 & 0xFF) << 24 | number >> 32 & 0xFFFFFF,
        number >> 24 & 0xFFFFFFFF,
        number & 0xFFFFFFFF,
    )
    hosts = [reading for reading in readings if reading >> 24 and reading & 0xFFFF]
    yield from map(IPv4Address, dict.fromkeys(hosts or readings))
