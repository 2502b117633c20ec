"""Readability of pages in Markdown: ``python -m tests.readability README.md notebooks/howto.md``.

The grade is that of J. P. Kincaid et al., *Derivation of new readability formulas for Navy enlisted
personnel*, Research Branch Report 8-75 (1975): 0.39 words per sentence + 11.8 syllables per word
- 15.59. It counts running text only, paragraphs and list items: no headings, tables or blocks of
code. A sentence ends at a full stop, never at a colon or semicolon, and a name in `code` is a word
of two syllables. Of a word that the syllables' dictionary lacks, the count may be one too high
("clipped").
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import syllapy
from markdown_it import MarkdownIt
from markdown_it.token import Token

# A word with its hyphens and apostrophes, or a number with its point, unit sign or date's dashes.
WORD = re.compile(r"[A-Za-z]+(?:[-'’][A-Za-z]+)*|\d[\d.,:/-]*")
SENTENCE_END = re.compile(r"(?<=[.!?])[*_)\"]*\s+")
CODE = "command"  # two syllables in place of a name; an English word has about 1.5


def sentences(markdown: str) -> list[list[str]]:
    """Return the sentences of a page's running text, each as its words."""
    prose = re.sub(r"^:::.*$", "", markdown, flags=re.MULTILINE)  # an admonition's frame
    tokens = MarkdownIt("commonmark").enable("table").parse(prose)
    found = []
    for text in _running(tokens):
        found += [WORD.findall(part) for part in SENTENCE_END.split(text)]
    return [words for words in found if words]


def grade(markdown: str) -> float:
    """Return the Flesch-Kincaid grade level of a page."""
    read = sentences(markdown)
    words = [word for sentence in read for word in sentence]
    syllables = sum(map(syllables_of, words))
    return 0.39 * len(words) / len(read) + 11.8 * syllables / len(words) - 15.59


def syllables_of(word: str) -> int:
    """Return a word's syllables; a number has one for each of its digits."""
    digits = sum(c.isdigit() for c in word)
    return digits or max(1, int(syllapy.count(word.replace("’", "'").removesuffix("'s"))))


def _running(tokens: list[Token]) -> Iterator[str]:
    """Yield the text of each paragraph, those of list items included."""
    for before, token in pairwise(tokens):
        if token.type == "inline" and before.type == "paragraph_open":
            yield "".join(_words(child) for child in token.children or [])


def _words(token: Token) -> str:
    if token.type in ("softbreak", "hardbreak"):
        return " "
    if token.type == "code_inline":
        return CODE
    return token.content if token.type == "text" else ""


def main(paths: list[str]) -> None:
    """Print the grade of each page, and its sentences from the longest on with ``--long``."""
    for path in (p for p in paths if p != "--long"):
        text = Path(path).read_text(encoding="utf-8")
        print(f"{grade(text):5.1f}  {sum(map(len, sentences(text)))} words  {path}")
        if "--long" in paths:
            for words in sorted(sentences(text), key=len, reverse=True)[:10]:
                print(f"    {len(words)}: {' '.join(words)}")


if __name__ == "__main__":
    main(sys.argv[1:])
