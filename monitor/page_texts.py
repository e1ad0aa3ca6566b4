"""The words of the page's templates and answers, in plain English, by stable keys.

Pure. A translation is another table with the same keys. Values are put in by name, as `str.format` does; a value
is escaped by the page, so that `<strong>` and links may stand here, and nowhere else come from.
"""

from __future__ import annotations

PAGE: dict[str, str] = {
    # ------------------------------------------------------------ the report and its codes
    "report": "Report for a technician",
    "report-about": "The last days as one document: what happened and in what order, each run, the pictures, who is"
    " still suspected and why, meter readings, the nameplate.",
    "report-days": "How far back",
    "report-read": "Read it here",
    "report-pdf": "As a PDF file",
    "report-html": "As one HTML file",
    "share": "Give it to somebody",
    "share-about": "A code opens the report, as it is when it is opened, and nothing else. It ends by itself; you can"
    " end it at once.",
    "share-name": "For whom",
    "share-valid": "The code holds for",
    "share-make": "Make a code",
    "share-new": "The new code",
    "share-new-about": "Send the link, or read the code out: it is entered at {place}. Copy it now:"
    " it is not shown again.",
    "share-link": "Link",
    "share-code": "Code",
    "share-here-only": "You look at this page on the monitor itself, so the link works on this machine only. Elsewhere"
    " the page has the address under which your phone or the technician reaches it, followed by {path}.",
    "share-standing": "Codes in force",
    "share-none": "None.",
    "share-row": "the last {days} days; made {made}, ends {ends}",
    "share-revoke": "End it now",
    "share-ended": "The code of {name} opens nothing any more.",
    # ------------------------------------------------------------ what somebody with a code sees
    "shared": "The report that was shared with you",
    "shared-enter": "Enter the code that you were given. Capital or small letters, hyphens and blanks are no matter.",
    "shared-code": "Code",
    "shared-open": "Open the report",
    "shared-wrong": "That code opens nothing: it is mistyped, or it has ended. Ask for a new one.",
    "shared-wait": "Too many wrong codes. Try again in {minutes} min.",
    "shared-until": "Shared with {name} until {ends}. It tells what is known now; open it again for the news.",
    "shared-close": "Close on this device",
}
