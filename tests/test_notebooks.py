"""The notebooks: each runs from top to bottom, and what it says about the truth is true.

With LIMBWARD_EXECUTED=FOLDER in the environment the notebooks are left there with their outputs,
for the documentation to show.
"""

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb"))
CELL_TIMEOUT_S = 600  # a cell that hangs must not hang the tests

RUNS = "test_notebook_runs"

# Run after a notebook's own cells, in its kernel. The bars are those of the demo: a second, half a
# pixel; and no error may lie beyond four of its own stated sigmas.
CHECKS = {
    "first-run": """
assert abs(clock_error_s) < min(1.0, 4 * measured["offset_sigma_s"])
assert abs(drift_error) < 4 * measured["drift_sigma_s_per_hour"]
assert np.sqrt(np.mean(time_error_s**2)) < 0.6
assert len(merged) >= 15
assert np.sqrt(np.mean(sun_error_px**2)) < 0.5
assert np.sqrt(np.mean(moon_error_px**2)) < 0.5
assert abs(scale_error) < 0.001
assert abs(up_error_deg) < 0.1
assert np.abs(profile_error).max() < 0.02
assert picture.size[0] > picture.size[1] > 100
""",
    "clock-audit": """
assert abs(offset_error_s) < min(1.0, 4 * clock["offset_sigma_s"])
assert abs(drift_error) < 4 * clock["drift_sigma_s_per_hour"]
(step,) = stepped.steps
assert abs(step.seconds - 60.0) < 4 * step.sigma_s
""",
    "two-cameras": """
assert len(offset_errors) == len(coronae) == 2
for serial, error in offset_errors.items():
    assert abs(error) < 4 * clocks[serial]["offset_sigma_s"]
    assert abs(pointings[serial]["pixel_scale_arcsec"]
               / truth[serial]["pixel_scale_arcsec"] - 1) < 0.002
assert spread < 0.02
""",
    "alignment": """
assert usable.sum() == 14  # both brackets
assert sun_rms_px < 0.1
""",
}


def test_there_are_notebooks():
    assert {path.stem for path in NOTEBOOKS} >= set(CHECKS)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_outputs_are_stripped(path):
    cells = [c for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]
    assert cells
    assert not [c.id for c in cells if c.outputs or c.execution_count is not None]


@pytest.fixture(scope="module")
def runs(request, tmp_path_factory):
    """Start the notebooks that are asked for, two at a time."""
    tests = [t for t in request.session.items if getattr(t, "originalname", "") == RUNS]
    folders = {t.callspec.params["path"]: tmp_path_factory.mktemp("notebook") for t in tests}
    with ThreadPoolExecutor(2) as pool:
        yield folders, {p: pool.submit(execute, p, folder) for p, folder in folders.items()}


def execute(path, folder):
    """Run a notebook, then what is to be checked of it, in a folder."""
    notebook = nbformat.read(path, as_version=4)
    count = len(notebook.cells)
    if path.stem in CHECKS:
        notebook.cells.append(nbformat.v4.new_code_cell(CHECKS[path.stem]))
    NotebookClient(
        notebook,
        timeout=CELL_TIMEOUT_S,
        kernel_name="python3",
        resources={"metadata": {"path": str(folder)}},
    ).execute()
    del notebook.cells[count:]
    return notebook


@pytest.mark.card
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path, runs):
    folders, started = runs
    notebook = started[path].result()
    # It cleans up after itself, since people run it where the project is checked out.
    assert not list(folders[path].iterdir())
    if kept := os.environ.get("LIMBWARD_EXECUTED"):
        Path(kept).mkdir(parents=True, exist_ok=True)
        nbformat.write(notebook, Path(kept) / path.name)
