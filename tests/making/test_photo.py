"""Reading picture files: what is refused and why, and what is kept."""

from __future__ import annotations

import struct
import zlib
from dataclasses import fields
from pathlib import Path

import cv2
import numpy as np
import pytest
from renderer import film

from keyturn.errors import FileRefused
from keyturn.making import photo

WIDE, TALL = 800, 600


def picture() -> np.ndarray:
    """Four quarters of different colour, so that every turn shows."""
    pixels = np.zeros((TALL, WIDE, 3), np.uint8)
    pixels[: TALL // 2, : WIDE // 2] = (250, 20, 20)
    pixels[: TALL // 2, WIDE // 2 :] = (20, 250, 20)
    pixels[TALL // 2 :, : WIDE // 2] = (20, 20, 250)
    return pixels


def jpeg(segment: bytes = b"") -> bytes:
    return film.stored(picture(), 92, segment)


def png(width: int = WIDE, height: int = TALL) -> bytes:
    """Only the header of a picture: enough to be refused by size."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IEND", b"")


def real_png() -> bytes:
    return cv2.imencode(".png", picture())[1].tobytes()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"hello, this is a letter", "not an image"),
        (b"%PDF-1.7 ...", "a PDF"),
        (b"GIF89a....", "a GIF"),
        (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic", "HEIC"),
        (png(12_000, 9_000), "12000 x 9000 pixels; 100 megapixels most"),
        (png(400, 300), "too few"),
        (png(), "damaged"),
        (jpeg()[:-2000], "cut short"),
        (jpeg()[:300], "cut short"),
        (jpeg()[:-2], "cut short"),
        (real_png()[:-600], "cut short"),
    ],
    ids=lambda value: value[:12] if isinstance(value, str) else "",
)
def test_refused_with_the_reason_and_what_to_do(data: bytes, words: str) -> None:
    with pytest.raises(FileRefused, match=words) as caught:
        photo.decode(data, "shot.jpg")
    assert "shot.jpg" in str(caught.value)
    assert "do: " in str(caught.value)


def test_heic_says_how_to_get_a_jpeg() -> None:
    with pytest.raises(FileRefused, match="save JPEG"):
        photo.decode(b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic")


def test_a_flipped_bit_in_a_png_is_noticed() -> None:
    data = bytearray(real_png())
    data[len(data) // 2] ^= 0x10
    with pytest.raises(FileRefused):
        photo.decode(bytes(data))


# Corner of the upright picture at which the stored first row and first column meet:
# EXIF 2.3 (JEITA CP-3451), table of tag 0x0112
PLACES = {
    1: ("top", "left"), 2: ("top", "right"), 3: ("bottom", "right"), 4: ("bottom", "left"),
    5: ("left", "top"), 6: ("right", "top"), 7: ("right", "bottom"), 8: ("left", "bottom"),
}  # fmt: skip


@pytest.mark.parametrize("orientation", PLACES)
def test_orientation(orientation: int) -> None:
    """Row 0 of the file is the named side of the scene, column 0 the other."""
    shot = photo.decode(jpeg(film.exif(26, orientation)))
    row_side, column_side = PLACES[orientation]
    turned = row_side in ("left", "right")
    assert shot.size == ((TALL, WIDE) if turned else (WIDE, TALL))
    sides = {row_side, column_side}
    y = 100 if "top" in sides else -100
    x = 100 if "left" in sides else -100
    # stored row 0, column 0 is blue; stored row 0, last column is green
    assert int(np.argmax(shot.pixels[y, x])) == 0
    other = (-y, x) if turned else (y, -x)
    assert int(np.argmax(shot.pixels[other])) == 1


def test_focal_length_from_the_equivalent() -> None:
    """A 26 mm equivalent on a picture of 5:4:3: 26 of 43.27 mm (36 x 24 frame) of the diagonal."""
    shot = photo.decode(jpeg(film.exif(26, 1, (WIDE, TALL))))
    assert shot.focal_guess == pytest.approx(26 / np.hypot(36, 24) * 1000.0, abs=0.01)
    assert photo.decode(jpeg()).focal_guess is None


def test_a_cropped_picture_loses_its_focal_length() -> None:
    shot = photo.decode(jpeg(film.exif(26, 1, (4000, 2000))))
    assert shot.focal_guess is None
    assert any("cropped" in note for note in shot.notes)


def test_location_is_never_read() -> None:
    segment = film.exif(26, 1, (WIDE, TALL), gps=True)
    shot = photo.decode(jpeg(segment), "shot.jpg")
    assert {f.name for f in fields(shot)} == {"pixels", "focal_guess", "notes", "name"}
    assert shot == shot and shot.focal_guess is not None
    tags = photo._exif(segment[10:])
    # the pointer stands in the first directory; what it points at (tag 1, 2 ...) is not opened
    assert 0x8825 in tags
    assert not {1, 2, 3, 4} & tags.keys()


def test_bytes_after_the_end_are_no_fault() -> None:
    """Phones append a film or a second picture behind the end mark."""
    assert photo.decode(jpeg() + b"\x00" * 5000 + b"film").size == (WIDE, TALL)


def test_files(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(real_png())  # content counts, not the name
    assert photo.read(tmp_path / "a.jpg").size == (WIDE, TALL)
    with pytest.raises(FileRefused, match="cannot read"):
        photo.read(tmp_path / "missing.jpg")
    with pytest.raises(FileRefused, match="cannot read"):
        photo.read(tmp_path)
