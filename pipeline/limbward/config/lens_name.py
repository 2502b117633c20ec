"""The name of a lens, where the config says it."""

from __future__ import annotations

from limbward.config.root import Config


def lens_said(config: Config, body: str) -> str:
    """Return the lens that the config names for a camera of the tables; empty if none."""
    return next((b.lens for b in config.bodies if b.name == body and b.lens), "")
