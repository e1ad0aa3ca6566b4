"""What makes the page installable: manifest, icon, a small service worker with a page for when nothing answers."""

from __future__ import annotations

from flask import Blueprint, Response, current_app, render_template, send_from_directory

from condenser_monitor.monitor.report import html as report_html
from condenser_monitor.web.context import page_context
from condenser_monitor.web.template_strings import plain

shell = Blueprint("shell", __name__)


@shell.get("/manifest.webmanifest")
def manifest() -> Response:
    """The web app manifest (W3C). The unit's name is left out: anybody may read this."""
    return Response(
        current_app.json.dumps(
            {
                "id": "/",
                "name": plain("product"),
                "short_name": plain("product-short"),
                "start_url": "/",
                "scope": "/",
                "display": "standalone",
                "background_color": "#f6f4ef",
                "theme_color": "#0b6b57",
                "icons": [
                    {"src": "/icon.svg", "sizes": "any", "type": "image/svg+xml", "purpose": "any"},
                    {"src": "/static/icon-192.png", "sizes": "192x192", "type": "image/png"},
                    {"src": "/static/icon-512.png", "sizes": "512x512", "type": "image/png"},
                ],
            }
        ),
        mimetype="application/manifest+json",
    )


@shell.get("/alive")
def alive() -> dict[str, bool]:
    """Whether the monitor sees its unit, for a watchdog on another machine; anybody may know that much."""
    return {"alive": not page_context().look().blind}


@shell.get("/report.css")
def report_style() -> Response:
    """The report's own style sheet."""
    answer = Response(report_html.STYLE, mimetype="text/css")
    answer.cache_control.max_age = 3600
    return answer


@shell.get("/worker.js")
def worker() -> Response:
    """The service worker; it must lie at the root to speak for all pages."""
    return send_from_directory(current_app.static_folder or "", "worker.js", mimetype="text/javascript", max_age=0)


@shell.get("/offline")
def offline() -> str:
    """What is shown when nothing answers: it says so, and shows nothing that could be taken for the unit's state."""
    return render_template("offline.html")


@shell.get("/icon.svg")
@shell.get("/favicon.ico")
def icon() -> Response:
    """Our own icon: a coil's circle between two rails."""
    return send_from_directory(current_app.static_folder or "", "icon.svg", mimetype="image/svg+xml", max_age=86400)
