"""What build-bundle.sh and build-deb.sh say of the packages they carry along: versions, licences and hashes.

- `bill FOLDER OURS`: of the wheels in FOLDER, writes there bill.tsv (name, version, licence, SHA-256) and pins.txt
  (what pip holds each but OURS to)
- `copyright FOLDER ROOT`: prints a stanza for each package installed in FOLDER but the program's own, with the text of
  its licences, for Debian's copyright file (debian.org, "Machine-readable debian/copyright file", 1.0); ROOT is where
  the package's tree begins. Exit status 1, and the name on stderr, where a package brings no licence

The standard library only: it runs with whatever Python builds.
"""

from __future__ import annotations

import hashlib
import re
import sys
import zipfile
from email.message import Message
from email.parser import Parser
from importlib.metadata import Distribution, distributions
from pathlib import Path

PROGRAM = "condenser-monitor"
_TEXT = re.compile(r"(licen[cs]e|copying|notice|e[dp]l-v)[^/]*$", re.IGNORECASE)
_HOLDER = re.compile(
    r"[\s#*]*(?:SPDX-FileCopyrightText:|(?:Portions )?Copyright\b:?|\(c\)|©)\s*(.*\d{4}.*)", re.IGNORECASE
)


def licence(about: Message) -> str:
    """Return in a line what a package's metadata say of its licence."""
    stated = [row.rpartition(" :: ")[2] for row in about.get_all("Classifier", ()) if row.startswith("License ::")]
    said = about["License-Expression"] or " or ".join(stated) or about["License"] or "see its files"
    return str(said.strip().splitlines()[0])


def bill(folder: Path, ours: str) -> None:
    """Write bill and pins of the wheels in `folder`."""
    pins, rows = [], ["name\tversion\tlicence\tSHA-256"]
    for path in sorted(folder.glob("*.whl")):
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        with zipfile.ZipFile(path) as wheel:
            inside = next(name for name in wheel.namelist() if name.endswith(".dist-info/METADATA"))
            about = Parser().parsestr(wheel.read(inside).decode())
        rows.append(f"{about['Name']}\t{about['Version']}\t{licence(about)}\t{digest}")
        if path.name != ours:
            pins.append(f"{about['Name']}=={about['Version']} --hash=sha256:{digest}")
    (folder / "pins.txt").write_text("\n".join(pins) + "\n")
    (folder / "bill.tsv").write_text("\n".join(rows) + "\n")


def stanza(package: Distribution, place: str) -> str:
    """Return a package's stanza; empty where it brings no text of a licence."""
    files = [path for path in package.files or () if path.parts[0] != ".." and "__pycache__" not in path.parts]
    texts = [path for path in files if ".dist-info" in path.parts[0] and _TEXT.search(str(path))]
    if not texts:
        return ""
    written = "\n\n".join(Path(str(path.locate())).read_text(encoding="utf-8", errors="replace") for path in texts)
    tops = sorted({f"{path.parts[0]}/*" if len(path.parts) > 1 else path.parts[0] for path in files})
    found = [match[1].strip() for line in written.splitlines() if (match := _HOLDER.match(line))]
    about: Message = Parser().parsestr(package.read_text("METADATA") or "")
    holders = list(dict.fromkeys(found)) or [about["Author"] or about["Author-email"] or "see the licence"]
    body = [line.rstrip().expandtabs() for line in written.strip().splitlines()]
    return "\n".join(
        [
            "Files: " + "\n ".join(f"{place}/{top}" for top in tops),
            "Copyright: " + "\n ".join(holders),
            "License: " + re.sub(r"\s+", "-", licence(about)),
            *(f" {line}" if line else " ." for line in body),
        ]
    )


def print_copyright(folder: Path, root: Path) -> int:
    """Print the stanzas of what is installed in `folder`."""
    place = folder.relative_to(root).as_posix()
    for package in sorted(distributions(path=[str(folder)]), key=lambda one: str(one.metadata["Name"]).lower()):
        if package.metadata["Name"] == PROGRAM:
            continue
        text = stanza(package, place)
        if not text:
            print(f"{package.metadata['Name']} brings no licence", file=sys.stderr)
            return 1
        print(f"\n{text}")
    return 0


def main() -> int:
    """Do what the arguments say."""
    match sys.argv[1:]:
        case ["bill", folder, ours]:
            bill(Path(folder), ours)
        case ["copyright", folder, root]:
            return print_copyright(Path(folder), Path(root))
        case _:
            print(__doc__)
            return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
