"""Every block of the IANA special-purpose address registries against the guard.

Sources: IANA IPv4 and IPv6 Special-Purpose Address Registries (RFC 6890, updated by RFC 8190), each row with the RFC
that made it; multicast from RFC 5771 and RFC 4291. "global" is the registry's column "Globally Reachable".
"""

from __future__ import annotations

from ipaddress import IPv4Network, IPv6Network, ip_network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.net import Guard

# block, name, RFC, whether the registry calls it globally reachable (None: not applicable)
IPV4 = (
    ("0.0.0.0/8", "This network", 791, False),
    ("0.0.0.0/32", "This host on this network", 1122, False),
    ("10.0.0.0/8", "Private-Use", 1918, False),
    ("100.64.0.0/10", "Shared Address Space", 6598, False),
    ("127.0.0.0/8", "Loopback", 1122, False),
    ("169.254.0.0/16", "Link Local", 3927, False),
    ("172.16.0.0/12", "Private-Use", 1918, False),
    ("192.0.0.0/24", "IETF Protocol Assignments", 6890, False),
    ("192.0.0.0/29", "IPv4 Service Continuity Prefix", 7335, False),
    ("192.0.0.8/32", "IPv4 dummy address", 7600, False),
    ("192.0.0.9/32", "Port Control Protocol Anycast", 7723, True),
    ("192.0.0.10/32", "Traversal Using Relays around NAT Anycast", 8155, True),
    ("192.0.0.170/32", "NAT64/DNS64 Discovery", 8880, False),
    ("192.0.0.171/32", "NAT64/DNS64 Discovery", 8880, False),
    ("192.0.2.0/24", "Documentation (TEST-NET-1)", 5737, False),
    ("192.31.196.0/24", "AS112-v4", 7535, True),
    ("192.52.193.0/24", "AMT", 7450, True),
    ("192.88.99.0/24", "Deprecated (6to4 Relay Anycast)", 7526, None),
    ("192.168.0.0/16", "Private-Use", 1918, False),
    ("192.175.48.0/24", "Direct Delegation AS112 Service", 7534, True),
    ("198.18.0.0/15", "Benchmarking", 2544, False),
    ("198.51.100.0/24", "Documentation (TEST-NET-2)", 5737, False),
    ("203.0.113.0/24", "Documentation (TEST-NET-3)", 5737, False),
    ("224.0.0.0/4", "Multicast", 5771, None),
    ("240.0.0.0/4", "Reserved", 1112, False),
    ("255.255.255.255/32", "Limited Broadcast", 8190, False),
)
IPV6 = (
    ("::1/128", "Loopback Address", 4291, False),
    ("::/128", "Unspecified Address", 4291, False),
    ("::ffff:0:0/96", "IPv4-mapped Address", 4291, False),
    ("64:ff9b::/96", "IPv4-IPv6 Translation", 6052, True),
    ("64:ff9b:1::/48", "IPv4-IPv6 Translation", 8215, False),
    ("100::/64", "Discard-Only Address Block", 6666, False),
    ("100:0:0:1::/64", "Dummy IPv6 Prefix", 9780, False),
    ("2001::/23", "IETF Protocol Assignments", 2928, False),
    ("2001::/32", "TEREDO", 4380, None),
    ("2001:1::1/128", "Port Control Protocol Anycast", 7723, True),
    ("2001:1::2/128", "Traversal Using Relays around NAT Anycast", 8155, True),
    ("2001:1::3/128", "DNS-SD Service Registration Protocol Anycast", 9665, True),
    ("2001:2::/48", "Benchmarking", 5180, False),
    ("2001:3::/32", "AMT", 7450, True),
    ("2001:4:112::/48", "AS112-v6", 7535, True),
    ("2001:10::/28", "Deprecated (ORCHID)", 4843, None),
    ("2001:20::/28", "ORCHIDv2", 7343, True),
    ("2001:30::/28", "Drone Remote ID Protocol Entity Tags", 9374, True),
    ("2001:db8::/32", "Documentation", 3849, False),
    ("2002::/16", "6to4", 3056, None),
    ("2620:4f:8000::/48", "Direct Delegation AS112 Service", 7534, True),
    ("3fff::/20", "Documentation", 9637, False),
    ("5f00::/16", "Segment Routing (SRv6) SIDs", 9602, False),
    ("fc00::/7", "Unique-Local", 4193, False),
    ("fe80::/10", "Link-Local Unicast", 4291, False),
    ("fec0::/10", "Deprecated (Site-Local)", 3879, None),
    ("ff00::/8", "Multicast", 4291, None),
)
# Called global, and refused all the same: relays and protocols of the machine's own network, nobody's web server.
STRICTER = {"192.0.0.9/32", "192.0.0.10/32", "64:ff9b::/96", "2001:1::1/128", "2001:1::2/128", "2001:1::3/128",
            "2001:3::/32", "2001:4:112::/48", "2001:20::/28", "2001:30::/28"}  # fmt: skip
ROWS = [*IPV4, *IPV6]


def ends(block: str) -> tuple[str, str]:
    network = ip_network(block)
    return str(network[0]), str(network[-1])


@pytest.mark.parametrize(("block", "name", "rfc", "reachable"), ROWS)
def test_a_block_that_is_not_globally_reachable_is_refused_from_end_to_end(block, name, rfc, reachable):
    for address in ends(block):
        if reachable and block not in STRICTER:
            assert Guard().objection(address) is None, name
        else:
            assert Guard().objection(address), f"{name} (RFC {rfc})"


@given(st.data())
def test_so_is_every_address_inside(data):
    block = data.draw(st.sampled_from([row[0] for row in ROWS if not row[3]]))
    network = ip_network(block)
    address = network[data.draw(st.integers(0, network.num_addresses - 1))]
    assert Guard().objection(str(address))


@pytest.mark.parametrize(("block", "name", "rfc", "reachable"), [row for row in ROWS if row[3] is False])
def test_listing_a_neighbour_does_not_open_a_block(block, name, rfc, reachable):
    """What is listed opens itself and no more, and never what lies beside it."""
    inside = ends(block)[0]
    other = "172.20.0.0/24" if "." in block else "fd77::/64"
    if not ip_network(other).overlaps(ip_network(block)):
        assert Guard([other]).objection(inside)


@pytest.mark.parametrize(("block", "name", "rfc", "reachable"), ROWS)
def test_the_registry_table_is_one(block, name, rfc, reachable):
    network = ip_network(block)  # raises where bits stand behind the prefix
    assert isinstance(network, IPv4Network if "." in block and ":" not in block else IPv6Network)
    assert 700 < rfc < 10_000


def test_what_lies_just_outside_the_edges_and_in_no_block_is_public():
    blocks = [ip_network(row[0]) for row in ROWS]
    checked = 0
    for block in blocks:
        for number in (int(block[0]) - 1, int(block[-1]) + 1):
            if not 0 < number < 2**block.max_prefixlen:
                continue
            address = type(block[0])(number)
            unicast = address.version == 4 or address in IPv6Network("2000::/3")
            if unicast and not any(address in other for other in blocks if other.version == address.version):
                assert Guard().objection(str(address)) is None, address
                checked += 1
    assert checked > 20
