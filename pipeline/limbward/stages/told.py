"""Patterns in what the config says of frames and bodies that fit no file."""

from __future__ import annotations

from collections.abc import Iterator

from limbward.config import Config, matches


def unmatched(config: Config, files: list[str]) -> Iterator[str]:
    """Yield a sentence for each pattern under ``frames`` and ``bodies`` that no file matches."""
    patterns = [
        (("frames", i, "files", k), pattern)
        for i, rule in enumerate(config.frames)
        for k, pattern in enumerate(rule.files)
    ] + [
        (("bodies", i, "files", k), pattern)
        for i, body in enumerate(config.bodies)
        for k, pattern in enumerate(body.files)
    ]
    for where, pattern in patterns:
        if not any(matches(file, pattern) for file in files):
            yield (
                f"{config.where(*where)}: no file is called {pattern!r}; give a name or a glob "
                "pattern as paths end in frames.ecsv, such as 100ABCDE/ABCD0001.DNG."
            )
