"""A picture file bare of everything but its pixels, which way up it is and its lens.

What is kept of a photo that somebody sent: no place, no time, no name of a device, no second
picture behind the first. The coded pixels stay as they are, bit for bit.
"""

from __future__ import annotations

import struct
import zlib

from keyturn.making.photo import EXIF_POINTER, FOCAL_35, HIGH, ORIENTATION, WIDE, Header, judged

KEPT_CHUNKS = (b"IHDR", b"PLTE", b"tRNS", b"gAMA", b"sRGB", b"IDAT")
START, END = b"\xff\xd8", b"\xff\xd9"
SCAN, COMMENT = 0xDA, 0xFE


def bare(data: bytes, name: str = "") -> tuple[bytes, str]:
    """The picture without what it tells of its owner, and the ending its file has.

    Raises
    ------
    FileRefused
        Not a picture that can be measured, judged before any pixel is decoded.
    """
    head = judged(data, name)
    if data[:2] == START:
        return _jpeg(data, head), "jpg"
    return _png(data, head), "png"


def _exif(tags: dict[int, int]) -> bytes:
    """Orientation, focal length and size as an EXIF block; nothing where nothing is known."""
    lens = [(tag, tags[tag]) for tag in (WIDE, HIGH, FOCAL_35) if tag in tags]
    top = [(ORIENTATION, tags.get(ORIENTATION, 1))]
    if not lens and top[0][1] == 1:
        return b""
    inner = 8 + 2 + 12 * (len(top) + bool(lens)) + 4
    rows = [*top, (EXIF_POINTER, inner)] if lens else top
    return (
        b"II*\x00" + struct.pack("<I", 8) + _directory(rows) + (_directory(lens) if lens else b"")
    )


def _directory(rows: list[tuple[int, int]]) -> bytes:
    made = struct.pack("<H", len(rows))
    for tag, value in rows:
        made += struct.pack("<HHII", tag, 4, 1, value)
    return made + struct.pack("<I", 0)


def _jpeg(data: bytes, head: Header) -> bytes:
    """Tables and coded pixels up to the first end mark; application data and comments left out."""
    exif = _exif(head.tags)
    made = bytearray(START)
    if exif:
        body = b"Exif\x00\x00" + exif
        made += b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body
    at = 2
    while True:
        while data[at : at + 2] == b"\xff\xff":
            at += 1
        marker = data[at + 1]
        if marker == END[1]:
            return bytes(made + END)
        (length,) = struct.unpack_from(">H", data, at + 2)
        stop = at + 2 + length
        if marker == SCAN:
            stop = _scan_end(data, stop)
        # APP14 says how the colours are coded; every other application segment is left out
        told = 0xE0 <= marker <= 0xEF and marker != 0xEE
        if not told and marker != COMMENT:
            made += data[at:stop]
        at = stop


def _scan_end(data: bytes, at: int) -> int:
    """Where the coded data ends: at the next marker that is no stuffing and no restart."""
    while True:
        at = data.index(b"\xff", at)
        following = data[at + 1]
        if following not in (0x00, 0xFF) and not 0xD0 <= following <= 0xD7:
            return at
        at += 1 if following == 0xFF else 2


def _png(data: bytes, head: Header) -> bytes:
    made = bytearray(data[:8])
    exif, at = _exif(head.tags), 8
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        kind = data[at + 4 : at + 8]
        if kind == b"IDAT" and exif:
            made += _chunk(b"eXIf", exif)
            exif = b""
        if kind in KEPT_CHUNKS:
            made += data[at : at + 12 + length]
        at += 12 + length
        if kind == b"IEND":
            break
    return bytes(made + _chunk(b"IEND", b""))


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
