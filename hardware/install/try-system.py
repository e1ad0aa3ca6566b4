#!/usr/bin/env python3
"""Boots an emulated 64-bit ARM machine with Debian and systemd, and tries installer, services and the whole wire in it.

    sudo .venv/bin/python hardware/install/try-system.py SYSTEM BUILDS --image FOLDER/installed.img --trial story

SYSTEM is the root directory of an arm64 Debian with kernel, systemd, python3-venv and mosquitto; BUILDS a directory
with the libraries' builds for it (try-arm64.sh --system makes both; with --package FILE.deb what `package` needs too).
Needs Debian's qemu-system-arm, qemu-utils, qemu-user-static, device-tree-compiler and e2fsprogs.

The machine has no network and says of itself that it is a Pi 4. Its GPIO chip and its I2C bus are real to its kernel;
what moves them is a simulated unit outside (sim/emulated_wire.py). `--slower K` has the machine's clock, and the unit
with it, run K times slower than the clock on the wall, so that the emulated processor keeps up with the converters.

Trials: `services` installs and tries the services, with the clock in the year 2000; `story` plays the demo's story
under the installed services, asks the page after each change, and with `--pages FOLDER` keeps what it showed, as files
for a browser (`--scenario hardware/install/try-wire.toml`: its four faults in two and a half minutes); `wire` plays
those four without systemd, for a machine that has no core to spare; `faults` breaks the wire in many ways; `package`
puts the Debian package (--package FILE, build-deb.sh) in place of an installation by install.sh, upgrades and removes
it; `bundle` installs, repairs, upgrades and goes back from a bundle (--bundle FILE, build-bundle.sh); `look` installs
nothing and measures the bus, without systemd. Story, wire, faults and package start from an image in which the program
lies as the installer leaves it; it is made when it is missing, in a minute, by this machine's own processor (`services`
and `bundle` run the installer itself in the machine). What happens inside is `try-system-inside.sh`, which says `TRY ok
NAME` or `TRY FAILED NAME` on the serial console, and asks for what shall happen outside (`_Outside`).
"""

from __future__ import annotations

import argparse
import json
import lzma
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import tarfile
import tempfile
import threading
import time
from contextlib import closing
from pathlib import Path
from typing import BinaryIO

import msgspec

from condenser_monitor.monitor.core.readings import FLAGS
from condenser_monitor.sim import scenario, season
from condenser_monitor.sim.emulated_wire import EmulatedWire

HERE = Path(__file__).resolve().parent
NAME = "condenser-monitor"
MACHINE = ["-machine", "virt", "-cpu", "cortex-a72", "-smp", "1", "-m", "1024", "-nic", "none"]
PI_4 = "0xc03111"  # board revision code as a Pi's firmware writes it
TIMER_HZ = 62_500_000  # of the emulated timer
PINS = dict(zip(FLAGS, (4, 5, 6, 7, 0, 1), strict=True))  # the chip has eight lines; 2 and 3 are the bus on a Pi
YEAR_2000 = "2000-01-01"
TOOLS = {
    "qemu-system-aarch64": "qemu-system-arm",
    "qemu-img": "qemu-utils",
    "qemu-aarch64-static": "qemu-user-static",
    "dtc": "device-tree-compiler",
    "mkfs.ext4": "e2fsprogs",
}
BINFMT = Path("/proc/sys/fs/binfmt_misc")
AFTER_S = 10  # the story ends so long after the last that is expected of it
TRIALS = ("services", "story", "wire", "faults", "package", "bundle", "look")
INSTALLED = ("story", "wire", "faults", "package")
FAULTS = ("absent", "data", "clock", "reset", "noise", "bounce", "year", "full", "longer", "module", "cut")
SOON = "\n[limits.sensor-silent]\nhold_s = 5\nall_clear_s = 5\n"  # a minute and five, in a site file that says nothing


