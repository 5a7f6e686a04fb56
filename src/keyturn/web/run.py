"""Start the server and say where it is."""

from __future__ import annotations

import ipaddress
import multiprocessing
import socket
import threading
import webbrowser
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import uvicorn

from keyturn.build.read import BUILD_FILE
from keyturn.errors import FileRefused, Place, ValueRefused
from keyturn.web import qr
from keyturn.web.app import create_app
from keyturn.web.config import Config
from keyturn.web.pairing import GOOD_FOR
from keyturn.web.routes.door import lan_address

EVERYWHERE, HERE = "0.0.0.0", "127.0.0.1"
NOWHERE = ("192.0.2.1", 9)  # an address for documents (RFC 5737): asked for a route, sent nothing
MOST_CONNECTIONS = 256
MOST_HEADERS = 16 * 1024  # bytes of the head of a request


class Server(uvicorn.Server):
    """Ends the event streams before it waits for open connections; says when it can be asked."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[], None] | None = None) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets=sockets)
        if self.started and self._ready is not None:
            self._ready()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        app: Any = self.config.app
        app.state.live.close()
        await super().shutdown(sockets=sockets)


def server(config: Config, ready: Callable[[Any], None] | None = None) -> Server:
    """A server for ``config``; run it with the socket of `bound`, or let it bind by itself."""
    app = create_app(config)
    settings = uvicorn.Config(
        app,
        host=config.host,
        port=config.port,
        http="h11",
        ws="none",
        lifespan="on",
        log_level="warning",
        access_log=False,  # what is asked for is nobody's business, what is sent even less
        proxy_headers=False,  # an address that was only claimed is none
        server_header=False,
        limit_concurrency=MOST_CONNECTIONS,
        h11_max_incomplete_event_size=MOST_HEADERS,
        timeout_graceful_shutdown=5,
    )
    return Server(settings, (lambda: ready(app)) if ready else None)


def serve(
    root: Path,
    *,
    port: int,
    lan: bool,
    names: Sequence[str] = (),
    browser: bool = False,
    say: Callable[[str], None] = print,
) -> None:
    """Serve ``root`` until interrupted."""
    root = served_folder(root)
    host = EVERYWHERE if lan else HERE
    with bound(host, port) as listening:
        port = listening.getsockname()[1]
        hosts = (*own_addresses(), *names) if lan else ()
        config = Config(root, host=host, port=port, lan=lan, hosts=hosts)

        def ready(app: Any) -> None:
            say(greeting(app, config))
            if browser:
                address = f"http://{HERE}:{port}/"
                threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()

        with suppress(KeyboardInterrupt):
            server(config, ready).run(sockets=[listening])
    for child in multiprocessing.active_children():
        child.kill()  # workers that are still at an answer nobody waits for
    say("stopped")


def served_folder(root: Path) -> Path:
    """The folder to serve; a build.toml stands for its folder."""
    folder = root.parent if root.name == BUILD_FILE else root
    if not folder.is_dir():
        raise FileRefused(
            "there is no such folder", Place(str(root)),
            accepted="a build folder, or a folder of build folders; it may be empty",
            advice="check the path, or make the folder",
        )  # fmt: skip
    return folder


def bound(host: str, port: int) -> socket.socket:
    """A socket on that port, or the reason why there is none."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
    except (OSError, OverflowError) as fault:
        listening.close()
        words = getattr(fault, "strerror", None) or str(fault)
        raise ValueRefused(
            f"the port cannot be had: {words.lower()}", Place(key="--port"), typed=str(port),
            accepted="a free port from 1024 to 65535, or 0 for any",
            advice="stop what uses it (perhaps another keyturn), or name another: --port 8721",
        ) from None  # fmt: skip
    return listening


def own_addresses() -> tuple[str, ...]:
    """Addresses and names of this computer on its networks, the one to tell others first."""
    found: list[str] = []
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(NOWHERE)
        found.append(probe.getsockname()[0])
    name = socket.gethostname()
    with suppress(OSError):
        found += [str(row[4][0]) for row in socket.getaddrinfo(name, None, socket.AF_INET)]
    found = [each for each in found if not ipaddress.ip_address(each).is_loopback]
    if name:
        found += [name.lower(), f"{name.lower().removesuffix('.local')}.local"]
    return tuple(dict.fromkeys(found))


def greeting(app: Any, config: Config) -> str:
    """Where the pages are; with the code and its drawing when others may come in."""
    count = len(app.state.shelf.names())
    held = "no build yet" if not count else "1 build" if count == 1 else f"{count} builds"
    lines = [f"keyturn serves {config.root} ({held}); stop it with Ctrl-C",
             f"  on this computer  http://{HERE}:{config.port}/"]  # fmt: skip
    if config.lan:
        address = lan_address(config)
        code = app.state.pairing.show()
        lines += [
            f"  on this network   {address}",
            f"  code              {code} (one device, {GOOD_FOR / 60:.0f} min; "
            f"a new one: http://{HERE}:{config.port}/door)",
            "  What passes is not encrypted: use a network that you trust.",
            qr.in_terminal(f"{address}door#{code.digits}"),
        ]
    return "\n".join(lines)
