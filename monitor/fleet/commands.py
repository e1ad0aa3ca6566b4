"""(edge) What `condenser-monitor fleet ...` does, as plain functions: settings and words in, words out.

monitor/commands/contractor.py joins these to the command line.
"""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import msgspec

from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.fleet import (
    copy_database,
    enroll,
    health,
    on_call,
    people,
    privacy,
    queries,
    retention,
    tenants,
    webhooks,
)
from condenser_monitor.monitor.fleet import customers as customer_list
from condenser_monitor.monitor.fleet.days import office_day
from condenser_monitor.monitor.fleet.ingest import Worker, spare_collector
from condenser_monitor.monitor.fleet.people import Role, Viewer
from condenser_monitor.monitor.fleet.setup import FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.private_file import write_private
from condenser_monitor.monitor.service import logs
from condenser_monitor.monitor.strings import texts

SHELL = "the command line"
_WHOLE = Viewer(id=0, login=SHELL, name=SHELL, role=Role.OWNER)


def opened(settings: FleetSettings) -> Store:
    """The fleet's database, of the right version. Raises DatabaseError."""
    store = Store(settings.database.url)
    store.check()
    return store


def migrate(settings: FleetSettings) -> str:
    """Make the database, or bring it to this version."""
    store = Store(settings.database.url)
    store.migrate()
    retention.ensure_months(store, retention.coming_months(time.time()))
    return f"{store.place} is of the newest version"


def ingest(settings: FleetSettings) -> None:
    """Work as one ingest process until SIGTERM or SIGINT; what is worth knowing goes to standard error."""
    logs.set_up()
    stops: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda got, _frame: stops.append(got))
    worker = Worker(settings, opened(settings))
    spare_collector()
    worker.run(lambda: bool(stops))


def enroll_site(settings: FleetSettings, site: str, *, to: str = "", **about: Any) -> str:
    """Enrol a site; what to put on its Pi, or with `to` where that has been written. Columns of `sites` may be given
    by name; empty ones are left out."""
    store = opened(settings)
    kept = customer_list.checked(about)
    made = enroll.enroll(store, site, broker=settings.broker, by=_who(), now=time.time(), **kept)
    return _handed_out(settings, store, made, to)


def renew_site(settings: FleetSettings, site: str, *, to: str = "") -> str:
    """A new password for a site."""
    store = opened(settings)
    made = enroll.renew(store, site, broker=settings.broker, by=_who(), now=time.time())
    return _handed_out(settings, store, made, to)


def customers(settings: FleetSettings, file: str, *, to: str, columns: Sequence[str] = ()) -> str:
    """Take over a list of customers (CSV): new sites are enrolled, what is known of the others is changed. `columns`
    are OURS=THEIRS, for a list with names of its own."""
    store = opened(settings)
    pairs = [text.partition("=") for text in columns]
    rows = customer_list.read(Path(file), {theirs: ours for ours, _, theirs in pairs})
    _can_write(Path(to))  # before anybody is enrolled whose password could not be handed out
    made, changed = customer_list.enroll_rows(store, rows, broker=settings.broker, by=_who(), now=time.time())
    for one in made:
        _written(settings, one, Path(to))
    said = f"; {to} holds what belongs on their Pis" if made else ""
    return f"{len(made)} enrolled, {changed} changed{said}. {enroll.update_broker(store, settings.broker)}"


def customer_csv(settings: FleetSettings, *, columns: Sequence[str] = ()) -> str:
    """The list of customers as CSV, as `customers` takes it; `columns` are OURS=THEIRS."""
    pairs = [text.partition("=") for text in columns]
    return "".join(customer_list.lines(opened(settings), {ours: theirs for ours, _, theirs in pairs})).rstrip()


def copy_from(settings: FleetSettings, url: str) -> str:
    """Take over everything from another database."""
    copied = copy_database.copy(Store(url), opened(settings))
    return ", ".join(f"{table}: {count}" for table, count in copied.items() if count)


def check(settings: FleetSettings) -> tuple[str, int]:
    """What there is, a line each, then what is wrong; the exit status, 1 where something is."""
    store = opened(settings)
    found = health.health(store, settings, time.time())
    fresh, broker = found.fresh, settings.broker
    takes = f"takes {broker.username}" if not found.broker else "does not let the fleet in"
    newest = "nothing yet" if fresh.heard_at is None else texts.span(time.time() - fresh.heard_at) + " ago"
    lines = [
        f"database: {store.place}, {fresh.sites} sites enrolled",
        f"broker: {broker.host}:{broker.port} {takes}",
        f"ingest: {fresh.workers} {'worker' if fresh.workers == 1 else 'workers'} at work, newest message {newest}",
        f"silent: {fresh.silent} of {fresh.sites} monitors",
        f"missing: messages of {found.holes} {'site' if found.holes == 1 else 'sites'}, asked for again",
        f"set aside: {found.asides} messages",
    ]
    lines += [f"disk: {found.free_mb:.0f} MB free"] if found.free_mb is not None else []
    lines += [f"certificate: {found.certificate_days:.0f} days left"] if found.certificate_days is not None else []
    lines += [f"PROBLEM: {problem}" for problem in found.problems]
    return "\n".join(lines), 1 if found.problems else 0


