"""Mail addresses, as strictly as a header and an envelope need them, and web addresses that can be asked for."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

# RFC 5321, 4.1.2 and 4.5.3.1: a dot-string of at most 64 letters at a domain. Quoted local parts and address literals
# are left out on purpose: nobody's duty desk has one, and they are where header tricks hide.
_LOCAL = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(?:\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*")
_DOMAIN = re.compile(r"(?=.{1,253}\Z)[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?(?:\.[A-Za-z0-9-]{1,63})*")
# RFC 3986, 3.2: a name, or an address in brackets, and a port; nobody's name or password.
_WEB = re.compile(r"https?://(?:\[[0-9A-Fa-f:.]+\]|[^\s/?#@:\[\]\\]+)(?::[0-9]{0,5})?(?:[/?#]\S*)?")
_NAME_LENGTH = 253  # RFC 1035, 2.3.4
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


def is_web_address(text: str) -> bool:
    """Return whether a text is an http or https address whose host can be looked up and whose port there is."""
    return _WEB.fullmatch(text) is not None and has_host(text)


def has_host(url: str) -> bool:
    """Return whether an address of any scheme can be taken apart into a host to look up and a port from 1 to 65535."""
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
        if not 0 < len(host) <= _NAME_LENGTH or port == 0:
            return False
        host.encode("idna")  # as the look-up does: a label that is empty or too long cannot be asked for
    except ValueError:
        return False
    return True
