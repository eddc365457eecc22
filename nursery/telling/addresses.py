"""May a webhook go to this address? Never into a network that the server alone can reach.

HTTPS alone, to addresses that everybody can reach; except on this machine itself (localhost) and to
hosts that the server's own settings name. What a name stands for is looked up for every try, and
the connection is made to the very address that was judged.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Collection

import anyio
import httpx

LOCAL = frozenset({"localhost", "127.0.0.1", "::1"})
LONGEST = 500
_PORTS = range(1, 65_536)


def wrong_address(address: str, hosts: Collection[str]) -> str | None:
    """Why may nothing be sent to this address? None where it may, by what it says itself.

    `hosts` are the ones that the settings allow. Says what must be different, as a half sentence.
    """
    if len(address) > LONGEST:
        return f"it must have at most {LONGEST} characters, this has {len(address)}"
    if not address.isascii() or not address.isprintable() or " " in address:
        return "it must be plain ASCII without spaces; write other letters of a host as xn--..."
    try:
        url = httpx.URL(address)
        port = 443 if url.port is None else url.port
    except (httpx.InvalidURL, ValueError):
        return "it must be an address such as https://shop.example/nursery"
    if not url.host or url.scheme not in ("https", "http") or port not in _PORTS:
        return "it must be an address such as https://shop.example/nursery"
    if url.userinfo or url.fragment:
        return "it must hold no name, password or '#'; what is sent is signed"
    trusted = is_trusted(url.host, hosts)
    if url.scheme == "http" and not trusted:
        return "it must begin with https://"
    if not trusted and _is_number(url.host) and not is_public(url.host):
        return f"{url.host} belongs to a private network"
    return None


def is_trusted(host: str, hosts: Collection[str]) -> bool:
    """Is this host this machine itself, or one that the settings allow?"""
    return host.lower() in LOCAL or host.lower() in {each.lower() for each in hosts}


def is_public(number: str) -> bool:
    """Can everybody reach this address (IPv4 or IPv6)?"""
    found = ipaddress.ip_address(number.partition("%")[0])
    inner = getattr(found, "ipv4_mapped", None) or getattr(found, "sixtofour", None) or found
    return inner.is_global and not inner.is_multicast and not inner.is_reserved


def _is_number(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


class NoWay(Exception):
    """The address leads nowhere, or where nothing may be sent. Nothing was sent."""


async def looked_up(url: httpx.URL, hosts: Collection[str]) -> str:
    """To which number does this address lead now? Raises `NoWay`."""
    try:
        port = url.port or (443 if url.scheme == "https" else 80)
        rows = await anyio.getaddrinfo(url.host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        raise NoWay(f"the host {url.host} is not known") from error
    numbers = [str(row[4][0]) for row in rows]
    if not is_trusted(url.host, hosts):
        private = next((each for each in numbers if not is_public(each)), None)
        if private is not None:
            raise NoWay(f"the host {url.host} belongs to a private network ({private})")
    if not numbers:
        raise NoWay(f"the host {url.host} is not known")
    return numbers[0]
