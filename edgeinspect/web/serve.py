"""The web server, with TLS where a certificate is given. Open event streams end when it does: uvicorn would wait."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

import uvicorn
from fastapi import FastAPI

from edgeinspect.errors import InputError

LOCALHOST = "127.0.0.1"


class Server(uvicorn.Server):
    """Tells the streams before uvicorn starts to wait for them."""

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self.end_streams()
        super().handle_exit(sig, frame)

    def end_streams(self) -> None:
        app = self.config.app
        assert isinstance(app, FastAPI)
        app.state.parts.stopping.set()


@dataclass(frozen=True)
class Tls:
    """A certificate with its chain, and its key, as PEM files that fit each other."""

    certificate: Path
    key: Path | None  # None: in the same file


def checked_tls(certificate: Path | None, key: Path | None) -> Tls | None:
    """None where no certificate is given. Raises InputError: before anything is started, in one sentence."""
    if certificate is None:
        if key is not None:
            raise InputError("--key is given without --certificate: give both")
        return None
    for option, path in (("--certificate", certificate), ("--key", key)):
        try:
            if path is not None:
                path.read_bytes()
        except OSError as error:
            raise InputError(f"{option} {path} cannot be read ({error.strerror or error})") from error
    try:
        # A key with a password would be asked for at a terminal that a service does not have.
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, password=lambda: "")
    except (ssl.SSLError, ValueError) as error:
        reason = getattr(error, "reason", None)
        if reason == "KEY_VALUES_MISMATCH":
            raise InputError(f"--key {key} is of another certificate than {certificate}") from error
        where = f"{certificate} and {key}" if key else f"{certificate}"
        rule = "must be a certificate (PEM, with its chain) and its key (PEM, without a password)"
        raise InputError(f"{where} cannot be used for TLS, {rule}") from error
    return Tls(certificate, key)


def make_server(app: FastAPI, host: str = LOCALHOST, port: int = 8000, tls: Tls | None = None) -> Server:
    return Server(
        uvicorn.Config(
            app,
            host=host,
            port=port,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,  # whoever asks says nothing about where from, or over what
            timeout_graceful_shutdown=2,
            ssl_certfile=tls.certificate if tls else None,
            ssl_keyfile=tls.key if tls else None,
        )
    )
