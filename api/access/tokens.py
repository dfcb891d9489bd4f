"""Random tokens, and how they are kept: only as a hash. What is said of an address or a device in a log."""

from __future__ import annotations

import hashlib
import re
import secrets
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address, ip_network

TOKEN_BYTES = 32
_LONGEST_TOKEN = 128


def new_token() -> str:
    """A new random token of 256 bits, safe in addresses and cookies."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def hash_of(token: str) -> str:
    """What is kept of a token. A plain hash is enough for 256 random bits, and it can be looked up."""
    return hashlib.sha256(token[:_LONGEST_TOKEN].encode()).hexdigest()


def network_of(address: str | None) -> str:
    """An address without its last part: 192.0.2.0/24, 2001:db8:1::/48; empty when there is none."""
    return _network(address, 24, 48)


def one_house(address: str | None) -> str:
    """What counts as one address in a limit: an IPv4 address, or the /64 that one IPv6 connection gets."""
    return _network(address, 32, 64) or "unknown"


def _network(address: str | None, v4_bits: int, v6_bits: int) -> str:
    try:
        found = ip_address((address or "").partition("%")[0])
    except ValueError:
        return ""
    if isinstance(found, IPv6Address) and found.ipv4_mapped is not None:
        found = found.ipv4_mapped
    return str(ip_network(f"{found}/{v4_bits if found.version == 4 else v6_bits}", strict=False))


_SYSTEMS = (("iPhone", "iPhone"), ("iPad", "iPad"), ("Android", "Android"), ("Windows", "Windows"))
_MORE_SYSTEMS = (("Mac OS", "Mac"), ("CrOS", "ChromeOS"), ("Linux", "Linux"))
_BROWSERS = (("Firefox/", "Firefox"), ("Edg/", "Edge"), ("Chrome/", "Chrome"), ("Safari/", "Safari"))


def device_words(user_agent: str) -> str:
    """A device in words its owner knows it by: "Android, Firefox". Guesswork; decides nothing."""
    system = next((words for sign, words in _SYSTEMS + _MORE_SYSTEMS if sign in user_agent), "")
    browser = next((words for sign, words in _BROWSERS if sign in user_agent), "")
    if system or browser:
        return ", ".join(part for part in (system, browser) if part)
    plain = re.sub(r"[^\w ./-]", "", user_agent)[:40].strip()
    return plain or "unknown device"


@dataclass(frozen=True, slots=True)
class Visitor:
    """Where a request comes from, as far as logs and lists of devices need it."""

    address: str | None
    user_agent: str = ""

    @property
    def network(self) -> str:
        return network_of(self.address)

    @property
    def device(self) -> str:
        return device_words(self.user_agent)


HERE = Visitor(address=None, user_agent="command at the machine")
"""Who runs a command on the machine itself."""
