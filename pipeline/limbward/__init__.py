"""Post-eclipse image processing: from a card of RAW brackets to a linear corona."""

from typing import Any


def __getattr__(name: str) -> Any:
    """Return the version when it is asked for: looking it up takes 40 ms of a short command."""
    if name != "__version__":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib.metadata import version

    globals()[name] = version("limbward")
    return globals()[name]
