"""Which addresses are public. Checked against Python's own reading of the IANA registries."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv6Address, ip_address

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from watcher.net.addresses import embedded, is_metadata, why_not_public

# Addresses and ranges as the IANA special-purpose registries list them (RFC 6890 and its updates).
NOT_PUBLIC = {
    "0.0.0.0": "unspecified",
    "0.1.2.3": "unspecified",
    "10.255.255.255": "private",
    "100.64.0.1": "shared by carriers",
    "100.127.255.255": "shared by carriers",
    "127.0.0.1": "loopback",
    "127.255.255.254": "loopback",
    "169.254.0.1": "link-local",
    "172.16.0.1": "private",
    "172.31.255.255": "private",
    "192.0.0.8": "protocol assignments",
    "192.0.2.1": "documentation",
    "192.88.99.1": "6to4",
    "192.168.1.1": "private",
    "198.18.0.1": "benchmarks",
    "198.19.255.255": "benchmarks",
    "198.51.100.7": "documentation",
    "203.0.113.9": "documentation",
    "224.0.0.1": "multicast",
    "239.255.255.250": "multicast",
    "240.0.0.1": "reserved",
    "255.255.255.255": "reserved",
    "::": "unspecified",
    "::1": "loopback",
    "::ffff:8.8.8.8": "mapped IPv4",
    "::8.8.8.8": "compatible IPv4",
    "64:ff9b::808:808": "NAT64",
    "64:ff9b:1::1": "local NAT64",
    "100::1": "discard",
    "2001::1": "Teredo",
    "2001:2::1": "benchmarks",
    "2001:20::1": "protocol assignments",
    "2001:db8::1": "documentation",
    "2002:808:808::1": "6to4",
    "3fff::1": "documentation",
    "4000::1": "reserved",
    "5f00::1": "reserved",
    "fc00::1": "private",
    "fd12:3456::1": "private",
    "fe80::1": "link-local",
    "fec0::1": "site-local",
    "ff02::1": "multicast",
}

PUBLIC = ("1.1.1.1", "9.255.255.255", "100.63.255.255", "100.128.0.1", "172.32.0.1", "198.20.0.1", "223.255.255.255",
          "2000::1", "2001:200::1", "2606:4700::1111", "3ffe::1", "3fff:1000::1")  # fmt: skip


@pytest.mark.parametrize(("address", "reason"), NOT_PUBLIC.items())
def test_an_address_that_is_not_public_is_told_why(address: str, reason: str) -> None:
    assert (why_not_public(ip_address(address)) or "").startswith(reason)


@pytest.mark.parametrize("address", PUBLIC)
def test_a_public_address_has_no_objection(address: str) -> None:
    assert why_not_public(ip_address(address)) is None


_ADDRESSES = st.one_of(
    st.ip_addresses(),
    st.integers(0, 2**32 - 1).map(IPv4Address),
    # Near the edges of the special blocks, where a table is wrong if it is.
    st.tuples(st.sampled_from(sorted(NOT_PUBLIC)).map(ip_address), st.integers(-(2**16), 2**16)).map(
        lambda pair: type(pair[0])((int(pair[0]) + pair[1]) % 2 ** pair[0].max_prefixlen)
    ),
)


@given(_ADDRESSES)
@example(IPv6Address("2001:1::1"))
@example(IPv4Address("192.0.0.9"))
def test_what_counts_as_public_is_global_unicast_for_the_standard_library_too(
    address: IPv4Address | IPv6Address,
) -> None:
    if why_not_public(address) is None:
        assert not address.is_private
        assert not address.is_multicast
        assert not address.is_reserved
        assert not address.is_loopback
        assert not address.is_link_local


# RFC 4291 2.5.5, RFC 6052 2.4, RFC 3056 2, RFC 4380 4 (the client's address is inverted).
@pytest.mark.parametrize(
    ("address", "inside"),
    [
        ("::ffff:192.0.2.33", ["192.0.2.33"]),
        ("::192.0.2.33", ["192.0.2.33"]),
        ("64:ff9b::192.0.2.33", ["192.0.2.33"]),
        ("2002:c000:221::1", ["192.0.2.33"]),
        ("2001:0:4136:e378:8000:63bf:3fff:fdd2", ["65.54.227.120", "192.0.2.45"]),
        ("::1", []),
        ("2606:4700::1111", []),
        ("8.8.8.8", []),
    ],
)
def test_an_ipv6_address_shows_the_ipv4_address_it_leads_to(address: str, inside: list[str]) -> None:
    assert [str(inner) for inner in embedded(ip_address(address))] == inside


# RFC 6052, 2.4, the examples of 2.2's layouts, and the same under the prefix of RFC 8215.
EXAMPLES = {
    "/48": "2001:db8:122:c000:2:2100::",
    "/56": "2001:db8:122:3c0:0:221::",
    "/64": "2001:db8:122:344:c0:2:2100::",
    "/96": "2001:db8:122:344::192.0.2.33",
}
_BEHIND_48 = (1 << 80) - 1


@pytest.mark.parametrize("example", EXAMPLES.values(), ids=EXAMPLES)
def test_a_local_translation_prefix_of_any_length_shows_where_it_leads(example: str) -> None:
    translated = IPv6Address(int(IPv6Address("64:ff9b:1::")) | int(IPv6Address(example)) & _BEHIND_48)
    assert IPv4Address("192.0.2.33") in list(embedded(translated))


@pytest.mark.parametrize("address", [
    "64:ff9b:1::a9fe:a9fe", "64:ff9b:1:ffff::a9fe:a9fe", "64:ff9b:1:a9fe:a9:fe00::", "64:ff9b:1:a9fe:a9:fe00:808:808",
    "64:ff9b:1:7a9:fe:a9fe::", "64:ff9b:1:344:a9:fea9:fe00::",
])  # fmt: skip
def test_the_metadata_address_is_known_behind_a_local_translation_prefix(address: str) -> None:
    assert is_metadata(ip_address(address))


@pytest.mark.parametrize(
    "address",
    ["169.254.169.254", "fd00:ec2::254", "::ffff:169.254.169.254", "64:ff9b::a9fe:a9fe", "2002:a9fe:a9fe::1"],
)
def test_the_metadata_address_is_known_in_every_disguise(address: str) -> None:
    assert is_metadata(ip_address(address))