def try_on_call(settings: FleetSettings, say: Callable[[str], object]) -> int:
    """Send a test message to each address of whoever is on call; the exit status."""
    return on_call.try_addresses(settings, say)


def add_token(settings: FleetSettings, name: str, scopes: str, branch: str = "") -> str:
    """A token for a program, shown this once."""
    made = people.add_token(opened(settings), name, scopes.split(), branch=branch, by=_who(), now=time.time())
    return f"# shown this once; send it as `Authorization: Bearer TOKEN`\n{made}"


def drop_token(settings: FleetSettings, name: str) -> str:
    """End a program's token."""
    people.drop_token(opened(settings), name, by=_who(), now=time.time())
    return f"{name} opens nothing any more"


def list_webhooks(settings: FleetSettings) -> str:
    """All receivers of webhooks and how each does, a line each; never a secret."""
    with opened(settings).read() as connection:
        rows = webhooks.listed(connection)
    lines = []
    for row in rows:
        taken = "nothing yet" if row.delivered_at is None else texts.span(time.time() - row.delivered_at) + " ago"
        how = row.how if row.off_at is None else f"off: {row.how}"
        lines.append(f"{row.name}: {row.url}; {row.events}; {row.waiting} waiting, last delivered {taken}; {how}")
    return "\n".join(lines) or "no webhooks; `add-webhook NAME URL` makes one"


def add_webhook(settings: FleetSettings, name: str, url: str, events: str, branch: str = "") -> str:
    """A receiver of webhooks; its secret, shown this once."""
    made = webhooks.add(opened(settings), name, url, events.split(), branch=branch, by=_who(), now=time.time())
    return f"# shown this once; the receiver checks `webhook-signature` with it\n{made}"


def drop_webhook(settings: FleetSettings, name: str) -> str:
    """End a receiver, and what waits for it."""
    webhooks.drop(opened(settings), name, by=_who(), now=time.time())
    return f"{name} is told nothing any more"


def resume_webhook(settings: FleetSettings, name: str, *, skip: bool) -> str:
    """Try a receiver again, from the first message that waits or, with `skip`, from the second."""
    webhooks.resume(opened(settings), name, by=_who(), now=time.time(), skip=skip)
    return f"{name} is tried again, with a `ping` behind what waits"


def change_tenant(settings: FleetSettings, site: str, customer: str, *, phone: str, plan: str, number: str = "") -> str:
    """Another customer lives there from now on, a new one or one whom the office knows."""
    given = {"customer": customer, "phone": phone, "plan": plan, "number": number}
    store, about = opened(settings), dict.fromkeys(given, "") | customer_list.checked(given)
    with store.write() as connection:
        changed = tenants.change(connection, _WHOLE, site, **about, now=time.time())
    return f"{', '.join(changed)}: {customer} from now on; `export SITE-ID --tenant N` has the time of those before"


def list_tenants(settings: FleetSettings, site: str) -> str:
    """Who has lived at a site, a line each, the present customer first."""
    with opened(settings).read() as connection:
        lived = tenants.of_site(connection, queries.site_id(connection, _WHOLE, site))
    days = [[office_day(one.from_at), "now" if one.to_at is None else office_day(one.to_at)] for one in lived]
    return "\n".join(
        f"{'present' if one.number is None else one.number}: {one.customer or '(no name)'}, customer {one.customer_id},"
        f" {' to '.join(when)}"
        for one, when in zip(lived, days, strict=True)
    )


def export(settings: FleetSettings, site: str | None, *, tenant: int | None = None, customer: int | None = None) -> str:
    """Everything that is held of a site and its people, or of a customer at all their sites, as JSON."""
    store, held = opened(settings), dict[str, Any]()
    if customer is not None:
        held = privacy.export_customer(store, _alone(site, tenant, customer))
    else:
        held = privacy.export(store, _named(site), tenant)
    return msgspec.json.format(msgspec.json.encode(held), indent=1).decode()


