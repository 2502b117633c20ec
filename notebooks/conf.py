"""Sphinx settings of the documentation, which is this folder.

Sphinx was picked over mkdocs-material since it reads numpy-style docstrings and notebooks with
extensions that astropy's and sunpy's documentation is built with, and is developed on.

    sphinx-build -W --keep-going notebooks build/docs

A notebook that ``build/executed`` holds with its outputs (``.ci/run`` lets the tests leave them
there) is shown with them; nothing is run here.
"""

import os
import sys
from pathlib import Path

import nbformat

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))
EXECUTED = HERE.parent / "build" / "executed"

# What apidoc puts into its pages of packages; its setting for it does not reach those.
os.environ["SPHINX_APIDOC_OPTIONS"] = "members"

project = "limbward"
author = "limbward"
extensions = [
    "myst_nb",
    "sphinx.ext.autodoc",
    "sphinx.ext.apidoc",
    "sphinx.ext.napoleon",
]
exclude_patterns = ["README.md"]
nb_execution_mode = "off"
nb_merge_streams = True
myst_enable_extensions = ["colon_fence", "dollarmath"]
myst_heading_anchors = 3
smartquotes_action = "D"  # dashes; quotes stay as they were typed
# Links to modules must lead somewhere; types are words, which need not.
nitpicky = True
nitpick_ignore_regex = [("py:(?!mod$).*", ".*")]

apidoc_modules = [
    {
        "path": "../pipeline/limbward",
        "destination": "generated",
        "module_first": True,
    }
]
autodoc_typehints = "none"  # the docstrings have them
autodoc_default_options = {"ignore-module-all": True}  # where it is defined, and only there
autodoc_member_order = "bysource"
napoleon_google_docstring = False
# Types are words such as "ndarray, shape (N, 2)", of which no links can be made.
napoleon_use_param = False
napoleon_use_rtype = False
napoleon_custom_sections = [("Attributes", "params_style")]

html_theme = "furo"
html_title = "limbward"
html_copy_source = False
html_show_sourcelink = False
html_static_path: list[str] = []
html_theme_options = {"navigation_with_keys": True}


def fill(app, name, source):
    """Put outputs into notebooks, and what the program knows of itself into the reference."""
    from docs_tables import commands, config, filters

    text = source[0]
    kept = EXECUTED / f"{name}.ipynb"
    if (HERE / f"{name}.ipynb").exists() and kept.exists():
        executed, own = kept.read_text(encoding="utf-8"), text
        if cells(executed) == cells(own):
            source[0] = executed
        return
    for mark, make in (("COMMANDS", commands), ("CONFIG", config), ("FILTERS", filters)):
        if f"<!-- {mark} -->" in text:
            text = text.replace(f"<!-- {mark} -->", make())
    source[0] = text


def cells(text):
    """Return what the cells of a notebook say, without their outputs."""
    return [cell.source for cell in nbformat.reads(text, as_version=4).cells]


def setup(app):
    """Hook into the reading of pages."""
    app.connect("source-read", fill)
