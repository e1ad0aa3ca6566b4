"""Names and numbers of machines. Pure."""

from __future__ import annotations

from ipaddress import ip_address


def is_number(host: str) -> bool:
    """Return whether a host is given by its IP address."""
    try:
        ip_address(host)
    except ValueError:
        return False
    return True


def is_loopback_number(host: str) -> bool:
    """Return whether a host is given by an address that means this machine alone."""
    return is_number(host) and ip_address(host).is_loopback


def is_loopback(host: str) -> bool:
    """Return whether a host, by name or address, means this machine alone."""
    return host == "localhost" or is_loopback_number(host)


def is_everywhere(host: str) -> bool:
    """Return whether listening on a host means every address of the machine."""
    return is_number(host) and ip_address(host).is_unspecified