def device_tree(folder: Path, slower: int) -> Path:
    """The machine's own description, with a Pi's revision in it, without the key that would hold a GPIO line, and with
    a timer that says of itself that it is so much faster."""
    raw, text, made = folder / "raw.dtb", folder / "machine.dts", folder / "machine.dtb"
    with_dump = ["-machine", f"virt,dumpdtb={raw}", *MACHINE[2:]]
    _run(["qemu-system-aarch64", *with_dump, "-nographic"])
    _run(["dtc", "-q", "-I", "dtb", "-O", "dts", "-o", str(text), str(raw)])
    source = text.read_text()
    head, _, tail = source.partition("\tgpio-keys {")
    source = head + tail.partition("\n\t};\n")[2]
    source = source.replace("\ttimer {\n", f"\ttimer {{\n\t\tclock-frequency = <{TIMER_HZ * slower}>;\n", 1)
    place = source.index("\tcompatible = ")
    text.write_text(source[:place] + source[place:].replace("\tpsci {", _SYSTEM_NODE + "\tpsci {", 1))
    _run(["dtc", "-q", "-I", "dts", "-O", "dtb", "-o", str(made), str(text)])
    return made


_SYSTEM_NODE = f"\tsystem {{\n\t\tlinux,revision = <{PI_4}>;\n\t}};\n\n"


def initial_disk(system: Path, folder: Path) -> Path:
    """Make what the kernel starts from: the drivers of the disk and its file system, and a shell that goes on to it.
    Debian's own tool would run for minutes under emulation."""
    modules = next((system / "usr/lib/modules").iterdir())
    needs = dict(line.split(":", 1) for line in (modules / "modules.dep").read_text().splitlines())
    order: list[str] = []
    within = {Path(line).stem for line in (modules / "modules.builtin").read_text().splitlines()}
    for name in INITIAL_MODULES:
        if name in within:
            continue
        path = next(path for path in needs if Path(path).name.startswith(f"{name}.ko"))
        order += [one for one in (*reversed(needs[path].split()), path) if one not in order]
    script = "#!/bin/busybox sh\n"
    script += "".join(f"/bin/busybox insmod /{Path(path).name.removesuffix('.xz')}\n" for path in order)
    files = {
        "bin/busybox": (0o100755, (system / "usr/bin/busybox").read_bytes()),
        "init": (0o100755, (script + _GO_ON).encode()),
    }
    for path in order:
        body = (modules / path).read_bytes()
        files[Path(path).name.removesuffix(".xz")] = (0o100644, lzma.decompress(body) if path.endswith(".xz") else body)
    made = folder / "initial.cpio"
    with made.open("wb") as out:
        for name in ("bin", "dev", "proc", "root"):
            _archive(out, name, 0o040755, b"")
        for name, (mode, body) in files.items():
            _archive(out, name, mode, body)
        _archive(out, "TRAILER!!!", 0, b"")
    return made


INITIAL_MODULES = ("virtio_pci", "virtio_blk", "crc32c_generic", "ext4")  # Debian 13's kernel has the first within
_GO_ON = """\
/bin/busybox mount -t devtmpfs dev /dev
while ! /bin/busybox mount -t ext4 /dev/vda /root; do /bin/busybox sleep 0.1; done
/bin/busybox mount -t proc proc /proc
/bin/busybox grep -qE 'trial=(look|wire|faults|after)' /proc/cmdline && exec /bin/busybox switch_root /root /bin/sh -c "
mount -t proc proc /proc; mount -t sysfs sys /sys; mount -t devtmpfs dev /dev; mount -t tmpfs run /run
modprobe -a xhci_pci i2c_tiny_usb i2c_dev; mkdir /run/trial; tar -xf /dev/vdb -C /run/trial; exec /run/trial/try.sh"
exec /bin/busybox switch_root /root /sbin/init
"""


def _archive(out: BinaryIO, name: str, mode: int, body: bytes) -> None:
    """One file of a cpio archive of the kind `newc` (kernel, Documentation/driver-api/early-userspace)."""
    fields = (out.tell() + 1, mode, 0, 0, 1, 0, len(body), 0, 0, 0, 0, len(name) + 1, 0)
    out.write(b"070701" + b"".join(b"%08x" % field for field in fields) + name.encode() + b"\0")
    out.write(bytes(-out.tell() % 4) + body)
    out.write(bytes(-out.tell() % 4))


