"""A file that is sent here: written beside its later place while it comes, judged by its content.

How much may come is counted by the door (`web.security`); what came is looked at here, never what
it calls itself.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import HTTPException, Request
from starlette.concurrency import run_in_threadpool

from keyturn.errors import FileRefused

# first bytes of the kinds of file that are taken
SIGNS = {
    "application/zip": (b"PK\x03\x04", b"PK\x05\x06"),
    "a log": (b"",),  # of many kinds: `logs.sniff` judges it when it is whole
}


@asynccontextmanager
async def received(
    request: Request, kind: str, folder: Path, told: Callable[[int], None] | None = None
) -> AsyncIterator[Path]:
    """The body as a file in ``folder``, gone when this is left. ``kind`` is a key of `SIGNS`.

    ``told`` is called with the bytes of every piece that came.
    """
    signs = SIGNS[kind]
    head = b""
    path: Path | None = None
    try:
        handle, name = tempfile.mkstemp(dir=folder, prefix=".upload.", suffix=".part")
        path = Path(name)
        with os.fdopen(handle, "wb") as stream:
            async for chunk in request.stream():
                if len(head) < 8:
                    head += chunk[:8]
                    if len(head) >= 4 and not head.startswith(signs):
                        raise HTTPException(415, "the file is not what is taken here")
                await run_in_threadpool(stream.write, chunk)
                if told is not None:
                    told(len(chunk))
        if not head.startswith(signs):
            raise HTTPException(415, "the file is not what is taken here")
        yield path
    except OSError as fault:
        raise FileRefused(
            f"what was sent cannot be written: {fault.strerror}",
            advice="make room on the computer, or start keyturn on a folder it may write to",
        ) from None
    finally:
        if path is not None:
            path.unlink(missing_ok=True)
