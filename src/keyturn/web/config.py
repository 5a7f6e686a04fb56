"""What the server was started with."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

MIB = 1024 * 1024


@dataclass(frozen=True)
class Limits:
    """Sizes that the server enforces while it reads."""

    body: int = 256 * 1024  # bytes of a JSON body
    upload: int = 64 * MIB  # bytes of an uploaded file
    unpacked: int = 256 * MIB  # bytes of an archive once unpacked
    members: int = 2000  # files in an archive


@dataclass(frozen=True)
class Config:
    """``root`` is a build folder, or a folder in which each folder is a build."""

    root: Path
    host: str = "127.0.0.1"
    port: int = 8720
    lan: bool = False
    hosts: tuple[str, ...] = ()  # names under which the server may be asked, beside the loopback
    limits: Limits = Limits()
