"""What users read, word by word: ``python -m tests.prose`` prints what a copy editor would mark.

Pages in Markdown are read paragraph by paragraph, the program's own words (help, messages, the
report, the page) as the strings in its source. Two readers go through them: proselint, which knows
clichés, redundancies and doubled words, and a list of phrases that are not idiomatic here.
"""

from __future__ import annotations

import ast
import html
import re
import sys
from collections.abc import Iterator
from itertools import count
from pathlib import Path

from markdown_it import MarkdownIt

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "pipeline" / "limbward"
PAGES = ["README.md", "THIRD_PARTY.md", "CHANGELOG.md", "notebooks"]
# Straight quotes and three dots belong to what one types; spelling is codespell's business, and
# British. "Very" and the like are weighed by the writer.
OFF = ("typography", "spelling", "restricted", "annotations")

UNIT = r"(?:arcsec|arcseconds?|degrees?|pixels|seconds|s|frames|photographs|pictures|bytes|MB|GB)"
# What is wrong, and what to write.
PHRASES = {
    rf"\b{UNIT} (?:a|an) (?:pixel|hour|second|minute|frame|camera|degree|colour|side|day)\b": "per",
    r"\b(?:take|takes|taken|taking|took) off\b(?! (?:the )?(?:filter|a filter|it\b))": "subtract",
    r"\bhow late\b": "clock reading minus fitted clock; fast or slow",
    r"\boff the card\b": "not on the card",
    r"\bcounts as good\b": "is accurate enough",
    r"\bare wanted\b": "are needed",
    r"\bshow it\.": "say what is shown",
    r"\bmade earlier\b": "finished",
    r"\bmake the rest\b": "say what is made",
    r"\b1 (?:days|frames|pictures|seconds|files|pixels|cameras)\b": "singular",
    r"\bfor ever\b": "forever",
    r"\bthe frames' light\b": "brightness",
    r"\bmust needs?\b": "must",
    r"\bas good as\b": "nearly",
    r"\bwhereof\b|\bthereof\b|\btherein\b|\bwherein\b": "in which",
    r"\bin the end of\b": "at the end of",
    r"\bbeforehand\b": "before",
    r"\bper cent\b": "%",
    r"\bdiscs? was\b|\bdata was\b": "were",
    r"\b(\w+) \1\b(?<!\d)(?<!that that)(?<!had had)": "a word twice",
}
COMPILED = {re.compile(p, re.IGNORECASE): say for p, say in PHRASES.items()}


def paragraphs(markdown: str) -> Iterator[str]:
    """Yield the text of each paragraph, item, cell and heading; code is a name."""
    prose = re.sub(r"^:::.*$", "", markdown, flags=re.MULTILINE)
    for token in MarkdownIt("commonmark").enable("table").parse(prose):
        if token.type != "inline":
            continue
        words = []
        for child in token.children or []:
            if child.type in ("softbreak", "hardbreak"):
                words.append(" ")
            elif child.type == "code_inline":
                words.append(f"name{len(words)}")
            elif child.type == "text":
                words.append(child.content)
        yield "".join(words)


def strings(source: str) -> Iterator[str]:
    """Yield the sentences among a module's strings, what is filled in as n0, n1; no docstrings."""
    tree = ast.parse(source)
    inner, docs = set(), set()
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            inner |= {id(part) for part in node.values}
        if isinstance(node, ast.Expr):
            docs.add(id(node.value))
        # A command's docstring is its help.
        if isinstance(node, ast.FunctionDef) and any(
            "command" in ast.unparse(d) for d in node.decorator_list
        ):
            text = ast.get_docstring(node)
            if text:
                yield text
    for node in ast.walk(tree):
        if id(node) in inner or id(node) in docs:
            continue
        text = ""
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        elif isinstance(node, ast.JoinedStr):
            text = "".join(
                part.value if isinstance(part, ast.Constant) else f"n{i}"
                for i, part in enumerate(node.values)
            )
        if text.startswith("Example: "):  # a command, which may have one word twice
            continue
        if len(re.findall(r"[A-Za-z]{2,}", text)) >= 3 and " " in text:
            yield text


def script_strings(source: str) -> Iterator[str]:
    """Yield the sentences among the strings of JavaScript."""
    for match in re.finditer(r'"((?:[^"\\\n]|\\.)*)"|`((?:[^`\\]|\\.)*)`', source):
        counter = count()
        filled = match[1] or match[2] or ""
        text = re.sub(r"\$\{[^}]*\}", lambda _, c=counter: f"n{next(c)}", filled)
        if len(re.findall(r"[A-Za-z]{2,}", text)) >= 3 and " " in text:
            yield text


def template_text(source: str) -> str:
    """Return the words of a template, each element a paragraph."""
    bare = re.sub(r"\{#.*?#\}|\{%.*?%\}", " ", source, flags=re.DOTALL)
    counter = count()
    bare = re.sub(r"\{\{.*?\}\}", lambda _: f"n{next(counter)}", bare, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", "\n\n", bare))


def read() -> Iterator[tuple[str, str]]:
    """Yield where a text stands, and the text, of all that a user reads."""
    for name in PAGES:
        path = ROOT / name
        for page in sorted(path.glob("*.md")) if path.is_dir() else [path]:
            for text in paragraphs(page.read_text(encoding="utf-8")):
                yield str(page.relative_to(ROOT)), _plain(text)
    for path in sorted(PACKAGE.rglob("*")):
        where = str(path.relative_to(ROOT))
        if "vendor" in path.parts or "data" in path.parts or not path.is_file():
            continue
        if path.suffix == ".py":
            found = strings(path.read_text(encoding="utf-8"))
        elif path.suffix == ".js":
            found = script_strings(path.read_text(encoding="utf-8"))
        elif path.suffix in (".j2", ".html"):
            found = iter(template_text(path.read_text(encoding="utf-8")).split("\n\n"))
        else:
            continue
        for text in found:
            yield where, _plain(text)


def _plain(text: str) -> str:
    """Return a text on one line, its long numbers whole."""
    return re.sub(r"(?<=\d) (?=\d{3}\b)", "", re.sub(r"\s+", " ", text)).strip()


def marked(text: str) -> list[str]:
    """Return what the list of phrases finds in a text."""
    return [f"{m[0]!r}: {say}" for p, say in COMPILED.items() if (m := p.search(text))]


def linted(texts: list[tuple[str, str]]) -> list[str]:
    """Return what proselint finds in texts."""
    from proselint.checks import __register__
    from proselint.config import DEFAULT, Config
    from proselint.registry import CheckRegistry
    from proselint.tools import LintFile

    registry = CheckRegistry()
    if not registry.checks:
        registry.register_many(__register__)
    checks = {name: name not in OFF for name in DEFAULT["checks"]}
    config = Config(max_errors=10**6, checks=checks)
    found = []
    for where, text in dict.fromkeys((w, t) for w, t in texts if t.strip()):
        for result in LintFile("text", text).lint(config):
            said = result.check_result
            at = text[max(0, said.span[0] - 30) : said.span[1] + 30]
            found.append(f"{where}: {said.check_path}: {said.message} [{at}]")
    return found


def main() -> int:
    """Print all findings; return 1 if there are any."""
    texts = list(read())
    found = [f"{where}: {note} [{text[:100]}]" for where, text in texts for note in marked(text)]
    found += linted(texts)
    print("\n".join(found))
    print(f"{len(texts)} texts, {len(found)} findings")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
