"""``tuner ports``: which serial ports this computer has."""

from __future__ import annotations

from dataclasses import asdict

from tuner.commands.report import print_json, print_line
from tuner.wire.port import list_ports


def ports(*, as_json: bool) -> int:
    """Print a line for each port: name, description, serial number."""
    found = list_ports()
    if as_json:
        print_json({"ports": [asdict(port) for port in found]})
        return 0
    for port in found:
        serial_number = f"  serial number {port.serial_number}" if port.serial_number else ""
        print_line(f"{port.device}  {port.description}{serial_number}".rstrip())
    if not found:
        print_line(
            "no serial port found; plug the data cable in and switch the machine on. "
            "To try without a machine: tuner rehearse"
        )
    return 0
