"""The web server. Open event streams end at once then: uvicorn alone would wait for them."""

from __future__ import annotations

from types import FrameType

import uvicorn
from fastapi import FastAPI

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


def make_server(app: FastAPI, host: str = LOCALHOST, port: int = 8000) -> Server:
    return Server(
        uvicorn.Config(
            app,
            host=host,
            port=port,
            log_level="warning",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=2,
        )
    )