def disk(system: Path, image: Path) -> None:
    """Make a disk image of SYSTEM that runs a trial at its start."""
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
    rules.write_text(  # as Raspberry Pi OS has it
        'SUBSYSTEM=="gpio", GROUP="gpio", MODE="0660"\nSUBSYSTEM=="i2c-dev", GROUP="i2c", MODE="0660"\n'
    )
    modules = system / "etc/modules-load.d/i2c.conf"
    modules.parent.mkdir(parents=True, exist_ok=True)
    modules.write_text("i2c-dev\n")
    _run(["mkfs.ext4", "-q", "-F", "-d", str(system), str(image), "4G"], timeout_s=600)


_TRY_UNIT = """\
[Unit]
Description=Trial of the installer
After=multi-user.target
[Service]
Type=oneshot
ExecStart=/bin/sh -c 'mkdir -p /run/trial && tar -xf /dev/vdb -C /run/trial && exec /run/trial/try.sh'
StandardOutput=tty
StandardError=tty
TTYPath=/dev/ttyAMA0
TimeoutStartSec=infinity
[Install]
WantedBy=multi-user.target
"""


def lay_out(system: Path, builds: Path, source: Path, site: Path) -> None:
    """Lay the program out in a root directory as install.sh does. Python's environment, user and groups are made in the
    emulator; this machine's pip puts the packages there, and its Python of the same version makes their byte code."""
    opt, etc = system / f"opt/{NAME}", system / f"etc/{NAME}"
    version = next((system / "usr/lib").glob("python3.*")).name
    inside = ["nice", "chroot", str(system), "/usr/bin/env", "-i", "PATH=/usr/sbin:/usr/bin:/sbin:/bin"]
    for group in ("gpio", "i2c"):
        _run([*inside, "groupadd", "--system", "--force", group], timeout_s=600)
    home = ["--home-dir", f"/var/lib/{NAME}", "--no-create-home", "--shell", "/usr/sbin/nologin"]
    _run([*inside, "useradd", "--system", "--user-group", "--groups", "gpio,i2c", *home, NAME], timeout_s=600)
    opt.mkdir(parents=True)
    _run([*inside, "python3", "-m", "venv", "--without-pip", f"/opt/{NAME}/release-1"], timeout_s=600)
    (opt / "current").symlink_to("release-1")

    pip = [sys.executable, "-m", "pip", "--quiet"]
    _run([*pip, "wheel", "--no-deps", "--wheel-dir", str(opt), str(source)], timeout_s=600)
    (wheel,) = opt.glob("*.whl")
    libraries = opt / "release-1/lib" / version / "site-packages"
    where = ["--no-index", "--find-links", str(builds), "--target", str(libraries), "--no-compile"]
    tags = {tag for path in builds.glob("*_aarch64.whl") for tag in path.stem.rpartition("-")[2].split(".")}
    kinds = [f"--platform={one}" for one in sorted(tags)]
    kinds += ["--only-binary=:all:", f"--python-version={version.removeprefix('python')}"]
    _run([*pip, "install", *where, *kinds, f"{wheel}[web,phone,report,completion]", "lgpio"], timeout_s=600)
    wheel.unlink()
    places = [system / "usr/lib" / version, system / "usr/lib/python3/dist-packages", libraries]
    compile_all = ["-m", "compileall", "-q", "-x", "/test/", "-s"]
    own = shutil.which(version) or ""
    if not own or subprocess.run([own, *compile_all, system, *places], check=False, timeout=600).returncode == 127:
        inside_places = [f"/{place.relative_to(system)}" for place in places]  # none here: in the emulator
        subprocess.run([*inside, "python3", *compile_all, "/", *inside_places], check=False, timeout=1200)

    program = opt / f"release-1/bin/{NAME}"
    program.write_text(f"#!/opt/{NAME}/release-1/bin/python\n{_PROGRAM}")
    program.chmod(0o755)
    (system / f"usr/local/bin/{NAME}").symlink_to(f"/opt/{NAME}/current/bin/{NAME}")
    wanted = system / "etc/systemd/system/multi-user.target.wants"
    for unit in (f"{NAME}.service", f"{NAME}-page.service"):
        shutil.copy(HERE / unit, wanted.parent / unit)
        (wanted / unit).symlink_to(f"../{unit}")
    etc.mkdir()
    shutil.copy(site, etc / "site.toml")
    _run([*inside, "chown", "-R", f"root:{NAME}", f"/etc/{NAME}"], timeout_s=600)
    _run([*inside, "chmod", "-R", "u=rwX,g=rX,o=", f"/etc/{NAME}"], timeout_s=600)


