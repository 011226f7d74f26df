"""Which addresses may be called. Ranges: IANA special-purpose address registries."""

from ipaddress import ip_network

import pytest

from alertd.delivery.address_policy import denial_reason, is_listed

NOT_PUBLIC = """
0.0.0.0 0.255.255.255 10.0.0.1 10.255.255.255 100.64.0.1 100.127.255.255 127.0.0.1 127.255.255.254 169.254.169.254
172.16.0.1 172.31.255.255 192.0.0.8 192.0.2.1 192.88.99.1 192.168.1.1 198.18.0.1 198.19.255.255 198.51.100.7
203.0.113.9 224.0.0.1 239.255.255.255 240.0.0.1 255.255.255.255 :: ::1 ::127.0.0.1 ::10.0.0.1 ::ffff:127.0.0.1
::ffff:169.254.169.254 ::ffff:7f00:1 64:ff9b::7f00:1 64:ff9b::a9fe:a9fe 64:ff9b:1::a00:1 64:ff9b:1::808:808
2002:7f00:1:: 2002:808:808:: 2001::1 2001:0:7f00:1:: 2001:db8::1 3fff::1 5f00::1 fc00::1 fd12:3456::1 fe80::1
fe80::1%eth0 fec0::1 ff02::1 ff0e::1 100::1 4000::1
"""

PUBLIC = """
1.1.1.1 8.8.8.8 9.255.255.255 11.0.0.0 100.63.255.255 100.128.0.0 126.255.255.255 128.0.0.1 169.253.255.255
172.15.255.255 172.32.0.0 192.0.1.0 192.167.255.255 192.169.0.0 198.17.255.255 198.20.0.0 223.255.255.255
::ffff:8.8.8.8 64:ff9b::808:808 2606:4700::1111 2a00:1450:4001::1 2001:4860:4860::8888 2003::1
"""


@pytest.mark.parametrize("address", NOT_PUBLIC.split())
def test_special_addresses_are_denied(address: str) -> None:
    assert denial_reason(address).startswith(f"{address} is not a public address (")


@pytest.mark.parametrize("address", PUBLIC.split())
def test_public_addresses_pass(address: str) -> None:
    assert denial_reason(address) == ""


@pytest.mark.parametrize(
    ("address", "network", "inside"),
    [
        ("127.0.0.1", "127.0.0.0/8", True),
        ("::ffff:127.0.0.1", "127.0.0.0/8", True),
        ("::1", "::1/128", True),
        ("::1", "127.0.0.0/8", False),
        ("10.1.3.4", "10.1.2.0/24", False),
        ("fe80::1%eth0", "fe80::/10", True),
    ],
)
def test_listed_networks(address: str, network: str, inside: bool) -> None:
    assert is_listed(address, [ip_network(network)]) is inside
