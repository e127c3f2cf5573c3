"""Files and what is compressed in them, read up to where it breaks off."""

from __future__ import annotations

import codecs
import gzip
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import BinaryIO, Protocol, cast

from buswright.errors import CaptureError

_GZIP, _ZSTD = b"\x1f\x8b", b"\x28\xb5\x2f\xfd"
_READ_BUFFER = 1 << 18
_PIECE, _PACKED = 1 << 18, 1 << 10
"""Bytes of content, and of what is compressed, that are unpacked at once."""
_HEAD = 32
"""Bytes by which text in UTF-16 without a mark is known: all ASCII, every other one zero."""


class _Unpacked:
    """A compressed stream that gives what it holds before it fails: a killed recorder may leave a torn end.

    Parameters
    ----------
    pieces
        The content; raises where it breaks off.
    """

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces = pieces
        self._rest = b""
        self._fault: EOFError | None = None

    def read(self, size: int) -> bytes:
        taken = [self._rest]
        count = len(self._rest)
        while count < size and self._fault is None:
            try:
                piece = next(self._pieces, b"")
            except Exception as fault:  # noqa: BLE001  (zstandard's own error is known only where it is installed)
                self._fault = EOFError(str(fault) or type(fault).__name__)
                break
            if not piece:
                break
            taken.append(piece)
            count += len(piece)
        whole = b"".join(taken)
        self._rest = whole[size:]
        if not whole and self._fault is not None:
            raise self._fault
        return whole[:size]

    def peek(self, size: int) -> bytes:
        """Return the beginning of what is still to be read; nothing where it breaks off."""
        try:
            head = self.read(size)
        except EOFError:
            return b""
        self._rest = head + self._rest
        return head


class _Readable(Protocol):
    def read(self, size: int, /) -> bytes: ...


def _gunzipped(raw: BinaryIO) -> Iterator[bytes]:
    with gzip.GzipFile(fileobj=raw) as stream:
        while piece := stream.read1(_PIECE):
            yield piece


def _zstd_unpacked(raw: BinaryIO) -> Iterator[bytes]:
    """Unpack frame after frame; each says where it ends, so that a file that was cut off is known."""
    import zstandard

    waiting = b""
    while waiting := waiting or raw.read(_PACKED):
        unpacker = zstandard.ZstdDecompressor().decompressobj()
        while waiting and not unpacker.eof:
            # A little at a time: up to 128 kB of content come from four bytes.
            if piece := unpacker.decompress(waiting[:_PACKED]):
                yield piece
            waiting = waiting[_PACKED:] or (b"" if unpacker.eof else raw.read(_PACKED))
        if not unpacker.eof:
            raise EOFError("Compressed file ended before the end-of-frame marker was reached")
        waiting = unpacker.unused_data + waiting


def _utf16_of(head: bytes) -> str:
    """Name the kind of UTF-16 that a text begins with; empty if it is none."""
    if head[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        return "utf-16" if head[2:4] != b"\0\0" else ""
    if len(head) == _HEAD and head.isascii():
        even, odd = head[::2], head[1::2]
        if not odd.strip(b"\0") and b"\0" not in even:
            return "utf-16-le"
        if not even.strip(b"\0") and b"\0" not in odd:
            return "utf-16-be"
    return ""


def _in_utf8(stream: _Readable, encoding: str) -> Iterator[bytes]:
    """Write UTF-16 anew: some shells redirect all text to files in it."""
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
    while piece := stream.read(_PIECE):
        if text := decoder.decode(piece):
            yield text.encode()
    if rest := decoder.decode(b"", final=True):
        yield rest.encode()


@contextmanager
def opened_file(path: Path) -> Iterator[tuple[BinaryIO, BinaryIO]]:
    """Yield the raw file and the stream of its content: decompressed, and text in UTF-16 as UTF-8."""
    with path.open("rb", buffering=_READ_BUFFER) as raw:
        magic = raw.read(4)
        raw.seek(0)
        if magic == _ZSTD and find_spec("zstandard") is None:
            raise CaptureError(
                f"{path}: compressed with zstd, which needs one more package",
                hint="pip install 'buswright[zstd]', or decompress it with `zstd -d` first",
            )
        if magic.startswith(_GZIP) or magic == _ZSTD:
            unpacked = _Unpacked(_gunzipped(raw) if magic != _ZSTD else _zstd_unpacked(raw))
            encoding = _utf16_of(unpacked.peek(_HEAD))
            stream: _Readable = unpacked
        else:
            encoding = _utf16_of(raw.read(_HEAD))
            raw.seek(0)
            stream = raw
        yield raw, cast("BinaryIO", _Unpacked(_in_utf8(stream, encoding)) if encoding else stream)
