"""Which set-ups of a board are allowed."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from streamer.board.settings import BoardSettings, SettingsRefused, host_name, is_loopback

ALONE = BoardSettings(region=Path("region.toml"))
USERS = {"users": Path("users.toml")}
TLS = {"tls_cert": Path("cert.pem"), "tls_key": Path("key.pem")}
PROXY = {"behind_proxy": "https://board.example"}


def faults(**changes: Any) -> list[str]:
    try:
        replace(ALONE, **changes).check()
    except SettingsRefused as error:
        return error.problems
    return []


ALLOWED: dict[str, dict[str, Any]] = {
    "as it comes": {},
    "localhost": {"host": "localhost"},
    "another loopback address": {"host": "127.8.9.1"},
    "IPv6 loopback": {"host": "::1"},
    "a free port": {"port": 0},
    "users on this machine": USERS,
    "TLS on this machine": TLS,
    "a public view on this machine": {"public": True},
    "users and TLS for all": {"host": "0.0.0.0", **USERS, **TLS},
    "users and TLS by IPv6": {"host": "2001:db8::7", **USERS, **TLS},
    "names": {"host": "::", "names": ("board.example", "192.0.2.7"), **USERS, **TLS},
    "a proxy on this machine": {**USERS, **PROXY},
    "a proxy elsewhere": {"host": "192.0.2.7", "proxy_from": ("192.0.2.1",), **USERS, **PROXY},
    "a proxy at a port": {"behind_proxy": "https://board.example:8443", **USERS},
    "a proxy by IPv6": {"behind_proxy": "https://[2001:db8::1]", **USERS},
}


@pytest.mark.parametrize("case", ALLOWED)
def test_allowed(case: str) -> None:
    assert faults(**ALLOWED[case]) == []


REFUSED: dict[str, tuple[dict[str, Any], list[str]]] = {
    "for all, bare": (
        {"host": "0.0.0.0"},
        ["streamer user add NAME --role admin --file users.toml", "--tls-cert FILE and --tls-key"],
    ),
    "for the network, without TLS": ({"host": "192.0.2.7", **USERS}, ["--behind-proxy https://"]),
    "for the network, without users": ({"host": "192.0.2.7", **TLS}, ["--users users.toml"]),
    "IPv6, all": ({"host": "::", **USERS}, ["--tls-cert"]),
    "behind a proxy without users": (PROXY, ["--behind-proxy: others can reach the board"]),
    "proxy without TLS": (
        {"behind_proxy": "http://board.example", **USERS},
        ["https://HOST or https://HOST:PORT"],
    ),
    "proxy and TLS": ({**USERS, **TLS, **PROXY}, ["either here or at the proxy"]),
    "half of TLS": ({"tls_cert": Path("c")}, ["give both or neither"]),
    "the other half": ({"tls_key": Path("k")}, ["give both or neither"]),
    "half of TLS for all": (
        {"host": "0.0.0.0", "tls_key": Path("k"), **USERS},
        ["give both or neither", "--tls-cert FILE"],
    ),
    "a name to bind to": ({"host": "board.example", **USERS, **TLS}, ["must be an IP address"]),
    "no host": ({"host": "", **USERS, **TLS}, ["must be an IP address"]),
    "a port too high": ({"port": 65536}, ["0 to 65535"]),
    "a port too low": ({"port": -1}, ["0 to 65535"]),
    "a proxy's address as a name": (
        {"proxy_from": ("proxy.example",), **USERS, **PROXY},
        ["--proxy-from proxy.example: must be an IP address"],
    ),
    "a proxy's address without a proxy": ({"proxy_from": ("192.0.2.1",)}, ["--behind-proxy too"]),
    "a name with a scheme": ({"names": ("https://board.example",)}, ["a host name alone"]),
    "a name with a port": ({"names": ("board.example:8750",)}, ["a host name alone"]),
    "any name": ({"names": ("*",)}, ["a host name alone"]),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_and_told_what_to_give(case: str) -> None:
    changes, expected = REFUSED[case]
    found = faults(**changes)
    assert len(found) == len(expected)
    for text, part in zip(found, expected, strict=True):
        assert text.startswith("--")
        assert part in text


@pytest.mark.parametrize(
    "origin",
    [
        "https://", "board.example", "https://board.example/", "https://board.example/x",
        "https://board.example?x", "https://board.example#x", "https://a@board.example",
        "https://board.example:x", "https://board example", "HTTPS://board.example", "",
        "https://board.example:99999", "https://*.example", "https://[x",
    ],
)  # fmt: skip
def test_a_proxys_address_is_an_origin_and_nothing_more(origin: str) -> None:
    """Source: RFC 6454, section 4: scheme, host and port."""
    assert faults(behind_proxy=origin, **USERS)


@pytest.mark.parametrize(
    "host",
    ["127.0.0.1", "127.255.255.254", "127.0.0.0", "::1", "0:0:0:0:0:0:0:1", "localhost",
     "LOCALHOST", "::ffff:127.0.0.1"],
)  # fmt: skip
def test_loopback(host: str) -> None:
    """Source: RFC 1122, 3.2.1.3 (g); RFC 4291, 2.5.3; RFC 6761, 6.3."""
    assert is_loopback(host)


@pytest.mark.parametrize(
    "host",
    ["128.0.0.1", "126.255.255.255", "0.0.0.0", "::", "::2", "10.0.0.1", "localhost.example", "",
     "127.1", "2130706433", "0x7f.1", "::ffff:128.0.0.1", "fe80::1"],
)  # fmt: skip
def test_not_loopback(host: str) -> None:
    assert not is_loopback(host)


@pytest.mark.parametrize(
    ("authority", "host"),
    [
        ("board.example", "board.example"), ("Board.Example.:80", "board.example"),
        ("[2001:DB8::1]:80", "2001:db8::1"), ("192.0.2.7:1", "192.0.2.7"), ("", ""), (":80", ""),
        ("a@b", ""), ("a/b", ""), ("a?b", ""), ("a:b", ""), ("[::1", ""), ("a:99999", ""),
        ("a b", ""), ("a\tb", ""), ("a\nb", ""), ("a,b", ""), ("a:", "a"),
    ],
)  # fmt: skip
def test_host_of_an_authority(authority: str, host: str) -> None:
    assert host_name(authority) == host


@pytest.mark.parametrize(
    ("changes", "secure", "local", "cookie"),
    [
        ({}, False, True, "board-8750"),
        (USERS, False, False, "board-8750"),
        (TLS, True, True, "__Host-board"),
        ({**USERS, **TLS}, True, False, "__Host-board"),
        ({**USERS, **PROXY}, True, False, "__Host-board"),
    ],
)
def test_what_follows(changes: dict[str, Any], secure: bool, local: bool, cookie: str) -> None:
    settings = replace(ALONE, **changes)
    assert (settings.secure, settings.local, settings.cookie) == (secure, local, cookie)
