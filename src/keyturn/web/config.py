"""What the server was started with."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

MIB = 1024 * 1024
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")


@dataclass(frozen=True)
class Limits:
    """Sizes and times that the server enforces while it reads."""

    body: int = 256 * 1024  # bytes of a JSON body
    upload: int = 64 * MIB  # bytes of an uploaded file
    log: int = 512 * MIB  # bytes of an uploaded log
    unpacked: int = 256 * MIB  # bytes of an archive once unpacked
    member: int = 128 * MIB  # bytes of one file in it
    members: int = 2000  # files in an archive
    ratio: float = 200.0  # unpacked over packed, of one file
    silence: float = 20.0  # [s] without a byte of a body that was announced
    body_time: float = 20.0  # [s] for a JSON body
    upload_time: float = 900.0  # [s] for an uploaded file


@dataclass(frozen=True)
class Config:
    """``root`` is a build folder, or a folder in which each folder is a build."""

    root: Path
    host: str = "127.0.0.1"
    port: int = 8720
    lan: bool = False
    hosts: tuple[str, ...] = ()  # names under which the server may be asked, beside the loopback
    limits: Limits = Limits()

    def authorities(self) -> frozenset[str]:
        """What may stand in a Host header: these names, with this port, and nothing else."""
        names = [*LOOPBACK, *(self.hosts if self.lan else ())]
        bracketed = [f"[{name}]" if ":" in name and name[0] != "[" else name for name in names]
        bare = bracketed if self.port == 80 else []
        return frozenset([*bare, *(f"{name.lower()}:{self.port}" for name in bracketed)])
