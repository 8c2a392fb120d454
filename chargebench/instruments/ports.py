"""Opens, reads and writes one port. The only file that knows the serial library; owns what a port's errors mean.

Reads are in chunks: the library's ``readline`` costs more than a hundred times as much a line. Only the thread that
reads a port may close it. Nothing here cancels a read from another thread: the library does so by writing to a pipe
whose number may belong to another file by then. Waits are short instead.
"""

from __future__ import annotations

import errno
import os
import select
import socket
import sys
from typing import Final, Protocol

import serial
from serial.tools import list_ports

from chargebench.errors import BenchError, PortForbiddenError, PortHeldError, PortLostError, PortMissingError
from chargebench.instruments.address import host_and_port
from chargebench.instruments.benchfile import Instrument

if sys.platform == "win32":
    _LOST: Final = (OSError, serial.SerialException)
else:
    import fcntl
    import termios

    _LOST: Final = (OSError, serial.SerialException, termios.error)

__all__ = ["Port", "open_port"]

CONNECT_S: Final = 2.0
WRITE_S: Final = 1.0
_MISSING: Final = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.ENOTDIR, errno.ECONNREFUSED, errno.EHOSTUNREACH}
_FORBIDDEN: Final = {errno.EACCES, errno.EPERM}
_HELD: Final = {errno.EBUSY, errno.EAGAIN}


class Port(Protocol):
    """A way to and from one instrument.

    Must: give what has arrived, in order, as soon as there is any; raise `PortLostError`, and nothing else, when the
    port goes away in any of the ways an operating system has of saying so.
    """

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        """What has arrived, at most `max_bytes`; empty when nothing came within `timeout_s`."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        ...

    def close(self) -> None:
        """Give the port back. To be called by the reading thread only; a second call does nothing."""
        ...


def open_port(instrument: Instrument) -> Port:
    """Open the port of an instrument, for this program alone.

    Raises
    ------
    PortMissingError
        When there is no such port, host or USB serial number.
    PortHeldError
        When another program holds it.
    PortForbiddenError
        When this user may not open it.
    BenchError
        When it cannot be opened for another reason.
    """
    address = host_and_port(instrument.port)
    if address is not None and instrument.port.startswith("socket:"):
        return _open_socket(instrument.port, address)
    name = instrument.port if instrument.serial_number is None else _device_of(instrument.serial_number)
    return SerialPort(_open_serial(name, instrument.baud), name)


def _device_of(serial_number: str) -> str:
    """The device that a USB serial number has today.

    Raises
    ------
    PortMissingError
        When nothing with that number is plugged in.
    """
    ports = list(list_ports.comports())
    for port in ports:
        if port.serial_number == serial_number:
            return str(port.device)
    seen = ", ".join(str(port.serial_number) for port in ports if port.serial_number) or "none"
    raise PortMissingError(f"USB serial number {serial_number!r}: not plugged in; numbers seen: {seen}")


def _open_serial(name: str, baud: int) -> serial.Serial:
    """An open serial port that no other program can open."""
    try:
        if host_and_port(name) is not None:
            return serial.serial_for_url(name, baudrate=baud, timeout=0)
        port = serial.Serial(name, baud, timeout=0, write_timeout=WRITE_S, exclusive=True)
        if sys.platform != "win32" and not _is_pseudo_terminal(name):
            fcntl.ioctl(port.fileno(), termios.TIOCEXCL)  # the library's lock binds only those who ask for it
    except (*_LOST, ValueError) as error:
        raise _opening_error(name, error) from error
    return port


def _is_pseudo_terminal(name: str) -> bool:
    """Whether a program plays the instrument.

    Such a program may keep its end open, and then the system's own exclusion would outlive a recorder that was killed.
    """
    return os.path.realpath(name).startswith(("/dev/pts/", "/dev/ttys"))


def _opening_error(name: str, error: BaseException) -> BenchError:
    """What the failure to open a port means, with the remedy."""
    number = getattr(error, "errno", None)
    words = str(error)
    if number is None and error.__context__ is not None and error.__context__.args:
        number = error.__context__.args[0]  # of the terminal's own error, which is no OSError
    if sys.platform == "win32" and number is None:  # the library keeps the code in its words only
        number = errno.ENOENT if "FileNotFoundError" in words else errno.EBUSY if "PermissionError" in words else None
    if number in _MISSING or isinstance(error, socket.gaierror | TimeoutError):
        return PortMissingError(f"{name}: no such port; is it plugged in, switched on, and named as in the bench file?")
    if number in _FORBIDDEN:
        return PortForbiddenError(f"{name}: not allowed; {_permission_remedy()}")
    if number in _HELD:
        return PortHeldError(f"{name}: held by another program; close that program, then it is opened by itself")
    if number in (errno.ENOTTY, errno.EINVAL) or isinstance(error, ValueError):
        return PortMissingError(f"{name}: is not a serial port, or does not know this baud rate ({words})")
    return BenchError(f"{name}: cannot be opened: {words}")


def _permission_remedy() -> str:
    """What lets a user open a serial port on this system."""
    if sys.platform.startswith("linux"):
        return "add yourself to its group (sudo usermod -a -G dialout $USER), log out and in again"
    return "ask whoever looks after this computer for the right to use serial ports"


class SerialPort:
    """A serial port, or one behind an RFC 2217 server."""

    def __init__(self, port: serial.Serial, name: str) -> None:
        self._port = port
        self._name = name
        self._direct = sys.platform != "win32" and isinstance(port, serial.Serial)

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        """See `Port.read`.

        Raises
        ------
        PortLostError
            When the port went away.
        """
        try:
            return (
                self._read_descriptor(max_bytes, timeout_s)
                if self._direct
                else self._read_library(max_bytes, timeout_s)
            )
        except _LOST as error:
            raise PortLostError(f"{self._name}: went away while reading; is it still plugged in?") from error

    def _read_descriptor(self, max_bytes: int, timeout_s: float) -> bytes:
        """Straight from the descriptor: half the system calls, and a terminal's next helpings while there are any."""
        terminal = self._port.fileno()
        pieces: list[bytes] = []
        room = max_bytes
        while room and select.select([terminal], [], [], 0 if pieces else timeout_s)[0]:
            piece = os.read(terminal, room)
            if not piece:
                raise OSError(errno.EIO, "ready to be read, but empty")
            pieces.append(piece)
            room -= len(piece)
        return b"".join(pieces)

    def _read_library(self, max_bytes: int, timeout_s: float) -> bytes:
        """Through the library: wait for one byte, then take what has come."""
        if self._port.timeout != timeout_s:
            self._port.timeout = timeout_s
        first = bytes(self._port.read(1))
        waiting = min(self._port.in_waiting, max_bytes - 1)
        return first + bytes(self._port.read(waiting)) if first and waiting else first

    def write(self, data: bytes) -> None:
        """See `Port.write`.

        Raises
        ------
        PortLostError
            When the port went away or takes nothing for a second.
        """
        try:
            self._port.write(data)
        except _LOST as error:
            raise PortLostError(f"{self._name}: cannot be written to; is it still plugged in?") from error

    def close(self) -> None:
        """See `Port.close`. A port that is gone may refuse to be closed; then there is nothing left to give back."""
        left = getattr(self._port, "_socket", None)  # the library forgets it where the other end went first
        try:
            self._port.close()
            if isinstance(left, socket.socket):
                left.close()
        except _LOST:
            return


