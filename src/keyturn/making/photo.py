"""A picture file as upright pixels, checked before it is decoded; nothing else of it is kept."""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import FileRefused, Place

MAX_PIXELS = 100_000_000
MAX_BYTES = 120_000_000
MIN_PIXELS = 300_000  # below, a corner of the board has too few pixels to be placed
FULL_FRAME = 43.2666  # [mm] diagonal of the 36 x 24 mm frame that "35 mm equivalent" refers to
TAKE_AGAIN = "send the picture as the camera stored it (JPEG or PNG, full size)"
KINDS = {
    "a PDF": (0, b"%PDF"), "a GIF": (0, b"GIF8"), "a TIFF": (0, b"II*\x00"),
    "a big-endian TIFF": (0, b"MM\x00*"), "a WebP": (8, b"WEBP"), "a BMP": (0, b"BM"),
}  # fmt: skip
# brands of the ISO container used by phones that save space: HEIF with HEVC or AV1 inside
HEIF = {b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1", b"avif"}
ORIENTATION, FOCAL_35, WIDE, HIGH, EXIF_POINTER = 0x0112, 0xA405, 0xA002, 0xA003, 0x8769


@dataclass(frozen=True)
class Photo:
    """Upright pixels in the order blue, green, red, and what is guessed about the lens."""

    pixels: NDArray[np.uint8]
    focal_guess: float | None = None  # [px] from the picture's own data
    notes: tuple[str, ...] = ()
    name: str = ""

    @property
    def size(self) -> tuple[int, int]:
        """Width and height [px]."""
        return int(self.pixels.shape[1]), int(self.pixels.shape[0])


@dataclass(frozen=True)
class Header:
    width: int
    height: int
    tags: dict[int, int]


def _refuse(name: str, problem: str, advice: str = TAKE_AGAIN) -> FileRefused:
    return FileRefused(problem, Place(name or None), accepted="JPEG or PNG", advice=advice)


def _directory(block: bytes, order: str, at: int, tags: dict[int, int]) -> None:
    """Add the short and long numbers of one EXIF directory; anything else is passed over."""
    if at + 2 > len(block):
        return
    (count,) = struct.unpack_from(order + "H", block, at)
    for n in range(min(count, 200)):
        entry = at + 2 + 12 * n
        if entry + 12 > len(block):
            return
        tag, kind, values = struct.unpack_from(order + "HHI", block, entry)
        if values == 1 and kind in (3, 4):
            (tags[tag],) = struct.unpack_from(order + ("H" if kind == 3 else "I"), block, entry + 8)


def _exif(block: bytes) -> dict[int, int]:
    """Orientation, focal length and size; the directory with the location is never opened."""
    order = {b"II*\x00": "<", b"MM\x00*": ">"}.get(block[:4])
    tags: dict[int, int] = {}
    if order is None or len(block) < 8:
        return tags
    _directory(block, order, struct.unpack_from(order + "I", block, 4)[0], tags)
    if EXIF_POINTER in tags:
        _directory(block, order, tags[EXIF_POINTER], tags)
    return tags


def _jpeg(data: bytes, name: str) -> Header:
    """Walk the segments up to the end mark; a picture without one is cut short."""
    at, width, height, tags = 2, 0, 0, dict[int, int]()
    coded = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")  # inside coded data: the next real marker
    while True:
        while data[at : at + 2] == b"\xff\xff":  # fill bytes are allowed before a marker
            at += 1
        marker = data[at + 1] if at + 1 < len(data) and data[at] == 0xFF else None
        if marker == 0xD9 and width:
            return Header(width, height, tags)
        if marker is None or at + 4 > len(data):
            raise _refuse(name, "the picture is cut short: its end is missing")
        (length,) = struct.unpack_from(">H", data, at + 2)
        body = data[at + 4 : at + 2 + length]
        if marker in {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC} and len(body) >= 5:
            height, width = struct.unpack_from(">HH", body, 1)
        if marker == 0xE1 and body[:6] == b"Exif\x00\x00" and not tags:
            tags = _exif(body[6:])
        at += 2 + length
        if marker == 0xDA:
            found = coded.search(data, at)
            at = found.start() if found else len(data)


def _png(data: bytes, name: str) -> Header:
    at, width, height, tags = 8, 0, 0, dict[int, int]()
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        kind, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        check = data[at + 8 + length : at + 12 + length]
        if len(check) < 4 or struct.unpack(">I", check)[0] != zlib.crc32(kind + body):
            break
        if kind == b"IHDR" and length >= 8:
            width, height = struct.unpack_from(">II", body)
        if kind == b"eXIf":
            tags = _exif(body)
        if kind == b"IEND":
            return Header(width, height, tags)
        at += 12 + length
    raise _refuse(name, "the picture is cut short or damaged")


def _header(data: bytes, name: str) -> Header:
    """Kind by content, not by the name of the file; size and tags without decoding."""
    if not data:
        raise _refuse(name, "the file is empty")
    if len(data) > MAX_BYTES:
        raise _refuse(name, f"the file has {len(data) / 1e6:.0f} MB; {MAX_BYTES / 1e6:.0f} is most")
    if data[:3] == b"\xff\xd8\xff":
        return _jpeg(data, name)
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return _png(data, name)
    if data[4:8] == b"ftyp" and data[8:12] in HEIF:
        advice = (
            "set the camera of the phone to save JPEG (often called 'most compatible'), or let the"
            " phone convert the picture to JPEG at full size, and take or send it again"
        )
        raise _refuse(name, "the picture is HEIC or AVIF, which is not read here", advice)
    for words, (at, mark) in KINDS.items():
        if data[at : at + len(mark)] == mark:
            raise _refuse(name, f"this is {words}, not a photo", "save it as JPEG or PNG")
    raise _refuse(name, "this is not an image")


def _upright(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Apply the EXIF orientation 1 to 8, which says where the first row and column belong."""
    if orientation in (5, 6, 7, 8):
        pixels = pixels.transpose(1, 0, 2)
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    return np.ascontiguousarray(pixels)


def judged(data: bytes, name: str = "") -> Header:
    """Size and tags of a picture that may be decoded; refused when something is wrong with it."""
    head = _header(data, name)
    count = head.width * head.height
    if count > MAX_PIXELS:
        problem = f"{head.width} x {head.height} pixels; {MAX_PIXELS // 1_000_000} megapixels most"
        raise _refuse(name, problem, "take the photo at 12 to 50 megapixels, or"
                      " scan at 300 dots per inch")  # fmt: skip
    if count < MIN_PIXELS:
        problem = f"only {head.width} x {head.height} pixels: too few to measure on"
        raise _refuse(name, problem)
    return head


def decode(data: bytes, name: str = "") -> Photo:
    """The picture in ``data``; refused before any pixel is decoded when something is wrong."""
    head = judged(data, name)
    count = head.width * head.height
    import cv2

    flags = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if pixels is None or pixels.shape[:2] != (head.height, head.width):
        raise _refuse(name, "the picture is damaged and cannot be decoded")
    notes: list[str] = []
    if count < 6_000_000:
        notes.append(
            f"{count / 1e6:.1f} megapixels: messengers shrink pictures; the full 12 megapixels"
            " measure about four times better"
        )
    focal = None
    stored = {head.tags.get(WIDE, head.width), head.tags.get(HIGH, head.height)}
    ratio = max(head.width, head.height) / min(head.width, head.height)
    if abs(max(stored) / max(min(stored), 1) - ratio) > 0.01 * ratio:
        notes.append("the picture was cropped after it was taken; its focal length is not used")
    elif 5 <= head.tags.get(FOCAL_35, 0) <= 400:
        focal = head.tags[FOCAL_35] / FULL_FRAME * float(np.hypot(head.width, head.height))
    pixels = _upright(np.asarray(pixels, np.uint8), head.tags.get(ORIENTATION, 1))
    return Photo(pixels, focal, tuple(notes), name)


def read(path: Path | str) -> Photo:
    """Read a photo from a file."""
    path = Path(path)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise _refuse(path.name, f"the file is larger than {MAX_BYTES / 1e6:.0f} MB")
        data = path.read_bytes()
    except OSError as fault:
        raise FileRefused(f"cannot read: {fault.strerror}", Place(str(path))) from fault
    return decode(data, path.name)
