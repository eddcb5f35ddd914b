"""The parts of a workbook file, opened as the untrusted thing it is, and saved atomically.

Everything that a file can do to harm is refused here: what is no workbook, what is encrypted or
truncated, what unpacks to too much or to something else than it says, has parts that lie in each
other or the same part twice, or brings an XML document type. Nothing that an archive says of
itself is believed: each part is unpacked once when a file is opened, no further than it may go.
"""

from __future__ import annotations

import contextlib
import io
import os
import posixpath
import shutil
import stat
import struct
import tempfile
import time
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO

from lxml import etree
from msgspec import Struct

from sheetlab.finding import Place, Severity, SheetlabError, finding, reason_of
from sheetlab.messages import phrase

MAX_FILE = 40_000_000
MAX_UNPACKED = 150_000_000
MAX_PART = 30_000_000
"""Bytes of one part that is packed; a stored one is as large as it lies there."""
MAX_KEPT = 16_000_000
"""Bytes of unpacked parts that are kept; what goes beyond is unpacked again when asked for."""
MAX_XML = 10_000_000
MAX_NODES = 300_000
"""Tags and attributes of a part that is read into a tree, at about 100 bytes each; ours have less
than a tenth."""
MAX_TAG = 400_000
"""Bytes from one tag to the next: a cell holds at most 32,767 characters."""
MAX_PARTS = 3000
MAX_RATIO = 250
"""A part may unpack to so many times its size, once it is large enough to matter."""
SMALL_PART = 2_000_000
SIGNATURES = "_xmlsignatures/"
"""Folder of the parts by which somebody signed a file."""

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
RELATIONSHIPS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE_RELATIONSHIPS = "http://schemas.openxmlformats.org/package/2006/relationships"
CONTENT_TYPES = "http://schemas.openxmlformats.org/package/2006/content-types"
STRICT = b"http://purl.oclc.org/ooxml/spreadsheetml/main"
CONTENT_TYPES_PART = "[Content_Types].xml"
PLAIN = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
"""Ways of packing that spreadsheet programs use."""
CONTENT = "content.xml"
"""The part of an .ods file that holds its sheets."""


_PART = ".part"
_RANDOM = 8
LEFT_BEHIND = 600.0
"""Seconds after which a part of a file belongs to no writer that still runs."""

_ZIP = b"PK\x03\x04"
_LISTED = b"PK\x01\x02"
_LOCAL = struct.Struct("<4s22xHH")
"""Head of an entry: its mark, and the lengths of its name and extra field."""
_COMPOUND = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


class FileParts(Mapping[str, bytes]):
    """Parts of a file by name, each unpacked and compared with its check sum.

    Raises
    ------
    zipfile.BadZipFile
        If a part is not what the archive says of it.
    """

    def __init__(self, raw: bytes, entries: Sequence[zipfile.ZipInfo]) -> None:
        self._raw = raw
        self._entries = {entry.filename: entry for entry in entries}
        self._kept: dict[str, bytes] = {}
        kept = 0
        for name, entry in self._entries.items():
            data = unpacked(raw, entry)
            if kept + len(data) <= MAX_KEPT:
                kept += len(data)
                self._kept[name] = data

    def __getitem__(self, name: str) -> bytes:
        entry = self._entries[name]
        return self._kept[name] if name in self._kept else unpacked(self._raw, entry)

    def __contains__(self, name: object) -> bool:
        return name in self._entries

    def __iter__(self) -> Iterator[str]:
        return iter(self._entries)

    def __len__(self) -> int:
        return len(self._entries)


def packed(raw: bytes, entry: zipfile.ZipInfo) -> memoryview:
    """The bytes of an entry as they lie in a file; raises ``BadZipFile`` if they are not there."""
    end = _span(raw, entry)[1]
    return memoryview(raw)[end - entry.compress_size : end]


def _span(raw: bytes, entry: zipfile.ZipInfo) -> tuple[int, int]:
    """Where an entry begins with its head, and where it ends."""
    start = entry.header_offset
    if not 0 <= start <= len(raw) - _LOCAL.size:
        raise zipfile.BadZipFile("an entry lies outside of the file")
    mark, name, extra = _LOCAL.unpack_from(raw, start)
    end = start + _LOCAL.size + name + extra + entry.compress_size
    if mark != _ZIP or end > len(raw):
        raise zipfile.BadZipFile("an entry is cut short")
    return start, end


def unpacked(raw: bytes, entry: zipfile.ZipInfo) -> bytes:
    """An entry unpacked, no further than the size that it says (``expect_limits``)."""
    body = packed(raw, entry)
    if entry.compress_type == zipfile.ZIP_STORED:
        data, whole = bytes(body), True
    else:
        inflate = zlib.decompressobj(-zlib.MAX_WBITS)
        data = inflate.decompress(body, entry.file_size + 1)
        whole = inflate.eof
    if not whole or len(data) != entry.file_size or zlib.crc32(data) != entry.CRC:
        raise zipfile.BadZipFile("a part is not what the archive says")
    return data


