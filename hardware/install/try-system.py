#!/usr/bin/env python3
"""Boots an emulated 64-bit ARM machine with Debian and systemd, and tries installer and services in it.

    sudo hardware/install/try-system.py SYSTEM BUILDS --source .

SYSTEM is the root directory of an arm64 Debian with kernel, systemd and python3-venv; BUILDS a directory with the
libraries' builds for it (try-arm64.sh --system makes both). Needs qemu-system-aarch64, dtc and mkfs.ext4.

The machine has no network, its clock starts in the year 2000, and it says of itself that it is a Pi 4. Its GPIO chip
is real to the kernel, and its lines are moved from outside, so that lgpio, gpiozero and the program see voltage come
and go on a pin. It has no I2C bus; those senses are left out. What happens inside is `try-system-inside.sh`, which says
`TRY ok NAME` or `TRY FAILED NAME` on the serial console.
"""

from __future__ import annotations

import argparse
import json
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
MACHINE = ["-machine", "virt", "-cpu", "cortex-a72", "-smp", "2", "-m", "1024", "-nic", "none"]
PI_4 = "0xc03111"  # board revision code as a Pi's firmware writes it


def device_tree(folder: Path) -> Path:
    """The machine's own description, with a Pi's revision in it, and without the key that would hold a GPIO line."""
    raw, text, made = folder / "raw.dtb", folder / "machine.dts", folder / "machine.dtb"
    with_dump = ["-machine", f"virt,dumpdtb={raw}", *MACHINE[2:]]
    _run(["qemu-system-aarch64", *with_dump, "-nographic"])
    _run(["dtc", "-q", "-I", "dtb", "-O", "dts", "-o", str(text), str(raw)])
    source = text.read_text()
    head, _, tail = source.partition("\tgpio-keys {")
    source = head + tail.partition("\n\t};\n")[2]
    place = source.index("\tcompatible = ")
    text.write_text(source[:place] + source[place:].replace("\tpsci {", _SYSTEM_NODE + "\tpsci {", 1))
    _run(["dtc", "-q", "-I", "dts", "-O", "dtb", "-o", str(made), str(text)])
    return made


_SYSTEM_NODE = f"\tsystem {{\n\t\tlinux,revision = <{PI_4}>;\n\t}};\n\n"


def disk(system: Path, builds: Path, source: Path, folder: Path) -> Path:
    """A disk image of SYSTEM with the source, the builds and the trial in it."""
    opt = system / "opt"
    for name in ("source", "builds"):
        shutil.rmtree(opt / name, ignore_errors=True)
    skip = shutil.ignore_patterns(".git", "__pycache__", ".*_cache", "tests", "*.egg-info")
    shutil.copytree(source, opt / "source", ignore=skip)
    shutil.copytree(builds, opt / "builds")
    shutil.copy(HERE / "try-system-inside.sh", opt / "try.sh")
    (opt / "try.sh").chmod(0o755)
    unit = system / "etc/systemd/system/try.service"
    unit.write_text(_TRY_UNIT)
    wanted = system / "etc/systemd/system/multi-user.target.wants"
    wanted.mkdir(parents=True, exist_ok=True)
    (wanted / "try.service").unlink(missing_ok=True)
    (wanted / "try.service").symlink_to("../try.service")
    getty = system / "etc/systemd/system/serial-getty@ttyAMA0.service"  # a login there would cut off the trial
    getty.unlink(missing_ok=True)
    getty.symlink_to("/dev/null")
    rules = system / "etc/udev/rules.d/99-pins.rules"
    rules.parent.mkdir(parents=True, exist_ok=True)
    rules.write_text('SUBSYSTEM=="gpio", GROUP="gpio", MODE="0660"\n')  # as Raspberry Pi OS has it
    image = folder / "disk.img"
    _run(["mkfs.ext4", "-q", "-F", "-d", str(system), str(image), "4G"], timeout_s=300)
    return image


_TRY_UNIT = """\
[Unit]
Description=Trial of the installer
After=multi-user.target
[Service]
Type=oneshot
ExecStart=/opt/try.sh
StandardOutput=tty
StandardError=tty
TTYPath=/dev/ttyAMA0
TimeoutStartSec=infinity
[Install]
WantedBy=multi-user.target
"""