def let_run_here() -> None:
    """Have the kernel start ARM programs through the emulator, as Debian's package does where systemd runs."""
    if not (BINFMT / "register").exists():
        _run(["mount", "-t", "binfmt_misc", "none", str(BINFMT)])
    if not (BINFMT / "qemu-aarch64").exists():
        (BINFMT / "register").write_bytes(Path("/usr/lib/binfmt.d/qemu-aarch64.conf").read_bytes())


_PROGRAM = "import sys\nfrom condenser_monitor.monitor.cli import main\nsys.exit(main())\n"


def parcel(args: argparse.Namespace, site: str, folder: Path, *, lasts_s: float) -> Path:
    """What the machine is given: the source, the libraries' builds (unpacked where nothing is installed), packages
    or a bundle, a site file, how long the story lasts and the trial, as a second disk."""
    source, bare = args.source.resolve(), args.trial == "look"
    made = folder / "trial.tar"
    (folder / "site.toml").write_text(site, encoding="utf-8")
    (folder / "lasts").write_text(f"{lasts_s:.0f}\n", encoding="utf-8")

    def wanted(member: tarfile.TarInfo) -> tarfile.TarInfo | None:
        parts = Path(member.name).parts
        skip = any(part.startswith((".git", ".mypy", ".ruff", ".pytest", ".venv", "__pycache__")) for part in parts)
        return None if skip or parts[1:2] == ("tests",) else member

    with tarfile.open(made, "w") as tar:
        tar.add(HERE / "try-system-inside.sh", "try.sh")
        tar.add(folder / "site.toml", "site.toml")
        tar.add(folder / "lasts", "lasts")
        tar.add(source, "source", filter=wanted)
        tar.add(_unpacked(args.builds, folder) if bare else args.builds, "lib" if bare else "builds")
        tar.add(source / "tests/examples/lines_publisher/lines_publisher.py", "lines_publisher.py")
        tar.add(_old_history(source / "tests/monitor/history-0.1.0.sql", folder), "history-0.1.0.db")
        for number, path in enumerate(_packages(args.package, folder), 1):
            tar.add(path, f"packages/{number}.deb")
        if args.bundle is not None:
            shutil.unpack_archive(args.bundle, folder / "bundle", "tar")
            tar.add(folder / "bundle", "bundle")
    return made


def _packages(first: Path | None, folder: Path) -> list[Path]:
    """The package, the same of a higher version, and one of a still higher whose watch ends at once."""
    if first is None:
        return []
    second, third = folder / "2.deb", folder / "3.deb"
    _run([str(HERE / "try-another.sh"), str(first), str(second), "2"], timeout_s=600)
    ends = r"s/^def _run(args.*/&\n    raise SystemExit(5)/"
    _run([str(HERE / "try-another.sh"), str(first), str(third), "3", ends], timeout_s=600)
    return [first, second, third]


def _unpacked(builds: Path, folder: Path) -> Path:
    """Unpack the converter's driver and what it stands on."""
    made = folder / "lib"
    for name in (path for path in builds.glob("*.whl") if path.name.startswith(("adafruit", "msgspec", "typing"))):
        shutil.unpack_archive(name, made, "zip")
    return made


