"""How connections are kept: few at a time, and none that never says what it wants."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn import Config
from uvicorn.protocols.http.h11_impl import H11Protocol

WAIT_HEAD_S = 20.0


class Patience(H11Protocol):
    """HTTP whose head must be whole in time: a connection that trickles, or says nothing, ends.

    Without it a stranger on this machine could hold every connection with half a request each.
    """

    wait_head_s = WAIT_HEAD_S

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """The clock of the first head begins."""
        super().connection_made(transport)
        self._clock: asyncio.TimerHandle | None = None
        self._tick()

    def data_received(self, data: bytes) -> None:
        """The clock of a later head begins with its first byte, and ends when it is whole."""
        super().data_received(data)
        self._tick()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing is waited for any more."""
        if self._clock is not None:
            self._clock.cancel()
        super().connection_lost(exc)

    def _tick(self) -> None:
        answering = self.cycle is not None and not self.cycle.response_complete
        if answering and self._clock is not None:
            self._clock.cancel()
            self._clock = None
        elif not answering and self._clock is None:
            self._clock = self.loop.call_later(self.wait_head_s, self._enough)

    def _enough(self) -> None:
        self._clock = None
        if self.cycle is None or self.cycle.response_complete:
            self.transport.close()


def config_of(app: Any, *, http: type[H11Protocol] = Patience) -> Config:
    """How the app is served: no proxy is believed, nothing is upgraded, few at a time."""
    return Config(
        app, log_config=None, access_log=False, server_header=False, date_header=False,
        lifespan="off", ws="none", proxy_headers=False, timeout_keep_alive=30,
        h11_max_incomplete_event_size=1 << 18, http=http, loop="asyncio", limit_concurrency=64,
        timeout_graceful_shutdown=5)
