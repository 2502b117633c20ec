"""What is wrong with text that is not YAML, for a person who does not know YAML's grammar."""

from __future__ import annotations

import re

from ruamel.yaml.error import MarkedYAMLError

INDENTED = (
    "the line is indented differently from those it belongs with (keys of one group begin in the "
    "same column)"
)
# Context and problem as ruamel.yaml words them, and what it means. The first that fits is taken;
# {open} is the line at which the group or the quotes began.
TROUBLES = (
    (r"character '\\t'", "there is a tab; indent with spaces"),
    (r"character '(?P<sign>.)'", "a value that begins with {sign} needs quotes"),
    (r"undefined alias", "a value that begins with * needs quotes, such as '**/*'"),
    (r"scanning an (anchor|alias)", "a value that begins with & or * needs quotes"),
    (r"a block scalar", "a value that begins with | or > needs quotes"),
    (r"scanning a tag|parsing a tag", "a value that begins with ! needs quotes"),
    (r"quoted scalar .*end of stream", "the quotes that open on line {open} are not closed"),
    (
        r"double-quoted scalar",
        "a backslash in double quotes has a meaning of its own; use single quotes",
    ),
    (
        r"flow (mapping|sequence) .*expected",
        "the bracket that opens on line {open} is not closed, or a comma is missing",
    ),
    (r"but found '[]}]'", "there is a closing bracket without an opening one"),
    (
        r"simple key could not find expected ':'",
        "there is a key without a colon and a space after it (key: value)",
    ),
    (
        r"mapping values are not allowed",
        f"{INDENTED}, or it has a second colon (text with a colon in it needs quotes)",
    ),
    (r"sequence entries are not allowed", "a list's '- ' has to begin on a line of its own"),
    (r"another document", "a line of --- begins a second document; a config is a single one"),
    (
        r"but found '<scalar>'",
        "there is text after the end of a value: a quote, a comma or a line end is missing",
    ),
    (r"expected <block end>|expected '<document start>'", INDENTED),
)
ELSE = "from here on it makes no sense; check indentation, colons and brackets"


def explain(error: MarkedYAMLError) -> tuple[int, str]:
    """Return the line (from 1) and, in words, what is wrong there.

    Parameters
    ----------
    error : MarkedYAMLError

    Examples
    --------
    >>> from ruamel.yaml import YAML
    >>> from limbward.config.yaml_trouble import explain
    >>> try:
    ...     YAML(typ="safe", pure=True).compose("site: {latitude: 1")
    ... except MarkedYAMLError as error:
    ...     explain(error)
    (1, 'the bracket that opens on line 1 is not closed, or a comma is missing')
    """
    begun = error.context_mark or error.problem_mark
    met = error.problem_mark or error.context_mark
    said = " ".join(part for part in (error.context, error.problem) if part)
    line = met.line + 1 if met else 1
    first = begun.line + 1 if begun else 1
    if "end of stream" in said or "<stream end>" in said or "could not find expected ':'" in said:
        line = first  # what was waited for; the end of the file tells nobody anything
    for pattern, sentence in TROUBLES:
        match = re.search(pattern, said)
        if match:
            return line, sentence.format(open=first, **match.groupdict())
    return line, ELSE
