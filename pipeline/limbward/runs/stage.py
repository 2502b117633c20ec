"""What a stage is: a function that turns artefacts into artefacts, and what it depends on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from limbward.config import Config
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

# The stages of a run; each module limbward.stages.NAME holds one as STAGE.
ORDER = ("ingest", "timing", "align", "merge", "enhance", "compose", "report")

# Names of artefacts, fixed or following from the config.
Artefacts = tuple[str, ...] | Callable[[Config], tuple[str, ...]]


@dataclass(frozen=True)
class Stage:
    """One step of a run.

    Attributes
    ----------
    name : str
    run : callable
        Reads and writes artefacts of the workspace, calls rooms, tells the reporter. It writes
        everything that applies each time; an artefact it leaves unwritten (a corona, where there
        was no totality) is removed afterwards if an earlier run had made it.
    sections : tuple of str
        Top-level keys of the config on which the results depend.
    loads : tuple of str
        Folders of the package on which the results depend beside the modules that the stage's
        module imports, whose names need not be listed: plugins and templates.
    reads, writes : tuple of str, or a function from the config to one
        Artefacts by their names in `Workspace`.
    fingerprint : callable, optional
        Returns text that changes when anything outside the workspace changes that matters, such
        as the files on a card.
    is_unfinished : callable, optional
        Tells whether the last run left something to be tried again, such as a file that could not
        be read then: the stage is run again though nothing has changed.
    """

    name: str
    run: Callable[[Config, Workspace, Reporter], None]
    sections: tuple[str, ...] = ()
    loads: tuple[str, ...] = ()
    reads: Artefacts = ()
    writes: Artefacts = ()
    fingerprint: Callable[[Config], str] | None = None
    is_unfinished: Callable[[Workspace], bool] | None = None

    def inputs(self, config: Config) -> tuple[str, ...]:
        """Return the names of the artefacts it reads."""
        return self.reads(config) if callable(self.reads) else self.reads

    def outputs(self, config: Config) -> tuple[str, ...]:
        """Return the names of the artefacts it writes."""
        return self.writes(config) if callable(self.writes) else self.writes
