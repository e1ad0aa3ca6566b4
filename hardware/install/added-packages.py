"""Packs the plug-ins of an installation, and what they need, into wheels again, so that an upgrade can take them along.

Run by install.sh: `added-packages.py FOLDER PLACE` writes the wheels into FOLDER and prints `NAME==VERSION` for each
plug-in (a package with an entry point of the program's) that is installed in PLACE. What has no list of its files can
not be packed; its name is printed all the same. The standard library only: nothing else is sure to be there. Wheels:
packaging.python.org, "Binary distribution format".
"""

from __future__ import annotations

import base64
import hashlib
import re
import sys
import zipfile
from importlib.metadata import Distribution, distributions
from pathlib import Path

GROUP = "condenser_monitor."
LEFT_OUT = {"RECORD", "INSTALLER", "REQUESTED", "direct_url.json"}  # written by whoever installs
_ABOUT = re.compile(r"([A-Za-z0-9._-]+)\s*(?:\[[^]]*\])?\s*[^;]*(?:;(.*))?")


def plain(name: str) -> str:
    """Return a package's name as names are compared."""
    return re.sub(r"[-_.]+", "-", name).lower()


def with_needed(plugins: list[str], installed: dict[str, Distribution]) -> list[str]:
    """Return the plug-ins and all that they need here, the program left out."""
    found: list[str] = []
    waiting = list(plugins)
    while waiting:
        name = waiting.pop()
        if name in found or name not in installed or name == "condenser-monitor":
            continue
        found.append(name)
        for text in installed[name].requires or ():
            about = _ABOUT.match(text)
            if about and "extra" not in (about[2] or ""):
                waiting.append(plain(about[1]))
    return found


def pack(package: Distribution, folder: Path) -> None:
    """Write a package's files as a wheel into `folder`."""
    files = {str(path): path for path in package.files or ()}
    inside = {
        name: Path(str(path.locate())).read_bytes()
        for name, path in sorted(files.items())
        if not name.startswith("..") and "__pycache__" not in path.parts and path.name not in LEFT_OUT
    }
    about = next((name for name in inside if name.endswith(".dist-info/WHEEL")), None)
    if about is None:
        return
    tags = [line[5:].split("-") for line in inside[about].decode().splitlines() if line.startswith("Tag: ")]
    tag = "-".join(".".join(dict.fromkeys(column)) for column in zip(*tags, strict=True))
    record = [f"{name},sha256={_digest(body)},{len(body)}" for name, body in inside.items()]
    listed = about.removesuffix("WHEEL") + "RECORD"
    name = re.sub(r"[-_.]+", "_", package.metadata["Name"])
    with zipfile.ZipFile(folder / f"{name}-{package.version}-{tag}.whl", "w", zipfile.ZIP_DEFLATED) as wheel:
        for path, body in inside.items():
            wheel.writestr(path, body)
        wheel.writestr(listed, "\n".join([*record, f"{listed},,"]) + "\n")


def _digest(body: bytes) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(body).digest()).rstrip(b"=").decode()


def main(folder: Path, place: str) -> None:
    """Pack what is installed in `place`."""
    folder.mkdir(parents=True, exist_ok=True)
    installed = {plain(one.metadata["Name"]): one for one in distributions(path=[place])}
    plugins = [
        name
        for name, package in sorted(installed.items())
        if name != "condenser-monitor" and any(point.group.startswith(GROUP) for point in package.entry_points)
    ]
    for name in with_needed(plugins, installed):
        pack(installed[name], folder)
    for name in plugins:
        print(f"{installed[name].metadata['Name']}=={installed[name].version}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
