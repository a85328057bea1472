"""Which serial ports are there, and which is which.

Enters: what the system lists. Leaves: ports with an identity that outlives unplugging: after
it a device may return under another name.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol


class Listed(Protocol):
    """One entry of the system's list, as pyserial gives it."""

    device: str
    description: str
    vid: int | None
    pid: int | None
    serial_number: str | None
    location: str | None


ListPorts = Callable[[], Iterable[Listed]]


@dataclass(frozen=True, slots=True, kw_only=True)
class PortInfo:
    """A serial port.

    Attributes
    ----------
    name
        What to open.
    identity
        "usb:VID:PID:SERIAL", or with the place it is plugged in where it has no serial
        number; empty for what is no USB device.
    description
        For people.
    """

    name: str
    identity: str
    description: str


def list_ports(listed: ListPorts | None = None) -> list[PortInfo]:
    """Return the serial ports of this machine, by name."""
    return sorted(map(_info, (listed or _system)()), key=lambda port: port.name)


def identify(name: str, listed: ListPorts | None = None) -> str:
    """Return the identity of the port called `name` (or linked to by it), "" if it has none."""
    real = os.path.realpath(name)
    for port in list_ports(listed):
        if port.name == name or os.path.realpath(port.name) == real:
            return port.identity
    return ""


def find_again(name: str, identity: str, listed: ListPorts | None = None) -> str | None:
    """Return the name under which a device is there now, None while it is gone.

    A port without identity is known by its name alone.
    """
    if not identity:
        return name if Path(name).exists() or os.name == "nt" else None
    same = [port.name for port in list_ports(listed) if port.identity == identity]
    return name if name in same else next(iter(same), None)


def _system() -> Iterable[Listed]:
    from serial.tools import list_ports as serial_list_ports

    ports: Iterable[Listed] = serial_list_ports.comports()
    return ports


def _info(port: Listed) -> PortInfo:
    identity = ""
    if port.vid is not None and port.pid is not None:
        which = port.serial_number or f"at {port.location or 'unknown place'}"
        identity = f"usb:{port.vid:04x}:{port.pid:04x}:{which}"
    return PortInfo(name=port.device, identity=identity, description=port.description or "")
