"""Mail addresses, as strictly as a header and an envelope need them."""

from __future__ import annotations

import re

# RFC 5321, 4.1.2 and 4.5.3.1: a dot-string of at most 64 letters at a domain. Quoted local parts and address literals
# are left out on purpose: nobody's duty desk has one, and they are where header tricks hide.
_LOCAL = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(?:\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*")
_DOMAIN = re.compile(r"(?=.{1,253}\Z)[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?(?:\.[A-Za-z0-9-]{1,63})*")
_NAMED = re.compile(r"(?P<name>[^<>]*)<(?P<address>[^<>]*)>")


def check_address(text: str) -> str | None:
    """Return why a text is no single mail address that can be written to; None when it is one.

    Parameters
    ----------
    text
        The bare address, such as ``duty@example.org``.
    """
    if any(ord(letter) < 32 or ord(letter) == 127 for letter in text):
        return "it holds a line break or another control character"
    if "," in text or ";" in text or text.count("@") > 1:
        return "it is more than one address; give each a destination of its own"
    if not text.isascii():
        return "it holds letters outside plain ASCII; write an international domain in its xn-- form"
    local, at, domain = text.partition("@")
    if not at:
        return "it has no @"
    if len(local) > 64 or _LOCAL.fullmatch(local) is None:
        return f'"{local}" before the @ is no mailbox name'
    if _DOMAIN.fullmatch(domain) is None:
        return f'"{domain}" after the @ is no domain'
    return None


def check_sender(text: str) -> str | None:
    """Return why a text is no sender; None when it is ``Hoarline <hoarline@example.org>`` or a bare address."""
    named = _NAMED.fullmatch(text)
    if named is not None and any(ord(letter) < 32 or ord(letter) == 127 for letter in named["name"]):
        return "its name holds a line break or another control character"
    return check_address(bare_address(text))


def bare_address(sender: str) -> str:
    """Return the address of a sender without its name."""
    named = _NAMED.fullmatch(sender)
    return named["address"].strip() if named is not None else sender


def display_name(sender: str) -> str:
    """Return the name of a sender without its address; empty when it has none."""
    named = _NAMED.fullmatch(sender)
    return named["name"].strip().strip('"') if named is not None else ""
