"""Runs in a network and a file tree of its own: a name server that lies, an inner web server, and our client.

Prints one JSON object: for each name what the client said, and how often the inner server was reached.
"""

from __future__ import annotations

import asyncio
import json
import struct
from ipaddress import ip_address

from tests.net.loopback import loopback, ok
from watcher.errors import GuardError, NetError
from watcher.net import Guard, HttpClients

A, AAAA = 1, 28
# What the name server says, one answer after the other; the last one is repeated. 203.0.114.1 is a public address.
ANSWERS: dict[str, dict[int, list[list[str]]]] = {
    "inner.example.org": {A: [["127.0.0.1"]]},
    "rebound.example.org": {A: [["203.0.114.1"], ["127.0.0.1"]]},
    "both.example.org": {A: [["203.0.114.1", "127.0.0.1"]]},
    "six.example.org": {AAAA: [["::1"]]},
    "mapped.example.org": {AAAA: [["::ffff:127.0.0.1"]]},
    "metadata.example.org": {A: [["169.254.169.254"]]},
    "alias.example.org": {A: [["10.0.0.1"]]},
}


class NameServer(asyncio.DatagramProtocol):
    """Answers as it is told, with no time to live (RFC 1035, section 4)."""

    def __init__(self) -> None:
        self.asked: dict[tuple[str, int], int] = {}

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        labels, at = [], 12
        while data[at]:
            labels.append(data[at + 1 : at + 1 + data[at]].decode())
            at += data[at] + 1
        name, (kind,) = ".".join(labels).lower(), struct.unpack(">H", data[at + 1 : at + 3])
        question = data[12 : at + 5]
        number = self.asked.get((name, kind), 0)
        self.asked[name, kind] = number + 1
        answers = ANSWERS.get(name, {}).get(kind, [[]])
        addresses = [ip_address(text).packed for text in answers[min(number, len(answers) - 1)]]
        flags = 0x8180 if name in ANSWERS else 0x8183
        head = data[:2] + struct.pack(">HHHHH", flags, 1, len(addresses), 0, 0)
        records = b"".join(b"\xc0\x0c" + struct.pack(">HHIH", kind, 1, 0, len(packed)) + packed for packed in addresses)
        self.transport.sendto(head + question + records, addr)


async def said(guard: Guard, url: str) -> str:
    async with HttpClients(guard) as http:
        try:
            answer = await http.get(url, timeout=5)
        except (GuardError, NetError) as error:
            return f"{type(error).__name__}: {error}"
        return answer.body.decode()


async def main() -> None:
    loop = asyncio.get_running_loop()
    _, names = await loop.create_datagram_endpoint(NameServer, local_addr=("127.0.0.1", 53))
    told: dict[str, object] = {}
    async with loopback(ok(b"inner secret")) as server:
        told["first look"] = list(await Guard().addresses("rebound.example.org", 80))
        for name in ANSWERS:
            told[name] = await said(Guard(), server.url(name))
        told["reached"] = server.connections
        told["allowed"] = await said(Guard(["127.0.0.0/8"]), server.url("inner.example.org"))
        told["reached when allowed"] = server.connections
    told["asked"] = names.asked["rebound.example.org", A]
    print(json.dumps(told))


if __name__ == "__main__":
    asyncio.run(main())