def _old_history(dump: Path, folder: Path) -> Path:
    """Make a database as 0.1.0 left it (tests/monitor/test_upgrade.py has version and mark)."""
    made = folder / "history-0.1.0.db"
    made.unlink(missing_ok=True)
    with closing(sqlite3.connect(made)) as db:
        db.executescript(dump.read_text(encoding="utf-8"))
        db.execute("PRAGMA user_version = 1")
        db.execute(f"PRAGMA application_id = {0x434D6831}")
    return made


def site_file(played: scenario.Scenario) -> str:
    """The site file of the unit outside, with this machine's pins and bus and a broker of its own."""
    settings = msgspec.structs.replace(
        played.settings, site=msgspec.structs.replace(played.settings.site, name="Emulated unit", id="emulated")
    )
    rows = [season.site_file(settings), "\n[boards]\ni2c_bus = 0\n"]
    rows += [f"\n[boards.channels.{name}]\npin = {PINS[name]}\n" for name in settings.fitted if name in PINS]
    rows += [
        f"\n[limits.{finding}]\n" + "".join(f"{key} = {value}\n" for key, value in table.items())
        for finding, table in settings.limits.items()
    ]
    rows.append('\n[mqtt]\nhost = "127.0.0.1"\n')
    return "".join(rows)


