"""Where an instrument is: the kinds of port a bench file may name. Owns that list; opens nothing."""

from __future__ import annotations

import re
from typing import Final

__all__ = ["ALLOWED", "check_port", "host_and_port"]

ALLOWED: Final = (
    "a device path such as /dev/ttyACM0, a Windows port such as COM3, socket://host:port or rfc2217://host:port"
)
_WINDOWS = re.compile(r"(?:\\\\\.\\)?COM[1-9][0-9]{0,3}", re.IGNORECASE)
_DEVICE = re.compile(r"/[^\x00-\x1f\x7f]{1,500}")
_NETWORK = re.compile(
    r"(?P<scheme>socket|rfc2217)://(?P<host>\[[0-9A-Fa-f:.]{2,45}\]|[A-Za-z0-9._-]{1,253}):(?P<port>[0-9]{1,5})/?"
)


def check_port(port: str) -> None:
    """Hold a port's name against the kinds that are opened.

    Every other URL is refused by its form: some that the serial library knows write files or open whatever matches.

    Raises
    ------
    ValueError
        When the name is none of them.
    """
    if _WINDOWS.fullmatch(port) or (_DEVICE.fullmatch(port) and "://" not in port):
        return
    if _NETWORK.fullmatch(port):
        host_and_port(port)
        return
    raise ValueError(f"allowed are {ALLOWED}")


def host_and_port(port: str) -> tuple[str, int] | None:
    """Host and port number of a network port; None for a device.

    Raises
    ------
    ValueError
        When the port number is not 1 to 65535.
    """
    match = _NETWORK.fullmatch(port)
    if match is None:
        return None
    number = int(match["port"])
    if not 1 <= number <= 65535:
        raise ValueError(f"port number {number}: allowed is 1 to 65535")
    return match["host"].strip("[]"), number
