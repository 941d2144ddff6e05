"""What every answer carries, whoever gives it, and whatever it is: how browsers and caches are to treat it.

After OWASP's cheat sheets on HTTP headers and on REST security (from memory). Strict-Transport-Security is left to the
proxy that ends TLS: it binds a whole host name, with all else that is served under it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Final

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


_BY_LOWER_NAME: Final = tuple((name.lower(), (name, value)) for name, value in HEADERS.items())


class Protected:
    """WSGI middleware: gives each answer what it does not say itself."""

    def __init__(self, app: Callable[..., Iterable[bytes]]) -> None:
        self.app = app

    def __call__(  # noqa: D102
        self, environ: dict[str, Any], start_response: Callable[..., Any]
    ) -> Iterable[bytes]:
        def start_protected(status: str, headers: list[tuple[str, str]], *error: Any) -> Any:
            said = {name.lower() for name, _ in headers}
            headers += [header for name, header in _BY_LOWER_NAME if name not in said]
            return start_response(status, headers, *error)

        return self.app(environ, start_protected)
