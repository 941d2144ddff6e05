"""Where a push may go: no address inside the plant or the machine, unless the site allows it by name.

A name is resolved once for each try, all addresses that it gives are judged, and the connection goes to one of these
very addresses: what the name gives a moment later does not matter.
"""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Final

from worker.sentences import sentence

Address = IPv4Address | IPv6Address
#: Host and port -> the addresses that it has, as text. Raises OSError.
Resolver = Callable[[str, int], Sequence[str]]

MOST_URL: Final = 1_024
_URL: Final = re.compile(r"""(https?)://([^/?#]*)([/?][!"$-~]*)?""", re.ASCII)
_LABEL: Final = r"[A-Za-z0-9](?:[A-Za-z0-9_\-]{0,61}[A-Za-z0-9])?"
_NAME: Final = re.compile(rf"{_LABEL}(?:\.{_LABEL})*", re.ASCII)
_QUAD: Final = re.compile(r"(?:0|[1-9][0-9]{0,2})(?:\.(?:0|[1-9][0-9]{0,2})){3}", re.ASCII)
#: What some resolvers take for an IPv4 address: 2130706433, 0x7f.1, 127.1.
_NUMERIC: Final = re.compile(r"(?:.*\.)?(?:[0-9]+|0[xX][0-9A-Fa-f]*)", re.ASCII)
#: Below it only those of HTTP: no other service of an old protocol is spoken to.
_FIRST_FREE_PORT: Final = 1_024

