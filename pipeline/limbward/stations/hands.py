"""Who does pieces of work that build on each other: this process, or a Dask cluster."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Protocol


class Hands(Protocol):
    """Takes pieces of work; what one returns may be given to another before it is there."""

    def submit(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Hand out a piece and return what stands for its result."""

    def results(self, pieces: Sequence[Any]) -> list[Any]:
        """Return the results of pieces, which are small."""


class OwnHands:
    """Does each piece at once."""

    def submit(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Return the result itself."""
        return work(*arguments)

    def results(self, pieces: Sequence[Any]) -> list[Any]:
        """Return them."""
        return list(pieces)


class ClusterHands:
    """Hands pieces to a Dask cluster; what they return goes from worker to worker.

    Parameters
    ----------
    client : distributed.Client
    """

    def __init__(self, client: Any) -> None:
        self._client = client

    def submit(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Return a future."""
        return self._client.submit(work, *arguments, pure=False, retries=2)

    def results(self, pieces: Sequence[Any]) -> list[Any]:
        """Wait for them."""
        return list(self._client.gather(list(pieces)))
