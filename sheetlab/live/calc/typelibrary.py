"""The type library of an add-in: which methods its interface has, as LibreOffice reads it.

LibreOffice finds the functions of an add-in by their types, and reads types from a binary file.
The tool that makes such files belongs to its software development kit. The few bytes that one
interface needs are written here instead, so that nobody needs the kit and the file always fits
the functions; a test compares with the tool, byte by byte.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence

from msgspec import Struct

MAGIC = b"UNOIDL\xff\0"
BASE = "com.sun.star.uno.XInterface"
_HEADER = len(MAGIC) + 8
_INTERFACE = 5
_BACK = 0x80000000
"""Set in a length: it is the place of an equal text that was written before."""


class Method(Struct, frozen=True):
    """A method; every argument may be anything (``any``)."""

    arguments: Sequence[str]
    block: bool
    """Whether it gives a block (``sequence<sequence<any>>``), or one value of any kind."""

    @property
    def returns(self) -> str:
        """The type of what it gives, as the file writes it."""
        return "[][]any" if self.block else "any"


def type_library(interface: str, methods: Mapping[str, Method], maker: str = "sheetlab") -> bytes:
    """A file that holds one interface.

    Parameters
    ----------
    interface
        Its full name, with dots.
    methods
        Methods by their names.
    maker
        Who made the file, as it says itself.
    """
    *modules, name = interface.split(".")
    body = _Body()
    body.add(f"\0** Created by {maker} **\0".encode("ascii"))
    data = body.interface(methods)
    text = body.name(name)
    for module in reversed(modules):
        place = body.place
        body.add(struct.pack("<BIII", 0, 1, text, data))
        text, data = body.name(module), place
    root = body.place
    body.add(struct.pack("<II", text, data))
    return MAGIC + struct.pack("<II", root, 1) + bytes(body.written)


class _Body:
    """What follows the header; places count from the beginning of the file."""

    def __init__(self) -> None:
        self.written = bytearray()
        self.texts: dict[str, int] = {}

    @property
    def place(self) -> int:
        return _HEADER + len(self.written)

    def add(self, data: bytes) -> None:
        self.written += data

    def number(self, value: int) -> None:
        self.add(struct.pack("<I", value))

    def text(self, text: str) -> None:
        if text in self.texts:
            self.number(_BACK | self.texts[text])
            return
        self.texts[text] = self.place
        self.number(len(text))
        self.add(text.encode("ascii"))

    def name(self, name: str) -> int:
        place = self.place
        self.add(name.encode("ascii") + b"\0")
        return place

    def interface(self, methods: Mapping[str, Method]) -> int:
        place = self.place
        self.add(bytes([_INTERFACE]))
        self.number(1)  # bases
        self.text(BASE)
        self.number(0)  # optional bases
        self.number(0)  # attributes
        self.number(len(methods))
        for name, method in methods.items():
            self.text(name)
            self.text(method.returns)
            self.number(len(method.arguments))
            for argument in method.arguments:
                self.add(b"\0")  # goes in, not out
                self.text(argument)
                self.text("any")
            self.number(0)  # exceptions
        return place
