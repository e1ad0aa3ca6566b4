"""Takes the plug-ins of an installation, and what they need, along into another.

`added-packages.py FOLDER PLACE`, run by install.sh, packs them into wheels again in FOLDER and prints `NAME==VERSION`
for each plug-in (a package with an entry point of the program's) that is installed in PLACE. What has no list of its
files can not be packed; its name is printed all the same.

`added-packages.py --beside FOLDER PLACE`, run before the Debian package's files come, lays them out in FOLDER as they
lie in PLACE, without what the program itself needs, and prints the same; it ends with 1 and names on stderr what it
cannot lay out, and has written nothing then. The standard library only: nothing else is sure to be there. Wheels:
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
PROGRAM = "condenser-monitor"
LEFT_OUT = {"RECORD", "INSTALLER", "REQUESTED", "direct_url.json"}  # written by whoever installs
_ABOUT = re.compile(r"([A-Za-z0-9._-]+)\s*(?:\[[^]]*\])?\s*[^;]*(?:;(.*))?")


def plain(name: str) -> str:
    """Return a package's name as names are compared."""
    return re.sub(r"[-_.]+", "-", name).lower()


def with_needed(packages: list[str], installed: dict[str, Distribution], *, extras: bool = False) -> list[str]:
    """Return the packages and all that they need here, with `extras` what any of their extras needs too."""
    found: list[str] = []
    waiting = list(packages)
    while waiting:
        name = waiting.pop()
        if name in found or name not in installed:
            continue
        found.append(name)
        for text in installed[name].requires or ():
            about = _ABOUT.match(text)
            if about and plain(about[1]) != PROGRAM and (extras or "extra" not in (about[2] or "")):
                waiting.append(plain(about[1]))
    return found


def contents(package: Distribution) -> dict[str, bytes]:
    """Return a package's files by their place, and what they hold; none where nothing lists them."""
    files = {str(path): path for path in package.files or ()}
    inside = {
        name: Path(str(path.locate())).read_bytes()
        for name, path in sorted(files.items())
        if not name.startswith("..") and "__pycache__" not in path.parts and path.name not in LEFT_OUT
    }
    about = next((name for name in inside if name.endswith(".dist-info/WHEEL")), None)
    if about is None:
        return {}
    record = [f"{name},sha256={_digest(body)},{len(body)}" for name, body in inside.items()]
    listed = about.removesuffix("WHEEL") + "RECORD"
    return {**inside, listed: ("\n".join([*record, f"{listed},,"]) + "\n").encode()}


def _digest(body: bytes) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(body).digest()).rstrip(b"=").decode()


def pack(package: Distribution, folder: Path) -> None:
    """Write a package's files as a wheel into `folder`."""
    inside = contents(package)
    if not inside:
        return
    about = next(body for name, body in inside.items() if name.endswith(".dist-info/WHEEL"))
    tags = [line[5:].split("-") for line in about.decode().splitlines() if line.startswith("Tag: ")]
    tag = "-".join(".".join(dict.fromkeys(column)) for column in zip(*tags, strict=True))
    name = re.sub(r"[-_.]+", "_", package.metadata["Name"])
    with zipfile.ZipFile(folder / f"{name}-{package.version}-{tag}.whl", "w", zipfile.ZIP_DEFLATED) as wheel:
        for path, body in inside.items():
            wheel.writestr(path, body)


def lay_out(packages: list[Distribution], folder: Path, place: str) -> list[str]:
    """Write packages' files into `folder`; or nothing, and return the names of those that cannot be: nothing lists
    their files, or they are compiled for another Python than this."""
    ours = Path(place).parent.name == f"python{sys.version_info[0]}.{sys.version_info[1]}"
    found = {one.metadata["Name"]: contents(one) for one in packages}
    bad = [
        name
        for name, inside in found.items()
        if not inside or not (ours or all(path.endswith((".py", ".typed")) or "-info/" in path for path in inside))
    ]
    for inside in found.values() if not bad else ():
        for path, body in inside.items():
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            (folder / path).write_bytes(body)
    return bad


def main(folder: Path, place: str, *, beside: bool = False) -> int:
    """Take along what is installed in `place`."""
    installed = {plain(one.metadata["Name"]): one for one in distributions(path=[place])}
    plugins = [
        name
        for name, package in sorted(installed.items())
        if name != PROGRAM and any(point.group.startswith(GROUP) for point in package.entry_points)
    ]
    wanted = [installed[name] for name in with_needed(plugins, installed)]
    if beside:
        its_own = with_needed([PROGRAM], installed, extras=True)
        bad = lay_out([one for one in wanted if plain(one.metadata["Name"]) not in its_own], folder, place)
        if bad:
            print(" ".join(bad), file=sys.stderr)
            return 1
    else:
        folder.mkdir(parents=True, exist_ok=True)
        for package in wanted:
            pack(package, folder)
    for name in plugins:
        print(f"{installed[name].metadata['Name']}=={installed[name].version}")
    return 0


if __name__ == "__main__":
    given = [one for one in sys.argv[1:] if one != "--beside"]
    sys.exit(main(Path(given[0]), given[1], beside="--beside" in sys.argv))
