"""What every answer carries, whoever gives it, and whatever it is: how browsers and caches are to treat it.

After OWASP's cheat sheets on HTTP headers and on REST security (from memory). Strict-Transport-Security is left to the
proxy that ends TLS: it binds a whole host name, with all else that is served under it.
"""

from __future__ import annotations

from typing import Final

from flask import Response

#: For answers that are no pages: nothing of them is ever loaded, framed, or sent from.
_POLICY: Final = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
#: For pages: their own files and forms, nothing within the text itself, no other host.
PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_UNUSED: Final = ("camera", "display-capture", "geolocation", "microphone", "payment", "serial", "usb")
HEADERS: Final = {
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": _POLICY,
    # For browsers that do not know frame-ancestors.
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Permissions-Policy": ", ".join(f"{feature}=()" for feature in _UNUSED),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def protect(response: Response) -> None:
    """Give an answer what it does not say itself."""
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)