#: IPv4 addresses that not everyone reaches, with multicast: IANA IPv4 Special-Purpose Address Registry (RFC 6890).
_NOT_PUBLIC_4: Final = tuple(
    IPv4Network(each)
    for each in (
        "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12", "192.0.0.0/24",
        "192.0.2.0/24", "192.88.99.0/24", "192.168.0.0/16", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24",
        "224.0.0.0/4", "240.0.0.0/4",
    )
)  # fmt: skip
#: All that IANA gives out of IPv6 (RFC 4291), less what is not reachable or holds an IPv4 address: protocol assignments
#: with Teredo, documentation, 6to4 (IANA IPv6 Special-Purpose Address Registry).
_PUBLIC_6: Final = IPv6Network("2000::/3")
_NOT_PUBLIC_6: Final = tuple(
    IPv6Network(each) for each in ("2001::/23", "2001:db8::/32", "2002::/16", "3fff::/20", "2620:4f:8000::/48")
)
#: IPv4 within IPv6, last 32 bits: NAT64 (RFC 6052), which networks without IPv4 need.
_NAT64: Final = IPv6Network("64:ff9b::/96")
_MAPPED: Final = IPv6Network("::ffff:0:0/96")
#: What a name may give when the site allows the name: a plant's own networks.
_WITHIN: Final = tuple(
    ip_network(each) for each in ("10.0.0.0/8", "100.64.0.0/10", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7")
)
#: This machine: for its operator to allow, not for a site.
_LOOPBACK: Final = tuple(ip_network(each) for each in ("127.0.0.0/8", "::1/128"))
#: Whatever a site allows: no host, the link where metadata services live, groups, and what holds an IPv4 address of
#: which nobody sees where it leads (IANA special-purpose address registries; RFC 4291, 3056, 4380, 8215).
_NEVER: Final = tuple(
    ip_network(each)
    for each in (
        "0.0.0.0/8", "169.254.0.0/16", "224.0.0.0/4", "255.255.255.255/32", "::/96", "::ffff:0:0/96", "64:ff9b:1::/48",
        "2001::/32", "2002::/16", "fe80::/10", "fec0::/10", "ff00::/8",
    )
)  # fmt: skip
#: A network that a site allows is no wider.
_WIDEST: Final = {4: 8, 6: 32}
#: To find a host takes no longer, in seconds.
FIND_SECONDS: Final = 3.0
#: Look-ups under way; what is still looked up although nobody waits for it counts too.
_MOST_LOOKUPS: Final = 64


class AddressRefused(ValueError):
    """An address to which nothing is pushed, and `why`."""

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why


@dataclass(frozen=True)
class Target:
    """An address to push to, read strictly. `host` is in small letters, an IPv6 address without brackets."""

    url: str
    scheme: str
    host: str
    port: int
    path: str
    literal: Address | None

    @property
    def host_header(self) -> str:
        """As the request names it."""
        host = f"[{self.host}]" if isinstance(self.literal, IPv6Address) else self.host
        return host if self.port == _usual_port(self.scheme) else f"{host}:{self.port}"


@dataclass(frozen=True)
class Allowed:
    """What a site allows beyond public addresses: hosts by name, and networks; of this machine only with `loopback`."""

    names: frozenset[str] = frozenset()
    networks: tuple[IPv4Network | IPv6Network, ...] = ()
    loopback: bool = False

    @classmethod
    def of(cls, hosts: Iterable[str], *, loopback: bool = False) -> Allowed:
        """From the words of a site's setting, and from what the operator of the installation says of loopback."""
        read = [read_allowed(each) for each in hosts]
        names = frozenset(each for each in read if isinstance(each, str))
        return cls(names, tuple(each for each in read if not isinstance(each, str)), loopback)

    def holds(self, address: Address) -> bool:
        """True when the address is in one of the networks."""
        return _in_any(address, self.networks)


def _in_any(address: Address, networks: Iterable[IPv4Network | IPv6Network]) -> bool:
    return any(address in network for network in networks if network.version == address.version)


def read_allowed(text: str) -> str | IPv4Network | IPv6Network:
    """One host or network that a site allows; raises AddressRefused for what is neither."""
    try:
        network = ip_network(text)
    except ValueError:
        network = None
    if network is not None:
        if network.prefixlen < (widest := _WIDEST[network.version]):
            told = sentence("is too wide a network; name those of the plant, /%(widest)s at most", widest=widest)
            raise AddressRefused(told)
        return network
    name = text.lower()
    if len(name) <= 253 and _NAME.fullmatch(name) and not _NUMERIC.fullmatch(name):
        return name
    raise AddressRefused(sentence("must be the name of a host, an IP address, or a network such as 10.20.0.0/16"))


def read_url(url: str) -> Target:
    """An address to push to; raises AddressRefused with what is wrong about its form."""
    found = _URL.fullmatch(url)
    if found is None or len(url) > MOST_URL:
        if "#" in url:
            raise AddressRefused("holds a fragment, which is never sent; remove # and what follows")
        raise AddressRefused(
            f"must be an address such as https://erp.example.com/pushes, of at most {MOST_URL} printable ASCII "
            "characters"
        )
    scheme, authority, path = found[1], found[2], found[3] or "/"
    if "@" in authority:
        raise AddressRefused(
            "holds a user or password, which are not sent; leave them out, the signature says who it is"
        )
    host, port = _host_and_port(authority, scheme)
    literal = _literal(host)
    if port < _FIRST_FREE_PORT and port not in (80, 443):
        raise AddressRefused(f"names port {port}; use 443, 80 or one from {_FIRST_FREE_PORT} on")
    return Target(
        url, scheme, host if literal is None else str(literal), port, path if path[0] == "/" else f"/{path}", literal
    )


def _host_and_port(authority: str, scheme: str) -> tuple[str, int]:
    host, colon, port = authority, "", ""
    if authority.startswith("["):
        host, bracket, rest = authority[1:].partition("]")
        colon, port = rest[:1], rest[1:]
        if not bracket or ":" not in host or colon not in ("", ":"):
            raise AddressRefused("holds no host that can be read")
    elif ":" in authority:
        host, colon, port = authority.partition(":")
    if colon and not (re.fullmatch(r"[0-9]{1,5}", port, re.ASCII) and 0 < int(port) < 65_536):
        raise AddressRefused("names no port; give a number from 1 to 65535")
    return host.lower(), int(port) if port else _usual_port(scheme)


def _usual_port(scheme: str) -> int:
    return 443 if scheme == "https" else 80


def _literal(host: str) -> Address | None:
    """The address that a host is; None for a name. Raises AddressRefused for what is neither."""
    if ":" in host or _QUAD.fullmatch(host):
        try:
            address = ip_address(host)
        except ValueError:
            raise AddressRefused("holds an IP address that cannot be read") from None
        if isinstance(address, IPv6Address) and address.scope_id is not None:
            raise AddressRefused("holds an IP address with a zone, which means something on one machine alone")
        return address
    if _NUMERIC.fullmatch(host):
        raise AddressRefused("holds an IP address in an odd spelling; write four decimal numbers such as 192.0.2.7")
    if len(host) > 253 or not _NAME.fullmatch(host):
        raise AddressRefused("holds no host that can be read; a name with other letters is written as xn--")
    return None


def resolved(host: str, port: int) -> list[str]:
    """What the system's resolver gives, each address once; takes as long as that does. Raises OSError."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(address[0]) for *_, address in found))


class _LookUp:
    """One look-up of a host, for all who ask for it meanwhile."""

    def __init__(self) -> None:
        self.done = threading.Event()
        self.found: Sequence[str] = ()


_looked_up: dict[tuple[Resolver, str, int], _LookUp] = {}
_looking = threading.Lock()


def _found(resolve: Resolver, host: str, port: int, seconds: float) -> Sequence[str]:
    """What a resolver gives, nothing for a host that it does not know; raises TimeoutError when it takes too long.

    No resolver can be told to stop: a thread is left to it. There is one for each host, and of all of them a bounded
    number, so whoever asks for a host that is never found costs nobody else theirs.
    """
    key = (resolve, host, port)
    with _looking:
        look_up = _looked_up.get(key)
        if look_up is None:
            if len(_looked_up) >= _MOST_LOOKUPS:
                raise TimeoutError
            look_up = _looked_up[key] = _LookUp()
            try:
                threading.Thread(target=_look_up, args=(key, look_up), name="cutledger-look-up", daemon=True).start()
            except RuntimeError:
                del _looked_up[key]
                raise TimeoutError from None
    if not look_up.done.wait(max(0.0, seconds)):
        raise TimeoutError
    return look_up.found


def _look_up(key: tuple[Resolver, str, int], look_up: _LookUp) -> None:
    resolve, host, port = key
    try:
        look_up.found = resolve(host, port)
    except (OSError, UnicodeError):
        pass
    finally:
        with _looking:
            del _looked_up[key]
        look_up.done.set()


def checked(
    target: Target, allowed: Allowed, resolve: Resolver = resolved, *, seconds: float = FIND_SECONDS
) -> list[Address]:
    """The addresses to one of which a push may connect; raises AddressRefused when any that the host has is none.

    A host that is not found and one that leads inside are refused in the same words: who asks learns no names of the
    plant. To find it takes `seconds` at most.
    """
    named = target.host in allowed.names
    by_word = named or (target.literal is not None and allowed.holds(target.literal))
    if target.scheme != "https" and not by_word:
        raise AddressRefused("must begin with https://; http is for hosts that the site allows (setting webhook_hosts)")
    if target.literal is not None:
        addresses: list[Address] = [target.literal]
    else:
        try:
            # A resolver may give a zone with a link-local address.
            given = _found(resolve, target.host, target.port, min(seconds, FIND_SECONDS))
        except TimeoutError:
            raise AddressRefused(f"names a host that cannot be found in time: {target.host}") from None
        addresses = [ip_address(each.partition("%")[0]) for each in given]
    if not (addresses and all(_may_connect(address, allowed, named=named) for address in addresses)):
        fault = "leads" if target.literal is not None else "names a host that cannot be found, or leads"
        raise AddressRefused(
            f"{fault} to an address inside of a plant or machine, or to one reserved; an admin may allow it in the "
            "site's setting webhook_hosts"
        )
    return addresses


def _may_connect(address: Address, allowed: Allowed, *, named: bool) -> bool:
    if is_public(address):
        return True
    if _in_any(address, _LOOPBACK):
        return allowed.loopback and (named or allowed.holds(address))
    if _in_any(address, _NEVER) or address in _NAT64:
        return False
    return allowed.holds(address) or (named and _in_any(address, _WITHIN))


def is_public(address: Address) -> bool:
    """True for an address that anyone can reach; whatever only leads to such a one counts by where it leads."""
    if isinstance(address, IPv4Address):
        return not _in_any(address, _NOT_PUBLIC_4)
    if address in _NAT64 or address in _MAPPED:
        return address in _NAT64 and is_public(IPv4Address(int(address) & 0xFFFF_FFFF))
    return address in _PUBLIC_6 and not _in_any(address, _NOT_PUBLIC_6)