class Package(Struct, frozen=True):
    """Parts of an opened workbook, with the entries they came from, in file order."""

    path: Path
    entries: tuple[zipfile.ZipInfo, ...]
    parts: Mapping[str, bytes]
    workbook: str
    """Name of the workbook part."""
    raw: bytes = b""
    """The file itself, from which untouched parts are copied as they lie there."""

    @property
    def open_document(self) -> bool:
        """Whether this is an .ods file, which is read and never written."""
        return self.workbook == CONTENT

    def relationships(self, part: str) -> dict[str, tuple[str, str]]:
        """Relationship id -> (type, target part) of a part."""
        raw = self.parts.get(relationships_name(part))
        if raw is None:
            return {}
        found = {}
        for element in xml(raw, self.path):
            target = element.get("Target", "")
            if element.get("TargetMode") == "External":
                continue
            kind = element.get("Type", "").rsplit("/", 1)[-1]
            found[element.get("Id", "")] = (kind, resolve(part, target))
        return found


def relationships_name(part: str) -> str:
    """Name of the part that holds the relationships of a part."""
    return f"{posixpath.dirname(part)}/_rels/{posixpath.basename(part)}.rels".lstrip("/")


def resolve(part: str, target: str) -> str:
    """Part that a relationship target names, seen from a part."""
    if target.startswith("/"):
        return target.lstrip("/")
    return posixpath.normpath(posixpath.join(posixpath.dirname(part), target))


def xml(data: bytes, path: Path) -> etree._Element:
    """Parse a part into a tree: no document type, no entities, no network."""
    if b"<!DOCTYPE" in data[:4096].replace(b"\0", b""):
        # before parsing: a type may hold a bomb of entities
        raise refuse(path, "file-document-type")
    if len(data) > MAX_XML or data.count(b"<") + data.count(b"=") > MAX_NODES:
        raise refuse(path, "file-too-much")
    expect_tags(data, path)
    parser = etree.XMLParser(
        resolve_entities=False,
        no_network=True,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )
    try:
        root = etree.fromstring(data, parser)
    except (etree.XMLSyntaxError, ValueError) as error:
        raise refuse(path, "file-damaged", error=str(error)) from error
    docinfo: Any = root.getroottree().docinfo
    if docinfo.doctype:
        raise refuse(path, "file-document-type")
    return root


def expect_tags(data: bytes, path: Path) -> None:
    """Refuse a part of which one element would fill the memory."""
    last = 0
    while last + MAX_TAG < len(data):
        last = data.rfind(b"<", last + 1, last + MAX_TAG)
        if last < 0:
            raise refuse(path, "file-too-much")


def refuse(path: Path, what: str, remedy: str = "save-again", **values: Any) -> SheetlabError:
    """The error for a file that cannot be used.

    Parameters
    ----------
    what, remedy
        Phrases of the catalogue; ``values`` are those of ``what``.
    """
    return SheetlabError(
        finding(
            "file-unreadable",
            Severity.STOP,
            Place(file=path.name),
            what=phrase(what, **values),
            wanted=phrase("an-issued-workbook"),
            remedy=phrase(remedy),
        )
    )


def open_package(path: Path) -> Package:
    """Open a workbook file.

    Raises
    ------
    SheetlabError
        With one finding that says what the file is and what to do.
    """
    return package_of(file_bytes(path), path)


