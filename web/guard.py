"""The guard at the door: who may open which route, cross-site forgery, headers. `Guard` is the office's too.

On loopback the page is open; anywhere else the owner's password is asked, set on first use. Everything is closed unless
it is named in OPEN, so a new route is closed until somebody decides otherwise. Behind a reverse proxy
(`[web] proxy = true`) every request seems to come from this machine: then nothing is taken for loopback.
"""

from __future__ import annotations

import hmac
import secrets
from ipaddress import ip_address
from urllib.parse import urlsplit

from flask import Flask, Response, abort, g, redirect, request, session, url_for
from werkzeug.wrappers import Response as AnyResponse

from condenser_monitor.monitor.hosts import is_loopback, is_loopback_number, is_number
from condenser_monitor.monitor.publishers.answer_links import page_address
from condenser_monitor.monitor.report.share import Share
from condenser_monitor.web.context import page_context
from condenser_monitor.web.peer import is_person
from condenser_monitor.web.template_strings import t

# endpoints that anybody may reach: nothing of the unit is in them
OPEN = frozenset(
    {
        "static",
        "door.login",
        "door.setup",
        "shell.alive",
        "shell.manifest",
        "shell.worker",
        "shell.offline",
        "shell.icon",
        "shell.report_style",
        "share.enter",
        "share.close",
        "answer.asked",  # the link's own signature is the right
        "answer.given",
    }
)
# endpoints for who has opened a share, and for nobody else
SHARED = frozenset({"share.shared", "share.shared_file"})
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
SIGN = "sign"  # in the session: what it is known by when it is signed out
TECHNICIAN = "technician"  # in the session: name and moment of making of the code by which a technician signed in
SHARE = "share"  # in the session: name and moment of making of the share that was opened
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
# Names that only the network of a house gives out: RFC 6762, RFC 8375, ICANN's reservation of 2024, common practice.
_HOUSE = (".local", ".home.arpa", ".internal", ".lan")
_FORWARDED = ("forwarded", "x-real-ip", "x-client-ip", "via")  # and whatever begins with x-forwarded, x-original
_FORWARDED_BEGIN = ("x-forwarded", "x-original")
_OPENED = ("document", "empty")
FORM_FIELD = "csrf"


class Guard:
    """What stands before every request, of a unit's page and of the office alike: foreign pages, who may, forged forms,
    headers. Everything is closed that is not named in `public`, so a new route is closed until somebody decides."""

    public: frozenset[str]
    cached: frozenset[str] = frozenset({"static"})  # endpoints whose answers never change
    otherwise = "no-store"  # for caches, of all other answers

    def install(self, app: Flask) -> None:
        """Put the guard before every request and the headers behind it."""
        app.before_request(self.admit)
        app.after_request(self.add_headers)
        app.jinja_env.globals["csrf"] = self.form_token

    def admit(self) -> AnyResponse | None:
        """Refuse, send to the sign-in, or let through (None)."""
        self.arrive()
        endpoint = request.endpoint
        if is_foreign() and (endpoint not in self.public or request.method not in SAFE):
            abort(403, t("foreign-page"))
        answer = self.decide(endpoint)
        if answer is not None:
            return answer
        if request.method not in SAFE and not g.get("program") and endpoint is not None:
            self.check_form()
        return None

    def arrive(self) -> None:
        """Look at who comes, before anything is decided."""

    def decide(self, endpoint: str | None) -> AnyResponse | None:
        """Let through (None) or not; sets `g.program` for who has shown a token, and needs no form's."""
        raise NotImplementedError

    def login_endpoint(self) -> str:
        """Return where to sign in."""
        return "door.login"

    def away(self) -> AnyResponse:
        """Send to the sign-in, and back from there; programs and forms are refused (401)."""
        if request.method != "GET" or request.accept_mimetypes.best == "application/json":
            abort(401)
        return redirect(url_for(self.login_endpoint(), next=request.full_path.rstrip("?")))

    def kept_token(self) -> str:
        """Return the token that the session's forms carry; "" where there is none."""
        raise NotImplementedError

    def form_token(self) -> str:
        """Return the token for a form, a new one where there is none."""
        raise NotImplementedError

    def check_form(self) -> None:
        """Refuse (400) a change that was not made by one of our own forms."""
        kept = self.kept_token()
        given = request.form.get(FORM_FIELD, "") or request.headers.get("X-CSRF-Token", "")
        if not kept or not hmac.compare_digest(kept.encode(), given.encode()):
            abort(400, t("form-old"))

    def add_headers(self, response: Response) -> Response:
        """Add the headers of every answer; only what never changes may be kept by a cache."""
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        if request.endpoint not in self.cached:
            response.headers.setdefault("Cache-Control", "no-store" if request.method != "GET" else self.otherwise)
        return response


def is_own(target: str) -> bool:
    """Whether a place to go on to is one of our own pages, and not somebody else's."""
    parts = urlsplit(target)
    return target.startswith("/") and not target.startswith(("//", "/\\")) and not parts.scheme and not parts.netloc


# ---------------------------------------------------------------- who may, at a unit's page


