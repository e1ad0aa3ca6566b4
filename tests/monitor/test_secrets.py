"""Every file that holds a secret: refused when others may read it, made so that nobody else ever could.

The way a system hands out credentials (root's, mode 440, in a folder closed to all but the service) is that of
systemd.exec(5), CREDENTIALS; `/etc/condenser-monitor` is made in the same way by hardware/install/install.sh.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import (
    BrokerError,
    CondenserError,
    HistoryError,
    SiteError,
)
from condenser_monitor.monitor.fleet import init
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.private_file import exposed, write_private
from condenser_monitor.monitor.publishers.broker import read_password
from condenser_monitor.monitor.publishers.phone import addresses
from condenser_monitor.monitor.report.share import Shares
from condenser_monitor.monitor.storage.history import History
from condenser_monitor.web.access import Access
from tests.monitor.edge_tools import MEMORY, change, status

ROOT = Path(__file__).parents[2]


def _access(path: Path) -> None:
    Access(path).token_right("none")


# what holds a secret -> (the file's name, what is in it, how it is read, the error)
SECRETS: dict[str, tuple[str, bytes | None, Callable[[Path], object], type[CondenserError]]] = {
    "password on the broker, a unit's and the office's": (
        "p",
        b"secret\n",
        lambda path: read_password(str(path)),
        BrokerError,
    ),
    "phone addresses": ("p", b"json://one\n", lambda path: addresses(config.Notify(urls_file=str(path))), SiteError),
    "password and tokens of the page": ("p", None, _access, HistoryError),
    "share codes": (
        "h.db.shares.json",
        b"[]",
        lambda path: Shares(path.with_name("h.db")).standing(0.0),
        HistoryError,
    ),
}


def _laid(folder: Path, name: str, content: bytes | None, mode: int) -> Path:
    path = folder / name
    if content is None:
        Access(path)  # it makes its own
    else:
        write_private(path, content)
    path.chmod(mode)
    return path


@pytest.mark.parametrize("secret", SECRETS)
@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o660, 0o622, 0o666, 0o777])
def test_a_secret_that_others_may_read_is_refused(secret: str, mode: int, tmp_path: Path) -> None:
    """The error says the file, the mode found, and the command that mends it; after that command it is taken."""
    name, content, read, error = SECRETS[secret]
    folder = tmp_path / "open"
    folder.mkdir()
    folder.chmod(0o755)
    path = _laid(folder, name, content, mode)
    with pytest.raises(error, match=f"mode {mode:03o}") as refused:
        read(path)
    assert str(path) in refused.value.place
    command = re.search(r"chmod (\d+) (\S+)$", refused.value.allowed)
    assert command is not None
    assert command[2] == str(path)
    path.chmod(int(command[1], 8))
    read(path)


@pytest.mark.parametrize("secret", SECRETS)
@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_a_secret_that_is_kept_is_taken(secret: str, mode: int, tmp_path: Path) -> None:
    """Readable by its owner only, written by hand or by a system that gives out credentials."""
    name, content, read, _ = SECRETS[secret]
    read(_laid(tmp_path, name, content, mode))


@pytest.mark.parametrize(
    ("owner", "mode", "folder_mode", "fine"),
    [
        (0, 0o440, 0o500, True),  # as systemd gives a credential
        (0, 0o640, 0o750, True),  # as install.sh makes the site file and its folder
        (0, 0o440, 0o755, False),
        (0, 0o640, 0o751, False),
        (0, 0o660, 0o750, False),
        (0, 0o444, 0o500, False),
        (1000, 0o440, 0o500, False),
        (1000, 0o600, 0o755, True),
    ],
)
def test_a_group_may_read_only_what_root_handed_to_it(
    owner: int, mode: int, folder_mode: int, fine: bool, tmp_path: Path
) -> None:
    """Root's own file in a folder that is closed to all others, and nothing else."""
    folder = tmp_path / "folder"
    folder.mkdir()
    folder.chmod(folder_mode)
    try:
        found = os.stat_result((stat.S_IFREG | mode, 1, 1, 1, owner, 50, 10, 0, 0, 0))
        assert (exposed(folder / "secret", found) == "") is fine
    finally:
        folder.chmod(0o700)


def test_the_installer_makes_what_is_taken() -> None:
    """install.sh gives its folder mode 750 and its site file mode 640, root's and the service's group's: a secret
    beside it with the same rights is read."""
    text = (ROOT / "hardware" / "install" / "install.sh").read_text()
    assert 'chown root:"$NAME" "$ETC" "$ETC/site.toml"' in text
    assert 'chmod 0750 "$ETC"' in text
    assert 'chmod 0640 "$ETC/site.toml"' in text
    assert "UMask=0077" in (ROOT / "hardware" / "install" / "condenser-monitor.service").read_text()


@pytest.fixture
def loose() -> Iterator[None]:
    """The loosest umask there is, as a careless shell has it."""
    before = os.umask(0)
    try:
        yield
    finally:
        os.umask(before)


def _open_now(folder: Path) -> list[str]:
    return [
        f"{path.relative_to(folder)} {stat.S_IMODE(path.stat().st_mode):03o}"
        for path in folder.rglob("*")
        if path.is_file() and path.stat().st_mode & 0o077
    ]


@pytest.mark.usefixtures("loose")
def test_what_a_monitor_makes_is_closed_from_the_first_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """History, its log and lock, the live file, access, share codes: each time any file is opened, none that exists is
    open to others; the live folder is closed too."""
    keep = config.HistorySettings(file=str(tmp_path / "h.db"), live_dir=str(tmp_path / "live"))
    seen: list[str] = []
    real = os.open

    def watched(*given: object, **more: object) -> int:
        handle: int = real(*given, **more)  # type: ignore[arg-type]
        seen.extend(_open_now(tmp_path))
        return handle

    monkeypatch.setattr(os, "open", watched)
    with History(keep.file, owner=True, keep=keep) as history:
        history.step(now_s=1.0, wall_s=1.0, status=status(1.0), memory=lambda: MEMORY, events=[change()])
        Access(tmp_path / "access.json").set_password("a long one of ours")
        Shares(tmp_path / "h.db").make("Sam", wall_s=1e9)
        seen.extend(_open_now(tmp_path))
        names = {path.name for path in tmp_path.rglob("*")}
    assert seen == []
    assert {"h.db", "h.db-wal", "h.db-shm", "h.db.lock", "access.json", "h.db.shares.json"} <= names
    assert stat.S_IMODE((tmp_path / "live").stat().st_mode) == 0o700


@pytest.mark.usefixtures("loose")
def test_what_an_office_makes_of_secrets_is_closed(tmp_path: Path) -> None:
    """The database and what SQLite puts beside it, and the office's password. The broker's own files hold hashes and
    are read by the broker's group."""
    init.begin(str(tmp_path / "office"))
    store = Store(f"sqlite:///{tmp_path}/office/fleet.db")
    with store.read():
        found = [line for line in _open_now(tmp_path) if "fleet.db" in line or "fleet.password" in line]
    store.close()
    assert found == []
    assert (tmp_path / "office" / "fleet.password").exists()
