"""``tuner ports``: which serial ports this computer has."""

from __future__ import annotations

from tuner.wire.port import list_ports


def ports() -> int:
    """Print a line for each port: name, description, serial number."""
    found = list_ports()
    for port in found:
        serial_number = f"  serial number {port.serial_number}" if port.serial_number else ""
        print(f"{port.device}  {port.description}{serial_number}")
    if not found:
        print(
            "no serial port found; plug the data cable in and switch the machine on. "
            "To try without a machine: tuner rehearse"
        )
    return 0
