"""The page behind a real reverse proxy (nginx) in the shapes that people set up: recognised, never trusted by accident.

Where the page is not told of the proxy (`[web] proxy`), it asks for the password; where it is, sign-in works through it
and wrong passwords are counted by who asked the proxy.
"""

from __future__ import annotations

import http.client
import os
import re
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.parse import urlencode

import msgspec
import pytest

from condenser_monitor.web import peer
from condenser_monitor.web.serve import Serving, serve
from tests.conftest import need
from tests.web.conftest import app_of
from tests.web.filled import Site
from tests.web.test_access import PASSWORD

BARE = ""
HTTP_1_1 = 'proxy_http_version 1.1; proxy_set_header Connection "";'
KEPT_HOST = "proxy_set_header Host $host;"
USUAL = """
    proxy_set_header Host $host; proxy_set_header X-Real-IP $remote_addr;
    proxy_set_header X-Forwarded-For $proxy_add_x_forwarded_for; proxy_set_header X-Forwarded-Proto $scheme;
"""
HOST_OF_UPSTREAM = "proxy_set_header Host 127.0.0.1;"  # to silence a page that checks it
ONLY_REAL_IP = "proxy_set_header X-Real-IP $remote_addr;"
SHAPES = {
    "bare": BARE,
    "HTTP/1.1": HTTP_1_1,
    "HTTP/1.1, the host kept": HTTP_1_1 + KEPT_HOST,
    "HTTP/1.1, the host set": HTTP_1_1 + HOST_OF_UPSTREAM,
    "HTTP/1.1, only the real address": HTTP_1_1 + ONLY_REAL_IP,
    "as in most guides": USUAL,
    "as in most guides, HTTP/1.1": HTTP_1_1 + USUAL,
}


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as sock:
        return int(sock.getsockname()[1])


@contextmanager
def nginx(upstream: int, shape: str) -> Iterator[int]:
    """nginx in front of a port of this machine, its workers as the user that Debian gives them; its own port."""
    need("nginx")
    need("root, to run nginx as its own user", os.getuid() == 0)
    port = free_port()
    with TemporaryDirectory(prefix="nginx-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        config = folder / "nginx.conf"
        config.write_text(
            f"""
user www-data; worker_processes 1; daemon off; pid {folder}/pid; error_log {folder}/error.log;
events {{ worker_connections 64; }}
http {{
  access_log off; client_body_temp_path {folder}/b; proxy_temp_path {folder}/p; fastcgi_temp_path {folder}/f;
  uwsgi_temp_path {folder}/u; scgi_temp_path {folder}/s;
  server {{ listen 127.0.0.1:{port}; location / {{ proxy_pass http://127.0.0.1:{upstream}; {shape} }} }}
}}
"""
        )
        process = subprocess.Popen(["nginx", "-c", str(config), "-e", str(folder / "error.log")])
        try:
            for _ in range(200):
                with socket.socket() as sock:
                    if sock.connect_ex(("127.0.0.1", port)) == 0:
                        break
                time.sleep(0.05)
            yield port
        finally:
            process.terminate()
            process.wait(10)


def get(port: int, path: str = "/", host: str = "house.example", **headers: str) -> http.client.HTTPResponse:
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=30)) as connection:
        connection.request("GET", path, headers={"Host": host, **headers})
        answer = connection.getresponse()
        answer.read()
    return answer


@pytest.fixture
def page(site: Site) -> Iterator[Serving]:
    with serve(app_of(site)) as serving:
        yield serving


def test_a_person_on_this_machine_is_let_in(page: Serving) -> None:
    """Directly, by the real server, under the machine's own names: no password."""
    for host in ("localhost", "127.0.0.1"):
        assert get(page.port, host=host).status == 200


@pytest.mark.parametrize("header", ["X-Forwarded-For", "X-Forwarded-Proto", "Forwarded", "X-Real-IP", "Via"])
def test_what_a_proxy_adds_reaches_the_guard(page: Serving, header: str) -> None:
    """waitress, left as it is, takes these headers away before the application sees them."""
    assert get(page.port, host="localhost", **{header: "192.0.2.7"}).status == 302


@pytest.mark.parametrize("shape", SHAPES)
def test_a_proxy_that_nobody_told_us_of_opens_nothing(page: Serving, shape: str) -> None:
    """Not even one that adds nothing, speaks HTTP/1.1 and rewrites the host: its user is one of the system's."""
    with nginx(page.port, SHAPES[shape]) as port:
        for host in ("house.example", "localhost", "127.0.0.1"):
            answer = get(port, host=host)
            assert answer.status == 302, (shape, host)
            assert answer.headers["Location"].startswith(("/setup", "/login"))
        assert get(port, "/api/v1/status", host="localhost").status == 401


def test_sign_in_works_through_a_proxy_that_is_told_of(site: Site) -> None:
    """`[web] proxy = true`, as most guides set nginx up: wrong passwords are counted for who asked nginx."""
    web = msgspec.structs.replace(site.settings.web, proxy=True)
    site.settings = msgspec.structs.replace(site.settings, web=web)
    app = app_of(site)
    app.extensions["window"].access.set_password(PASSWORD)
    with serve(app) as serving, nginx(serving.port, HTTP_1_1 + USUAL) as port:
        assert get(port, host="localhost").status == 302
        statuses = [_sign_in(port, "wrong wrong wrong", forged=f"192.0.2.{turn}") for turn in range(7)]
        assert statuses[:4] == [401] * 4
        assert statuses[-1] == 429  # a header of the visitor's own does not make him somebody else


def test_sign_in_ends_in_the_page(site: Site) -> None:
    """The right password, through nginx: the page answers."""
    web = msgspec.structs.replace(site.settings.web, proxy=True)
    site.settings = msgspec.structs.replace(site.settings, web=web)
    app = app_of(site)
    app.extensions["window"].access.set_password(PASSWORD)
    with serve(app) as serving, nginx(serving.port, HTTP_1_1 + USUAL) as port:
        assert _sign_in(port, PASSWORD) == 302


def _sign_in(port: int, password: str, forged: str = "") -> int:
    extra = {"Host": "house.example", **({"X-Forwarded-For": forged} if forged else {})}
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=30)) as connection:
        connection.request("GET", "/login", headers=extra)
        answer = connection.getresponse()
        found = re.search(r'name="csrf" value="([^"]+)"', answer.read().decode())
        assert found is not None
        cookie = (answer.headers["Set-Cookie"] or "").partition(";")[0]
        body = urlencode({"csrf": found[1], "password": password})
        headers = {"Cookie": cookie, "Content-Type": "application/x-www-form-urlencoded", **extra}
        connection.request("POST", "/login", body, headers)
        answer = connection.getresponse()
        answer.read()
    return answer.status


def test_the_user_of_a_connection_is_found(page: Serving) -> None:
    """By the kernel's table: this test's own connection, over IPv4 and IPv6; one that does not exist is nobody's."""
    with serve(lambda environ, start: [], "::1") as six:
        for host, port in (("127.0.0.1", page.port), ("::1", six.port)):
            with socket.create_connection((host, port)) as sock:
                own = sock.getsockname()
                assert peer.is_person(own[0], own[1])
    assert not peer.is_person("127.0.0.1", 1)