def _open_socket(name: str, address: tuple[str, int]) -> SocketPort:
    """A connection to an instrument that speaks over TCP."""
    try:
        return SocketPort(socket.create_connection(address, CONNECT_S), name)
    except (OSError, UnicodeError) as error:
        raise _opening_error(name, error) from error


class SocketPort:
    """A TCP connection, read in chunks by waiting on the socket itself."""

    def __init__(self, connection: socket.socket, name: str) -> None:
        self._socket = connection
        self._socket.settimeout(WRITE_S)
        self._name = name

    def read(self, max_bytes: int, timeout_s: float) -> bytes:
        """See `Port.read`.

        Raises
        ------
        PortLostError
            When the other end closed the connection or it broke.
        """
        try:
            ready, _, _ = select.select([self._socket], [], [], timeout_s)
            if not ready:
                return b""
            data = self._socket.recv(max_bytes)
        except (OSError, ValueError) as error:
            raise PortLostError(f"{self._name}: the connection broke ({error})") from error
        if not data:
            raise PortLostError(f"{self._name}: the other end closed the connection")
        return data

    def write(self, data: bytes) -> None:
        """See `Port.write`.

        Raises
        ------
        PortLostError
            When the connection broke or takes nothing for a second.
        """
        try:
            self._socket.sendall(data)
        except OSError as error:
            raise PortLostError(f"{self._name}: cannot be written to ({error})") from error

    def close(self) -> None:
        """See `Port.close`."""
        self._socket.close()
