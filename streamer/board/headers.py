"""Headers that every answer of the board carries.

A plain ASGI wrapper: it touches the start of an answer alone, so streams pass as they come.
The content security policy allows scripts, styles and connections of the board itself and nothing
else, no inline script or style among it (CSP Level 3); the rest follows the OWASP Secure Headers
Project (from memory).
"""

from functools import partial
from typing import Final

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

CONTENT_SECURITY_POLICY: Final = "; ".join(
    [
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    ]
)
HEADERS: Final = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
STATIC_PREFIX: Final = "/static/"
STATIC_CACHE: Final = "no-cache"
"""May be kept, but is asked after each time: an upgrade shows at the next page (RFC 9111)."""
PAGE_CACHE: Final = "no-store"
YEAR_S: Final = 365 * 24 * 3600


class HeadersMiddleware:
    """Adds the headers. `tls`: browsers reach the board by TLS and shall never try without."""

    def __init__(self, app: ASGIApp, tls: bool) -> None:
        self._app = app
        self._headers = dict(HEADERS)
        if tls:  # RFC 6797; for this host alone, others of the domain are not ours to decide
            self._headers["Strict-Transport-Security"] = f"max-age={YEAR_S}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        static = scope["path"].startswith(STATIC_PREFIX)
        cache = STATIC_CACHE if static else PAGE_CACHE
        await self._app(scope, receive, partial(self._send, send, cache))

    async def _send(self, send: Send, cache: str, message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in self._headers.items():
                headers[name] = value
            headers["Cache-Control"] = cache
        await send(message)