class PageGuard(Guard):
    """The guard of a unit's page."""

    public = OPEN
    cached = frozenset({"static", "shell.icon", "shell.offline", "shell.report_style"})
    otherwise = "no-cache, private"

    def decide(self, endpoint: str | None) -> AnyResponse | None:
        if endpoint == "door.setup" and not (is_house_name() and is_house_address()):
            abort(403, t("set-by-number"))
        if endpoint is None:
            return None if may() else self.away()
        if endpoint.startswith("api."):
            g.program = _is_program()
            return None
        if endpoint in SHARED:
            return None if held_share() is not None else redirect(url_for("share.enter"))
        return None if endpoint in OPEN or may() else self.away()

    def login_endpoint(self) -> str:
        return "door.login" if page_context().access.has_password else "door.setup"

    def kept_token(self) -> str:
        return str(session.get(FORM_FIELD, ""))

    def form_token(self) -> str:
        if FORM_FIELD not in session:
            session[FORM_FIELD] = secrets.token_urlsafe(24)
        return str(session[FORM_FIELD])


def bearer() -> str | None:
    """Return the token in the header of a program's request; None without one."""
    kind, _, secret = request.headers.get("Authorization", "").partition(" ")
    return secret.strip() if kind.lower() == "bearer" else None


def _is_program() -> bool:
    """Whether a token speaks for who asks; without one the page's own rules hold."""
    secret = bearer()
    if secret is None:
        if not may():
            abort(401)
        return False
    right = page_context().access.token_right(secret)
    if right is None or (right == "read" and request.method not in SAFE):
        abort(401 if right is None else 403)
    return True


def may() -> bool:
    """Whether the page of the unit may be shown to who asks."""
    return is_local() or signed_in()


def held_share() -> Share | None:
    """The share that this visitor opened, while it is in force: looked up again at each request."""
    found, kept = page_context(), session.get(SHARE)
    standing = () if kept is None else found.shares.standing(found.wall())
    return next((one for one in standing if [one.name, one.made_wall_s] == kept), None)


def technician() -> str | None:
    """Return who has signed in for the guided checks as a technician, while that code is in force; else None."""
    kept = session.get(TECHNICIAN)
    tokens = page_context().access.tokens() if kept is not None else ()
    signed = (one for one in tokens if one.right == "technician" and [one.name, one.made_wall_s] == kept)
    return next((one.name for one in signed), None)


def is_local() -> bool:
    """Whether a person on this machine asks: from a loopback address, under a loopback name, by no proxy.

    The name is looked at because a foreign page can have its own name point here (DNS rebinding). A proxy is known by
    what it adds, by its HTTP/1.0, and at last by the user of the system that it runs as.
    """
    if page_context().settings.web.proxy or any(map(_of_a_proxy, request.headers.keys())):
        return False
    if request.environ.get("SERVER_PROTOCOL") == "HTTP/1.0":  # no browser speaks it; a proxy that says nothing may
        return False
    host, peer, port = _host(), request.remote_addr or "", request.environ.get("REMOTE_PORT")
    if not (is_loopback_number(peer) and is_loopback(host)):
        return False
    return port is None or is_person(peer, int(port))  # every server has it; a test's client within the process not


def phone_address() -> str:
    """Return the address under which other devices reach the page, no slash at its end; "" where only this one does."""
    return page_address(page_context().settings) if is_local() else request.url_root.rstrip("/")


def _of_a_proxy(header: str) -> bool:
    name = header.lower()
    return name in _FORWARDED or name.startswith(_FORWARDED_BEGIN)


def is_house_name() -> bool:
    """Whether the page was asked for by number or by a name that only a house's own network gives out.

    Under any other name a page of somebody else's may have it asked for, out of a browser in the house (DNS
    rebinding); where no password is set yet, it could set one. A proxy answers to its own name only.
    """
    host = _host()
    return page_context().settings.web.proxy or (
        bool(host) and (is_number(host) or "." not in host or host.endswith(_HOUSE))
    )


def is_house_address() -> bool:
    """Whether who asks stands in a network of a house's own (RFC 1918, RFC 4193, RFC 4291), not somewhere out there."""
    try:
        found = ip_address(address())
    except ValueError:  # a proxy that names nobody
        return False
    mapped = getattr(found, "ipv4_mapped", None) or found
    return mapped.is_private or mapped.is_link_local


def is_foreign() -> bool:
    """Whether a page of another origin had the browser ask, by more than a link that a person follows (W3C, Fetch
    Metadata). Browsers tell on this machine and over TLS only; programs do not tell."""
    if request.headers.get("Sec-Fetch-Site", "none") in ("same-origin", "none"):
        return False
    # What a service worker passes on goes to no known place any more ("empty"); a frame is refused by POLICY too.
    link = request.headers.get("Sec-Fetch-Mode") == "navigate" and request.headers.get("Sec-Fetch-Dest") in _OPENED
    return request.method not in SAFE or not link


def _host() -> str:
    return urlsplit(f"//{request.host}").hostname or ""


def address() -> str:
    """Who asks, for counting wrong passwords: the last hop that the trusted proxy names, else the peer."""
    if page_context().settings.web.proxy:
        return request.headers.get("X-Forwarded-For", "").rpartition(",")[2].strip() or "proxy"
    return request.remote_addr or ""


def signed_in() -> bool:
    """Whether the session was begun with the password that is in force, and has not been signed out."""
    access, sign = page_context().access, session.get(SIGN)
    begun = access.has_password and session.get("epoch") == access.epoch
    return begun and isinstance(sign, str) and not access.is_ended(sign)
