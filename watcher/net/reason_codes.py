"""What an MQTT 5.0 broker answers with, in the words of the standard (OASIS, 7 March 2019, section 2.4)."""

from __future__ import annotations

FIRST_REFUSAL = 0x80
TAKEN_OVER = 0x8E

_REASONS = {
    0x00: "closed",
    0x80: "unspecified error",
    0x82: "protocol error",
    0x83: "implementation specific error",
    0x84: "unsupported protocol version",
    0x86: "bad user name or password",
    0x87: "not authorized",
    0x88: "server unavailable",
    0x89: "server busy",
    0x8A: "banned",
    0x8B: "server shutting down",
    0x8D: "keep alive timeout",
    0x8E: "session taken over",
    0x8F: "topic filter invalid",
    0x90: "topic name invalid",
    0x93: "receive maximum exceeded",
    0x95: "packet too large",
    0x97: "quota exceeded",
    0x98: "administrative action",
    0x99: "payload format invalid",
    0x9A: "retain not supported",
    0x9B: "quality of service not supported",
    0x9C: "use another server",
    0x9D: "server moved",
}


def reason_text(code: int) -> str:
    """Return a reason code in words, such as "not authorized 0x87"."""
    return f"{_REASONS.get(code, 'reason')} 0x{code:02X}"
