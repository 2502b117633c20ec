"""Post-eclipse image processing: from a card of RAW brackets to a linear corona."""

from importlib.metadata import version

__version__ = version("limbward")
