"""A serial port of this computer served over the loopback network, in the two usual ways.

``TcpBridge`` passes bytes on as they are, for ``socket://``. ``Rfc2217Bridge`` is a server after
RFC 2217 made of the serial library's own port manager, for ``rfc2217://``. Each serves one
connection after the other from one thread; the port is open while somebody is connected.
"""

from __future__ import annotations

import os
import select
import socket
import threading
import tty
from types import TracebackType
from typing import Self

import serial
from serial.rfc2217 import PortManager

__all__ = ["Rfc2217Bridge", "TcpBridge"]

_MOST = 4096


class TcpBridge:
    """Serves the port `device`; `url` is how to reach it, `heard` every byte that came in."""

    scheme = "socket"

    def __init__(self, device: str) -> None:
        self._device = device
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._wake_read, self._wake_write = os.pipe()
        self._is_closing = False
        self._hang_up = False
        self.heard = bytearray()
        self.url = f"{self.scheme}://127.0.0.1:{self._listener.getsockname()[1]}"
        self._thread = threading.Thread(target=self._serve, name="bridge", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._is_closing = True
        self.hang_up()
        self._thread.join()
        self._listener.close()
        os.close(self._wake_read)
        os.close(self._wake_write)

    def hang_up(self) -> None:
        """End the connection that there is; the next one finds nobody."""
        self._hang_up = True
        os.write(self._wake_write, b"w")

    def _serve(self) -> None:
        while not self._hang_up:
            door = self._listener.fileno()
            ready, _, _ = select.select([door, self._wake_read], [], [])
            if door in ready:
                connection, _ = self._listener.accept()
                with connection:
                    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    self._connected(connection)

    def _connected(self, connection: socket.socket) -> None:
        far, port = connection.fileno(), os.open(self._device, os.O_RDWR | os.O_NOCTTY)
        try:
            tty.setraw(port)
            while not self._hang_up:
                ready, _, _ = select.select([far, port, self._wake_read], [], [])
                if far in ready:
                    data = self._hear(connection)
                    if not data:
                        return
                    os.write(port, data)
                if port in ready:
                    connection.sendall(os.read(port, _MOST))
        except OSError:
            return  # either end is gone: so is the connection
        finally:
            os.close(port)

    def _hear(self, connection: socket.socket) -> bytes:
        data = connection.recv(_MOST)
        self.heard += data
        return data


class _Terminal(serial.Serial):
    """A pseudo-terminal as a serial port: it has no control lines to set or to ask for."""

    cts = dsr = cd = property(lambda self: True)
    ri = property(lambda self: False)

    def _update_dtr_state(self) -> None:
        pass

    def _update_rts_state(self) -> None:
        pass

    def _update_break_state(self) -> None:
        pass


class _Writer:
    """What the port manager writes to."""

    def __init__(self, connection: socket.socket) -> None:
        self.write = connection.sendall


class Rfc2217Bridge(TcpBridge):
    """Serves the port `device` after RFC 2217; `baud` is the rate last asked for."""

    scheme = "rfc2217"

    def __init__(self, device: str) -> None:
        super().__init__(device)
        self.baud: int | None = None

    def _connected(self, connection: socket.socket) -> None:
        try:
            with _Terminal(self._device, timeout=0) as port:
                manager = PortManager(port, _Writer(connection))  # type: ignore[arg-type]
                far, near = connection.fileno(), port.fileno()
                while not self._hang_up:
                    ready, _, _ = select.select([far, near, self._wake_read], [], [])
                    if far in ready:
                        data = self._hear(connection)
                        if not data:
                            return
                        port.write(b"".join(manager.filter(data)))
                        self.baud = port.baudrate
                    if near in ready:
                        connection.sendall(b"".join(manager.escape(port.read(_MOST))))
        except OSError:
            return