def _run(command: list[str], timeout_s: float = 60) -> None:
    """Run it, silently. Raises RuntimeError with the end of what it said where it fails."""
    done = subprocess.run(command, check=False, timeout=timeout_s, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    if done.returncode:
        said = done.stdout.decode(errors="replace")[-2000:]
        raise RuntimeError(f"{' '.join(command)}: exit status {done.returncode}\n{said}")


class Lines:
    """Moves the GPIO chip's lines from outside, over the emulator's test protocol, from any thread."""

    def __init__(self, monitor: Path, test: Path) -> None:
        self._lock = threading.Lock()
        self._test = _connect(test)
        self._chip = _find_chip(_connect(monitor))

    def set(self, line: int, high: bool) -> None:
        with self._lock:
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


class _Outside:
    """What the machine asks for on its console: `TRY WORD ...`. Everything else that it says after TRY is kept."""

    def __init__(self, wire: EmulatedWire, lines: Lines, machine: subprocess.Popen[str]) -> None:
        self._wire, self._lines, self._machine = wire, lines, machine
        self._reads = (0, 0.0)
        self.said: list[str] = []

    def hear(self, words: list[str]) -> None:
        """One line of the console after TRY."""
        wire = self._wire
        match words:
            case ["line", line, level]:
                self._lines.set(int(line), level == "1")
            case ["begin"]:
                wire.begin()
            case ["call", level]:
                wire.call(wanted=level == "1")
            case ["break", cause, *rest]:
                wire.switch(cause, float(rest[0]) if rest else None, rest[1] if rest[1:] else "")
            case ["mend", cause, *rest]:
                wire.switch(cause, 0, rest[0] if rest else "")
            case ["absent", *addresses]:
                wire.absent = {int(address, 16) for address in addresses}
            case ["held", *line]:
                wire.held = line[0] if line else ""
            case ["noise", share]:
                wire.noise = float(share)
            case ["restart-chips"]:
                wire.restart_chips()
            case ["bounce", reading, times, every_ms]:
                threading.Thread(target=wire.bounce, args=(reading, int(times), float(every_ms) / 1000)).start()
            case ["reads"]:
                before, at_s = self._reads
                self._reads = (wire.reads, wire.now_s())
                if at_s:
                    rate = (wire.reads - before) / (wire.now_s() - at_s)
                    self.said.append(f"reads {rate:.0f} a second of the machine's")
            case ["cut"]:
                self._machine.kill()
            case _:
                story_s = wire.story_s
                self.said.append(("" if story_s is None else f"{story_s:.1f} s: ") + " ".join(words))


def boot(args: argparse.Namespace, trial: str, drives: list[str], folder: Path, played: scenario.Scenario) -> list[str]:
    """Run the machine until it powers off; the TRY lines it said."""
    kernel = next((args.system / "boot").glob("vmlinuz-*"))
    initrd = initial_disk(args.system, folder)
    tree = device_tree(folder, args.slower)
    monitor, test, bus, pages = folder / "monitor", folder / "test", folder / "bus", folder / "pages"
    for place in (monitor, test, bus):
        place.unlink(missing_ok=True)
    clock = YEAR_2000 if trial == "services" else time.strftime("%FT%T", time.gmtime())
    command = ["qemu-system-aarch64", *MACHINE, "-nographic", "-dtb", str(tree), "-rtc", f"base={clock}"]
    append = f"root=/dev/vda rw console=ttyAMA0 quiet trial={trial} only={args.only}"
    command += ["-kernel", str(kernel), "-initrd", str(initrd), "-append", append]
    for drive in drives:
        command += ["-drive", drive]
    command += ["-accel", "tcg", "-device", "qemu-xhci"]
    command += ["-chardev", f"socket,id=bus,path={bus}", "-device", "usb-redir,chardev=bus"]
    command += ["-device", "virtio-serial-pci", "-chardev", f"file,id=pages,path={pages}"]
    command += ["-device", "virtserialport,name=pages,chardev=pages"]
    command += ["-qmp", f"unix:{monitor},server=on,wait=off", "-qtest", f"unix:{test},server=on,wait=off"]
    command += ["-qtest-log", "none", "-serial", "stdio", "-monitor", "none"]
    lines: list[Lines] = []
    waiting: dict[str, bool] = {}

    def put(reading: str, high: bool) -> None:
        if lines:
            lines[0].set(PINS[reading], high)
        else:
            waiting[reading] = high

    with EmulatedWire(played, put, slower=args.slower) as wire:
        wire.serve(bus)
        with subprocess.Popen(
            ["nice", "-n", str(args.niceness - os.nice(0)), *command],
            stdout=subprocess.PIPE,
            text=True,
            errors="replace",
        ) as machine:
            try:
                lines.append(Lines(monitor, test))
                for reading, high in waiting.items():
                    put(reading, high)
                outside = _Outside(wire, lines[0], machine)
                _listen(machine, outside, wire, time.monotonic() + args.limit)
            finally:
                machine.kill()
        if args.pages:
            keep_pages(pages, args.pages)
        return outside.said


def keep_pages(sent: Path, into: Path) -> None:
    """Write each page that the machine sent (try-inside.py: a JSON line of title and HTML) as a file of its own."""
    into.mkdir(parents=True, exist_ok=True)
    for number, row in enumerate(sent.read_text(encoding="utf-8").splitlines(), 1):
        title, text = json.loads(row)
        (into / f"{number}-{title}.html").write_text(text, encoding="utf-8")


def _listen(machine: subprocess.Popen[str], outside: _Outside, wire: EmulatedWire, until: float) -> None:
    """Read the console until the machine is off or its time is over."""
    assert machine.stdout is not None
    for text in machine.stdout:
        at_s = wire.story_s
        print(f"{'' if at_s is None else f'{at_s:7.1f} '}{text.rstrip()}", flush=True)
        words = text.split()
        if "TRY" in words:
            outside.hear(words[words.index("TRY") + 1 :])
        if time.monotonic() > until:
            outside.said.append("FAILED it took too long")
            return


def main() -> int:
    """Do what the arguments say."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("system", type=Path)
    parser.add_argument("builds", type=Path)
    parser.add_argument("--source", type=Path, default=HERE.parents[1])
    parser.add_argument("--trial", choices=TRIALS, default="services")
    parser.add_argument("--image", type=Path, help="a disk with the program installed; made where it is missing")
    parser.add_argument("--scenario", help="what happens to the unit (the trial's own, where not given)")
    parser.add_argument("--only", default=",".join(FAULTS), metavar="FAULT,...", help="of the trial of faults")
    parser.add_argument("--slower", type=int, default=1, metavar="K", help="the machine's clock, by this factor")
    parser.add_argument("--package", type=Path, help="a Debian package for the machine")
    parser.add_argument("--bundle", type=Path, help="a bundle for the machine")
    parser.add_argument("--pages", type=Path, metavar="FOLDER", help="keep there what the page showed")
    parser.add_argument("--niceness", type=int, default=15, metavar="N", help="of the emulator")
    parser.add_argument("--limit", type=float, default=5400, metavar="S")
    args = parser.parse_args()
    args.scenario = args.scenario or (HERE / "try-wire.toml" if args.trial == "wire" else "story")
    if unknown := set(args.only.split(",")) - set(FAULTS):
        parser.error(f"--only {','.join(sorted(unknown))}: no such fault; there are {', '.join(FAULTS)}")
    for kind in ("package", "bundle"):
        if (args.trial == kind) != (getattr(args, kind) is not None):
            parser.error(f"--trial {kind} goes with --{kind} FILE")
    if missing := [package for tool, package in TOOLS.items() if not shutil.which(tool)]:
        parser.error(f"tools are missing: apt-get install {' '.join(missing)}")
    with tempfile.TemporaryDirectory(prefix="try-system-") as name:
        trial = _Trial(args, Path(name))
        said = trial.run()
    print("\n" + "\n".join(said))
    return 0 if passed(said) else 1


def passed(said: list[str]) -> bool:
    """Whether the trial came to its end and nothing failed. What a slow listener says may come after the end."""
    return any(line.endswith("ok end") for line in said) and not any("FAILED" in line for line in said)


class _Trial:
    """One run of the command: the disks it needs, and the machine on them."""

    def __init__(self, args: argparse.Namespace, folder: Path) -> None:
        self._args, self._folder = args, folder
        self._played = scenario.load(args.scenario)
        site = site_file(self._played) + (SOON if args.trial == "faults" else "")
        last_s = max((one.cleared_by_s or one.before_s for one in self._played.expect), default=0.0)
        given = parcel(args, site, folder, lasts_s=last_s + AFTER_S)
        self._second = f"file={given},format=raw,if=virtio,readonly=on"

    def run(self) -> list[str]:
        """What was said."""
        args, image = self._args, self._args.image or self._folder / "disk.img"
        if args.trial not in INSTALLED:
            disk(args.system, image)
            return self._boot(args.trial, image, "raw")
        if not image.exists():
            system = self._folder / "system"
            _run(["cp", "-ax", str(args.system), str(system)], timeout_s=600)
            let_run_here()
            lay_out(system, args.builds, args.source.resolve(), self._folder / "site.toml")
            disk(system, image)
            shutil.rmtree(system)
        over = self._folder / "over.qcow2"
        _run(["qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw", "-b", str(image.resolve()), str(over)])
        said = self._boot(args.trial, over, "qcow2")
        if args.trial == "faults" and "cut" in args.only.split(","):
            said += self._boot("after", over, "qcow2")
        if args.trial in {"story", "wire"}:
            said.insert(-1, f"{'ok' if self._in_order(said) else 'FAILED'} each finding told, in order")
        if args.trial == "story":
            said.insert(-1, f"{'ok' if self._on_the_page(said) else 'FAILED'} the page changed with each finding")
        return said

    def _on_the_page(self, said: list[str]) -> bool:
        """Whether the page had another headline after each expected finding was raised and before the next one was."""
        wanted = {one.finding for one in self._played.expect}
        since: list[int] = []
        for line in said:
            match line.split()[2:]:
                case ["told", "raised", finding, *_] if finding in wanted:
                    since.append(0)
                case ["page", *_] if since:
                    since[-1] += 1
        return len(since) >= len(wanted) and all(since)

    def _in_order(self, said: list[str]) -> bool:
        """Whether the scenario's findings were raised as it expects them, one after the other."""
        raised = [words[4] for line in said if (words := line.split())[2:4] == ["told", "raised"]]
        rest = iter(raised)
        return all(wanted.finding in rest for wanted in self._played.expect)

    def _boot(self, trial: str, image: Path, kind: str) -> list[str]:
        first = f"file={image},format={kind},if=virtio,cache=unsafe"
        return boot(self._args, trial, [first, self._second], self._folder, self._played)


if __name__ == "__main__":
    sys.exit(main())
