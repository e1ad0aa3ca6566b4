"""A real browser for the tests, and a standard accessibility checker brought in at test time only."""

from __future__ import annotations

import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from playwright.sync_api import Page, ViewportSize

# fmt: off
FLAGS = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage",
]
# fmt: on
PHONE, DESK = ViewportSize(width=390, height=844), ViewportSize(width=1280, height=900)
# WCAG 2.2 AA, with the rules of 2.0 and 2.1 that it holds
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


def chromium() -> str:
    """Where the browser is."""
    found = (shutil.which(name) for name in ("chromium", "chromium-browser", "google-chrome"))
    return next(path for path in found if path)


def addresses_asked(page: Page, url: str, paths: Sequence[str]) -> list[str]:
    """Every address that the page asks while the paths under `url` are opened."""
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    for path in paths:
        page.goto(url + path)
    return asked


@cache
def axe_source() -> str | None:
    """axe-core's script, fetched by npm into a temporary directory; None where that cannot be done."""
    if shutil.which("npm") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        try:
            subprocess.run(
                ["npm", "pack", "axe-core@4", "--silent", "--pack-destination", folder],
                check=True,
                capture_output=True,
                timeout=60,
                cwd=folder,
            )
        except (subprocess.SubprocessError, OSError):
            return None
        with tarfile.open(next(Path(folder).glob("axe-core-*.tgz"))) as packed:
            member = packed.extractfile("package/axe.min.js")
            return None if member is None else member.read().decode()
