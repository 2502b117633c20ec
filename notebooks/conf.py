"""Sphinx settings of the documentation, which is this folder.

Sphinx was picked over mkdocs-material since it reads numpy-style docstrings and notebooks with
extensions that astropy's and sunpy's documentation is built with, and is developed on.

    sphinx-build -W --keep-going notebooks build/docs

A notebook that ``build/executed`` holds with its outputs (``.ci/run`` lets the tests leave them
there) is shown with them; nothing is run here.
"""

import os
from pathlib import Path

import nbformat

HERE = Path(__file__).parent
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
    """Put outputs into notebooks."""
    kept = EXECUTED / f"{name}.ipynb"
    if (HERE / f"{name}.ipynb").exists() and kept.exists():
        executed = kept.read_text(encoding="utf-8")
        if cells(executed) == cells(source[0]):
            source[0] = executed


def cells(text):
    """Return what the cells of a notebook say, without their outputs."""
    return [cell.source for cell in nbformat.reads(text, as_version=4).cells]


def setup(app):
    """Hook into the reading of pages."""
    app.connect("source-read", fill)