def file_bytes(path: Path) -> bytes:
    """Bytes of a regular file within limits; raises SheetlabError if it cannot be read."""
    try:
        its = path.stat()
        if not stat.S_ISREG(its.st_mode):
            # a pipe would be waited for, and a device never ends
            raise refuse(path, "file-pipe")
        if its.st_size > MAX_FILE:
            raise refuse(path, "file-size", size=its.st_size // 1_000_000)
        return path.read_bytes()
    except (OSError, ValueError) as error:
        raise refuse(path, "file-not-opened", "check-share", reason=reason_of(error)) from error


def package_of(data: bytes, path: Path) -> Package:
    """The package of a file's bytes; the path is that of messages."""
    _sniff(path, data)
    try:
        if data.count(_LISTED) > MAX_PARTS:
            # before they are listed: each takes half a kilobyte
            raise refuse(path, "file-many-parts")
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
        expect_limits(path, entries, MAX_UNPACKED, MAX_PART)
        _apart(data, entries)
        parts = FileParts(data, entries)
    except (zipfile.BadZipFile, zlib.error, struct.error, EOFError, NotImplementedError,
            RuntimeError, ValueError, OSError, OverflowError, IndexError) as error:  # fmt: skip
        # the zip library trusts the numbers in an archive (offsets before its start, for one)
        raise refuse(
            path,
            "file-damaged-archive",
            "get-again",
        ) from error
    return Package(path, tuple(entries), parts, _workbook_part(path, parts), data)


def _sniff(path: Path, data: bytes) -> None:
    if not data:
        raise refuse(path, "file-empty", "get-empty-again")
    if data.startswith(_COMPOUND):
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise _password(path)
        raise refuse(path, "file-old-kind")
    if not data.startswith(_ZIP):
        start = data[:200].lstrip().lower()
        if start.startswith((b"<!doctype html", b"<html")):
            raise refuse(path, "file-web-page")
        raise refuse(path, "file-text")


def expect_limits(
    path: Path, entries: Sequence[zipfile.ZipInfo], unpacked: int, part: int | None = None
) -> None:
    """Refuse an archive that says of itself that it is too much, or odd.

    Parameters
    ----------
    unpacked
        Bytes that all of it may unpack to.
    part
        Bytes that one part may unpack to; None for as many.
    """
    if len({entry.filename for entry in entries}) < len(entries) or len(entries) > MAX_PARTS:
        raise refuse(path, "file-many-parts")
    if any(entry.flag_bits & 1 for entry in entries):
        raise _password(path)
    if any(entry.compress_type not in PLAIN for entry in entries):
        raise refuse(path, "file-packed-oddly")
    tight = [entry for entry in entries if entry.compress_type != zipfile.ZIP_STORED]
    if sum(entry.file_size for entry in entries) > unpacked or any(
        entry.file_size > (part or unpacked)
        or (entry.file_size > SMALL_PART and entry.file_size > MAX_RATIO * entry.compress_size)
        for entry in tight
    ):
        raise refuse(path, "file-unpacks-to-more")


def _apart(data: bytes, entries: list[zipfile.ZipInfo]) -> None:
    """Expect entries beside each other: one that lies in another unpacks the same bytes again."""
    last = 0
    for start, end in sorted(_span(data, entry) for entry in entries):
        if start < last:
            raise zipfile.BadZipFile("an entry lies in another")
        last = end


def _workbook_part(path: Path, parts: Mapping[str, bytes]) -> str:
    if b"oasis.opendocument" in parts.get("mimetype", b""):
        return _open_document_part(path, parts)
    root = parts.get("_rels/.rels")
    if root is None or CONTENT_TYPES_PART not in parts:
        raise refuse(path, "file-archive")
    for element in xml(root, path):
        if element.get("Type", "").endswith("/officeDocument"):
            part = resolve("", element.get("Target", ""))
            if part not in parts:
                raise refuse(path, "file-main-part-lost")
            if STRICT in parts[part][:4000]:
                raise refuse(
                    path,
                    "file-strict",
                    "save-without-strict",
                )
            if MAIN.encode() not in parts[part][:4000]:
                raise refuse(path, "file-other-format")
            return part
    raise refuse(path, "file-no-workbook")


def _open_document_part(path: Path, parts: Mapping[str, bytes]) -> str:
    if b"encryption-data" in parts.get("META-INF/manifest.xml", b""):
        raise _password(path)
    if not parts["mimetype"].strip().endswith(b"opendocument.spreadsheet"):
        raise refuse(path, "file-other-document")
    if CONTENT not in parts:
        raise refuse(path, "file-main-part-lost")
    return CONTENT


def _password(path: Path) -> SheetlabError:
    return refuse(
        path,
        "file-password",
        "save-without-password",
    )


def write_atomically(target: Path, data: bytes | BinaryIO) -> None:
    """Replace a file in one step: a reader sees the old content or the new, never a part.

    What is long is given as a stream, from where it stands to its end.

    Permissions are kept, and the owner where the system allows it. A link stays a link: the file
    that it names is replaced.

    Raises
    ------
    OSError
        If the folder cannot be written to; the old file is then untouched.
    """
    target = Path(os.path.realpath(target))
    _tidy(target)
    handle, name = tempfile.mkstemp(prefix=_part_prefix(target), suffix=_PART, dir=target.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            if isinstance(data, bytes):
                stream.write(data)
            else:
                shutil.copyfileobj(data, stream)
            stream.flush()
            os.fsync(stream.fileno())
        old = target.stat() if target.exists() else None
        if old is not None and hasattr(os, "chown"):
            with contextlib.suppress(OSError):
                os.chown(temporary, old.st_uid, old.st_gid)
        temporary.chmod((0o666 & ~_umask() if old is None else old.st_mode) & 0o7777)
        temporary.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise


def _part_prefix(target: Path) -> str:
    return f".{target.stem[:40]}-"


def left_over(target: Path) -> Iterator[os.DirEntry[str]]:
    """What writers of a file lay beside it; of those that were killed it is still there."""
    prefix = _part_prefix(target)
    with os.scandir(target.parent) as listing:
        for entry in listing:
            rest = entry.name.removeprefix(prefix)
            if rest != entry.name and len(rest) == _RANDOM + len(_PART) and rest.endswith(_PART):
                yield entry


def _tidy(target: Path) -> None:
    """Take away what writers of this file left that were killed a while ago."""
    with contextlib.suppress(OSError):
        for entry in left_over(target):
            # a newer one may belong to a writer of this moment
            if time.time() - entry.stat().st_mtime > LEFT_BEHIND:
                os.unlink(entry.path)


def open_elsewhere(target: Path) -> bool:
    """Whether a spreadsheet program has a file open, by the lock file it lays beside it."""
    # a link may have been opened by its own name or by that of the file
    return target.exists() and any(
        (path.parent / lock).exists()
        for path in {target, Path(os.path.realpath(target))}
        for lock in (f"~${path.name}", f".~lock.{path.name}#")
    )


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