def _run(command: list[str], timeout_s: float = 60) -> None:
    subprocess.run(command, check=True, timeout=timeout_s, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


class Lines:
    """Moves the GPIO chip's lines from outside, over the emulator's test protocol."""

    def __init__(self, monitor: Path, test: Path) -> None:
        self._test = _connect(test)
        self._chip = _find_chip(_connect(monitor))

    def set(self, line: int, high: bool) -> None:
        self._test.sendall(f"set_irq_in {self._chip} unnamed-gpio-in {line} {int(high)}\n".encode())
        answer = self._test.recv(200).decode()
        if not answer.startswith("OK"):
            raise RuntimeError(f"the emulator says: {answer}")


def _connect(path: Path) -> socket.socket:
    for _ in range(100):
        try:
            sock = socket.socket(socket.AF_UNIX)
            sock.connect(str(path))
            sock.settimeout(30)
            return sock
        except OSError:
            time.sleep(0.1)
    raise RuntimeError(f"no answer at {path}")


def _find_chip(sock: socket.socket) -> str:
    stream = sock.makefile("rw")
    stream.readline()

    def ask(command: str, **arguments: str) -> list[dict[str, str]]:
        stream.write(json.dumps({"execute": command, "arguments": arguments}) + "\n")
        stream.flush()
        while "return" not in (answer := json.loads(stream.readline())):
            pass
        found: list[dict[str, str]] = answer["return"]
        return found

    ask("qmp_capabilities")
    rows = ask("qom-list", path="/machine/unattached")
    return next(f"/machine/unattached/{row['name']}" for row in rows if row["type"] == "child<pl061>")


def boot(system: Path, image: Path, tree: Path, folder: Path, limit_s: float) -> list[str]:
    """Run the machine until it powers off; the TRY lines it said."""
    kernel = next((system / "boot").glob("vmlinuz-*"))
    initrd = next((system / "boot").glob("initrd.img-*[0-9a-z]64"))
    monitor, test = folder / "monitor", folder / "test"
    command = ["qemu-system-aarch64", *MACHINE, "-nographic", "-dtb", str(tree), "-rtc", "base=2000-01-01"]
    command += ["-kernel", str(kernel), "-initrd", str(initrd), "-append", "root=/dev/vda rw console=ttyAMA0 quiet"]
    command += ["-drive", f"file={image},format=raw,if=virtio,cache=unsafe", "-accel", "tcg"]
    command += ["-qmp", f"unix:{monitor},server=on,wait=off", "-qtest", f"unix:{test},server=on,wait=off"]
    command += ["-qtest-log", "none", "-serial", "stdio", "-monitor", "none"]
    said: list[str] = []
    with subprocess.Popen(
        ["nice", "-n", "15", *command], stdout=subprocess.PIPE, text=True, errors="replace"
    ) as machine:
        try:
            _listen(machine, Lines(monitor, test), said, time.monotonic() + limit_s)
        finally:
            machine.kill()
    return said


def _listen(machine: subprocess.Popen[str], lines: Lines, said: list[str], until: float) -> None:
    """Read the console; `TRY line N 0|1` from inside moves a GPIO line."""
    assert machine.stdout is not None
    for text in machine.stdout:
        print(text.rstrip(), flush=True)
        words = text.split()
        if "TRY" in words:
            words = words[words.index("TRY") :]
            if words[1] == "line":
                lines.set(int(words[2]), words[3] == "1")
            else:
                said.append(" ".join(words[1:]))
        if time.monotonic() > until:
            said.append("FAILED it took too long")
            return


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("system", type=Path)
    parser.add_argument("builds", type=Path)
    parser.add_argument("--source", type=Path, default=HERE.parents[1])
    parser.add_argument("--limit", type=float, default=5400, metavar="S")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="try-system-") as name:
        folder = Path(name)
        image = disk(args.system, args.builds, args.source.resolve(), folder)
        said = boot(args.system, image, device_tree(folder), folder, args.limit)
    print("\n" + "\n".join(said))
    return 0 if said and said[-1] == "ok end" and not any(line.startswith("FAILED") for line in said) else 1


if __name__ == "__main__":
    sys.exit(main())
