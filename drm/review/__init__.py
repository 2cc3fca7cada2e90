"""The review page: where the automatic reading is doubtful, a person decides, on this computer alone."""

from __future__ import annotations

import os
import secrets
import socket
from collections.abc import Callable, Sequence
from contextlib import suppress

from drm.errors import InputError

__all__ = ["serve"]


def serve(
    folder: str | os.PathLike[str],
    *,
    port: int = 0,
    record: str | os.PathLike[str] | Sequence[str | os.PathLike[str]] | None = None,
    reference: str | os.PathLike[str] | None = None,
    beside: str | os.PathLike[str] | None = None,
    browser: bool = False,
    say: Callable[[str], object] = print,
) -> None:
    """Serve the review page of the result in `folder` until it is stopped from the keyboard.

    Parameters
    ----------
    folder : path
        As ``drm diagnose --out`` left it.
    port : int
        0 for any that is free. Only this computer is answered.
    record, reference : path, optional
        Where the record (or several of them), and the earlier result that it was compared with, are now if they were
        moved.
    beside : path, optional
        A second result to look at.
    browser : bool
        Whether to open the page in the user's browser.
    say : callable
        Given the address of the page, which holds the token of this start.

    Raises
    ------
    InputError
        If the libraries of the extra are missing, the folder holds no result, the record was moved or has changed, or
        the port is taken.
    """
    try:
        import uvicorn

        from drm.review.app import make_app
    except ImportError as error:
        if (error.name or "").partition(".")[0] not in ("starlette", "uvicorn"):
            raise
        raise InputError(
            f"the review page needs the library {error.name}, which is not installed",
            mend="install it with: pip install 'interrupter-drm[review]'",
        ) from None
    from drm.review.session import Session

    session = Session(folder, record=record, reference=reference)
    other = None if beside is None else Session(beside, read_only=True)
    with _listening(port) as listener:
        token, real = secrets.token_urlsafe(32), listener.getsockname()[1]
        app = make_app(session, beside=other, port=real, token=token)
        address = f"http://127.0.0.1:{real}/?token={token}"
        say(f"{address}\nReviewing {folder}. Stop with Ctrl-C; every decision is on the disk when it is confirmed.")
        if browser:
            _open(address)
        config = uvicorn.Config(
            app, log_level="error", access_log=False, server_header=False, ws="none", timeout_graceful_shutdown=3
        )
        # Ctrl-C is the ordinary end: by then everything is written.
        with suppress(KeyboardInterrupt):
            uvicorn.Server(config).run(sockets=[listener])


def _listening(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name != "nt":  # there the option would let two programs share one port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
        # At once, so that whoever follows the address before the server runs waits and is not refused.
        listener.listen(64)
    except OSError as error:
        listener.close()
        raise InputError(
            f"port {port} cannot be used ({error.strerror})", place="--port", mend="give another, or none for any free"
        ) from None
    return listener


def _open(address: str) -> None:
    import webbrowser

    # A text browser would take over this terminal and its Ctrl-C.
    if os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY") or os.name == "nt" or _mac():
        webbrowser.open(address)


def _mac() -> bool:
    import sys

    return sys.platform == "darwin"