def erase(settings: FleetSettings, site: str | None, *, tenant: int | None = None, customer: int | None = None) -> str:
    """Remove a site and everything that is held of it, for good; or a former tenant only; or a customer everywhere."""
    store = opened(settings)
    if customer is not None:
        homes = privacy.erase_customer(store, _alone(site, tenant, customer), by=_who(), now=time.time())
        lived = f", and their monitors are shut out: {', '.join(homes)}" if homes else ""
        told = enroll.update_broker(store, settings.broker) if homes else ""
        return f"customer {customer} is erased{lived}. Backups still hold them. {told}".rstrip()
    site = _named(site)
    if tenant is not None:
        gone = privacy.erase_tenant(store, site, tenant, by=_who(), now=time.time())
        return f"tenant {tenant} of {site} is erased: {gone} rows. Backups still hold them."
    gone = privacy.erase(store, site, by=_who(), now=time.time())
    return f"{site} is erased: {gone} rows. Backups still hold it. {enroll.update_broker(store, settings.broker)}"


def _named(site: str | None) -> str:
    if site is None:
        raise CommandError("SITE-ID", "nothing", "a site, or a customer by `--customer N`")
    return site


def _alone(site: str | None, tenant: int | None, customer: int) -> int:
    if site is not None or tenant is not None:
        raise CommandError("--customer", customer, "without SITE-ID and --tenant: it means all of a customer's sites")
    return customer


def revoke_site(settings: FleetSettings, site: str) -> str:
    """End a site's right to the broker."""
    store = opened(settings)
    enroll.revoke(store, site, by=_who(), now=time.time())
    return f"{site} is revoked. {enroll.update_broker(store, settings.broker)}"


def own_credential(settings: FleetSettings) -> str:
    """A new password for the fleet's own account, written to the password file of the fleet file."""
    if not settings.broker.password_file:
        raise CommandError("broker.password_file", "", "the path of a file to write the password to")
    store = opened(settings)
    path = Path(settings.broker.password_file)
    enroll.write_own_password(store, path)
    told = enroll.update_broker(store, settings.broker)
    return f"{path} holds the new password of {settings.broker.username}. {told}"


def broker_files(settings: FleetSettings, *, reload: bool = True) -> str:
    """Write the broker's password and ACL files again, and have it read them again."""
    return enroll.update_broker(opened(settings), settings.broker, reload=reload)


def broker_config(settings: FleetSettings) -> str:
    """Lines for an existing mosquitto.conf: who may come in, and that nothing queued is thrown away."""
    return enroll.broker_config(Path(settings.broker.files or "/etc/mosquitto/condenser"))


def nameplate(site_file: str) -> dict[str, Any]:
    """The [unit] table of a site file, as the fleet keeps it."""
    kept: dict[str, Any] = msgspec.to_builtins(config.load(site_file).unit)
    return kept


def add_user(settings: FleetSettings, login: str, password: str, *, name: str, role: str, branch: str) -> str:
    """A new person of the office."""
    if role not in list(Role):
        raise CommandError("role", role, " or ".join(Role))
    people.add_user(opened(settings), login, name, Role(role), password, branch=branch, by=_who(), now=time.time())
    return f"{login} may sign in as {role}" + (f" of the branch {branch}" if branch else "")


def set_password(settings: FleetSettings, login: str, password: str) -> str:
    """A new password for a person."""
    people.set_password(opened(settings), login, password, by=_who(), now=time.time())
    return f"{login} has a new password and is signed out everywhere"


def tidy(settings: FleetSettings) -> str:
    """Drop what is past its time; the first ingest worker does so every day by itself."""
    gone = retention.tidy(opened(settings), time.time())
    return ", ".join(f"{table}: {count} gone" for table, count in gone.items())


def _handed_out(settings: FleetSettings, store: Store, made: enroll.Enrolment, folder: str) -> str:
    said = enroll.update_broker(store, settings.broker)
    if folder:
        return f"{_written(settings, made, Path(folder))}. {said}"
    return (
        f"# {said}\n# The password of {made.site}, shown this once; it belongs into the file named below, mode 600:\n"
        f"# {made.password}\n\n{made.site_file}"
    )


def _can_write(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise CommandError("--to", str(folder), f"a folder to write to ({error.strerror})") from None


def _written(settings: FleetSettings, made: enroll.Enrolment, folder: Path) -> str:
    """Leave what a site is handed in files: its part of the site file, its password, the broker's authority."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        write_private(folder / f"{made.site}.password", f"{made.password}\n".encode())
        (folder / f"{made.site}.toml").write_text(made.site_file, encoding="utf-8")
        holds = [f"{made.site}.toml", f"{made.site}.password"]
        if settings.broker.ca_file:
            holds.append(Path(enroll.SITE_CA).name)
            shutil.copy(settings.broker.ca_file, folder / Path(enroll.SITE_CA).name)
    except OSError as error:
        allowed = f"a folder to write to ({error.strerror}); then `renew {made.site}` makes a new password"
        raise CommandError("--to", str(folder), allowed) from None
    return f"{folder} holds {', '.join(holds)} for its Pi"


def _who() -> str:
    return f"{os.environ.get('SUDO_USER') or os.environ.get('USER') or 'somebody'} at {SHELL}"
