"""Who may speak to the desk: this computer, by the link that was printed, from the desk's own pages; no one else."""

from __future__ import annotations

import hmac
from urllib.parse import urlsplit

from flask import Flask, Response, abort, redirect, request, session

MOST_BYTES = 40_000_000
"""Largest request. A census of ten years is under a tenth of it."""

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'; object-src 'none'"
)
_HEADERS = {
    "Content-Security-Policy": _POLICY, "X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin", "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin", "Cache-Control": "no-store",
}


def guard(app: Flask, secret: str, port: int) -> None:
    """Refuse what does not carry the secret, or comes by another name or from another page.

    The first link carries the secret and turns it into a cookie that only this desk's pages send (SameSite=Strict). A
    form must come from a page of the desk (Origin) and carry that page's own mark.
    """
    hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
    app.config.update(
        SECRET_KEY=secret, MAX_CONTENT_LENGTH=MOST_BYTES, SESSION_COOKIE_NAME=f"desk{port}",
        SESSION_COOKIE_HTTPONLY=True, SESSION_COOKIE_SAMESITE="Strict", MAX_FORM_MEMORY_SIZE=8_000_000,
        MAX_FORM_PARTS=20_000,
    )

    @app.before_request
    def _judge() -> Response | None:
        if request.host not in hosts:
            abort(400, "This desk answers only on this computer.")
        if request.endpoint == "enter":
            return None
        if not _same(str(session.get("key", "")), secret):
            abort(403, "Open the desk by the link that it printed when it started.")
        if request.method != "GET":
            origin = urlsplit(request.headers.get("Origin", ""))
            if origin.scheme != "http" or origin.netloc != request.host:
                abort(403, "This form did not come from the desk.")
            if not _same(request.form.get("mark", ""), form_mark(secret)):
                abort(403, "This page is of an earlier desk. Open it again and repeat the last step.")
        return None

    @app.get("/enter/<key>")
    def enter(key: str) -> Response:
        if not _same(key, secret):
            abort(403, "This link is of another desk. Use the one that was printed last.")
        session["key"] = secret
        return redirect("/")  # type: ignore[return-value]

    @app.after_request
    def _headers(response: Response) -> Response:
        response.headers.update(_HEADERS)
        return response

    @app.context_processor
    def _mark() -> dict[str, object]:
        return {"mark": form_mark(secret)}


def _same(given: str, meant: str) -> bool:
    """Compared in the same time whatever differs, and whatever letters are given."""
    return hmac.compare_digest(given.encode(errors="replace"), meant.encode())


def form_mark(secret: str) -> str:
    """What every form of the desk carries; another site cannot know it."""
    return hmac.new(secret.encode(), b"form", "sha256").hexdigest()
