"""Serves an app with waitress: in a thread; who wants a process of its own waits on it."""

from __future__ import annotations

import logging
import socket
import threading
from typing import Any

from waitress import wasyncore
from waitress.server import create_server
from waitress.trigger import trigger

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.errors import CommandError


class Serving:
    """An app being served. `url` is where to look; `close()` ends it and waits."""

    def __init__(self, server: Any, host: str, channels: dict[int, Any]) -> None:
        self._server, self._channels = server, channels
        self.host = host
        # A name with several addresses gives a server for each, on ports of their own.
        listens = getattr(server, "effective_listen", None) or [(host, server.effective_port)]
        self.port = int(listens[0][1])
        self._thread = threading.Thread(target=server.run, name="page", daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        shown = "127.0.0.1" if self.host in ("0.0.0.0", "") else "[::1]" if self.host == "::" else self.host  # noqa: S104 - shown, not bound
        return f"http://{shown}:{self.port}/"

    def close(self) -> None:
        """Stop serving, within seconds; connections kept open by browsers are closed too."""
        # In the server's own thread: nobody else may close what its loop is waiting on.
        found = next((one for one in list(self._channels.values()) if isinstance(one, trigger)), None)
        if found is not None:
            with found.lock:  # a request that ends now wakes the loop too, which would close the pipe before the write
                found.thunks.append(lambda: wasyncore.close_all(self._channels))
                found.pull_trigger()
        self._thread.join(timeout=5)
        self._server.task_dispatcher.shutdown(timeout=2)

    def wait(self) -> None:
        """Until the server ends."""
        self._thread.join()

    def __enter__(self) -> Serving:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def check_port(port: int) -> None:
    """Raise CommandError for a number that no port has."""
    if not 0 <= port <= 65535:
        raise CommandError("page: port", port, "0 to 65535")


def check_address(host: str, port: int) -> None:
    """Raise CommandError, as `serve` would, where the address cannot be had now: for who has long work to do first."""
    check_port(port)
    try:
        with socket.create_server((host, port)):
            pass
    except OSError as error:
        raise _taken(host, port, error) from None


def _taken(host: str, port: int, error: Exception) -> CommandError:
    allowed = f"one that is free; `--port`, or `port` in the settings file, names another ({error})"
    return CommandError("page: address", f"{host}:{port}", allowed)


def serve(app: Any, host: str = "127.0.0.1", port: int = 0) -> Serving:
    """Serve an app in a thread. Port 0 takes a free one. Raises CommandError when the address cannot be had."""
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a waiting request is no news
    channels: dict[int, Any] = {}
    check_port(port)
    try:
        server = create_server(
            app,
            map=channels,
            host=host,
            port=port,
            threads=int(limits.WEB.threads.value),
            connection_limit=int(limits.WEB.backlog.value),
            max_request_body_size=int(limits.WEB.body_most.value),
            channel_timeout=30,
            ident="",
            # What a proxy adds must reach the guard, which knows a proxy by it; waitress itself trusts none of it.
            clear_untrusted_proxy_headers=False,
        )
    except (OSError, ValueError) as error:  # a ValueError for a name that no host can have
        raise _taken(host, port, error) from None
    return Serving(server, host, channels)
