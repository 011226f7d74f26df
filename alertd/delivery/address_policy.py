"""Decides which addresses a webhook may reach: public ones, and networks that the operator allows.

The check uses the resolved address, never the text, and every address of a host name must pass. The table is explicit
because `ipaddress.is_global` differs between Python releases (CVE-2024-4032) and treats several embedded forms as
public. Ranges: IANA IPv4 and IPv6 Special-Purpose Address Registries, from memory of their tables.
"""

from collections.abc import Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

Network = IPv4Network | IPv6Network

_DENIED_V4 = tuple(
    IPv4Network(text)
    for text in (
        "0.0.0.0/8",
        "10.0.0.0/8",
        "100.64.0.0/10",
        "127.0.0.0/8",
        "169.254.0.0/16",
        "172.16.0.0/12",
        "192.0.0.0/24",
        "192.0.2.0/24",
        "192.88.99.0/24",
        "192.168.0.0/16",
        "198.18.0.0/15",
        "198.51.100.0/24",
        "203.0.113.0/24",
        "224.0.0.0/4",
        "240.0.0.0/4",
    )
)
_PUBLIC_V6 = IPv6Network("2000::/3")
_DENIED_V6 = tuple(IPv6Network(text) for text in ("2001::/23", "2001:db8::/32", "2002::/16", "3fff::/20"))

# Forms that carry an IPv4 address in their last 32 bits. The last is NAT64, legitimate on hosts without IPv4. The other
# carriers (6to4, Teredo, local NAT64) are denied entirely.
_EMBEDDED_V4 = tuple(IPv6Network(text) for text in ("::ffff:0:0/96", "::/96", "64:ff9b::/96"))


def denial_reason(address_text: str) -> str:
    """Return why `address_text` (a resolved literal) is not public; "" when it is."""
    address, inner = _forms(address_text)
    if isinstance(inner, IPv4Address):
        hit = next((str(network) for network in _DENIED_V4 if inner in network), "")
    elif address not in _PUBLIC_V6:
        hit = "outside 2000::/3"
    else:
        hit = next((str(network) for network in _DENIED_V6 if address in network), "")
    return f"{address_text} is not a public address ({hit})" if hit else ""


def is_listed(address_text: str, networks: Sequence[Network]) -> bool:
    """Return whether `address_text`, or the IPv4 address embedded in it, is in one of `networks`."""
    return any(
        form in network for network in networks for form in _forms(address_text) if network.version == form.version
    )


def parse_network(text: str) -> Network:
    """Parse a network such as 10.1.2.0/24. Raises ValueError when `text` is not one."""
    return ip_network(text)


def _forms(address_text: str) -> tuple[IPv4Address | IPv6Address, IPv4Address | IPv6Address]:
    """Return the address and the IPv4 address embedded in it (itself when there is none)."""
    address = ip_address(address_text.partition("%")[0])  # without the zone of a link-local address
    if isinstance(address, IPv6Address) and any(address in network for network in _EMBEDDED_V4):
        return address, IPv4Address(int(address) & 0xFFFFFFFF)
    return address, address
