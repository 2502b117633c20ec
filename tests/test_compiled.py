"""Compiled code follows the sources, whichever of them changes, and wherever it is kept."""

import importlib
import os
import shutil
import subprocess
import sys
import textwrap
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

import limbward
from limbward import compiled

PACKAGE = Path(limbward.__file__).parent

# The kernel that is called stands in one file, the one that it calls in another, and the constant
# of that in a third.
FILES = {
    "sky/toy_law.py": "FACTOR = 2.0\n",
    "sky/toy_inner.py": """
        from limbward.compiled import kernel
        from limbward.sky import toy_law

        FACTOR = toy_law.FACTOR

        @kernel
        def inner(x):
            return FACTOR * x
    """,
    "sky/toy.py": """
        from limbward.compiled import kernel
        from limbward.sky.toy_inner import (  # (the law)
            inner,
        )

        @kernel
        def outer(x):
            return inner(x) + 1.0

        print(outer(10.0), sum(outer.stats.cache_hits.values()))
    """,
}


@pytest.fixture
def install(tmp_path):
    """Return a function that installs a version, in a folder of its own, with another factor."""

    def copy(name="a", factor="2.0"):
        top = tmp_path / name / "limbward"
        (top / "sky").mkdir(parents=True, exist_ok=True)
        (top / "__init__.py").write_text("")
        (top / "sky" / "__init__.py").write_text("")
        for module in ("compiled.py", "imports.py"):
            shutil.copy(PACKAGE / module, top)
        for path, text in FILES.items():
            (top / path).write_text(textwrap.dedent(text).replace("= 2.0", f"= {factor}"))
        return top.parent

    return copy


@pytest.fixture
def run(tmp_path):
    """Return a function that calls the outer kernel in a new process: (result, from the cache)."""

    def start(where, **environment):
        clean = {k: v for k, v in os.environ.items() if not k.startswith("NUMBA_")}
        clean |= {"XDG_CACHE_HOME": str(tmp_path / "cache"), "HOME": str(tmp_path / "home")}
        clean |= {"TMPDIR": str(tmp_path), "PYTHONPATH": str(where)} | environment
        command = [sys.executable, "-W", "error", "-c", "import limbward.sky.toy"]
        done = subprocess.run(
            command, env=clean, cwd=where, capture_output=True, text=True, timeout=120, check=False
        )
        assert done.returncode == 0, done.stderr
        value, hits = done.stdout.split()
        return float(value), int(hits) > 0

    return start


def test_a_constant_changed_two_files_away_is_seen(install, run):
    """A new version in the same place: what was compiled for the old one is not taken."""
    where = install()
    assert run(where) == (21.0, False)
    assert run(where) == (21.0, True)
    law = where / "limbward/sky/toy_law.py"
    before = law.stat()
    install(factor="3.0")
    os.utime(law, (before.st_atime, before.st_mtime))  # as an archive unpacked by pip may have it
    assert run(where) == (31.0, False)
    assert run(where) == (31.0, True)


def test_two_versions_side_by_side_have_each_their_own(install, run):
    old, new = install("a"), install("b", "3.0")
    assert run(old) == (21.0, False)
    assert run(new) == (31.0, False)
    assert run(old) == (21.0, True)
    assert run(new) == (31.0, True)


def test_an_installation_that_cannot_be_written_to(install, run):
    """Nothing is left beside the sources, and the code is kept all the same."""
    where = install()
    folders = [where / "limbward", where / "limbward/sky"]
    for folder in folders:
        folder.chmod(0o555)
    try:
        assert run(where, PYTHONDONTWRITEBYTECODE="1") == (21.0, False)
        assert run(where, PYTHONDONTWRITEBYTECODE="1") == (21.0, True)
    finally:
        for folder in folders:
            folder.chmod(0o755)
    assert not list(where.rglob("*.nbi"))


def test_numbas_own_setting_is_heeded_and_of_two_that_begin_together_one_compiles(
    install, run, tmp_path
):
    where, mine = install(), tmp_path / "mine"
    with ThreadPoolExecutor(2) as pool:
        both = pool.map(lambda _: run(where, NUMBA_CACHE_DIR=str(mine)), range(2))
        assert sorted(both) == [(21.0, False), (21.0, True)]
    assert list(mine.rglob("*.nbi"))
    assert not list((tmp_path / "cache").rglob("*.nbi"))


def test_without_a_cache_folder_of_the_user(install, run, tmp_path):
    """A file stands where the folder would be: temporary files hold the code."""
    where = install()
    (tmp_path / "cache").write_text("")
    assert run(where) == (21.0, False)
    assert run(where) == (21.0, True)
    (kept,) = tmp_path.glob("limbward-compiled-*")
    assert kept.stat().st_mode & 0o777 == 0o700


def test_code_that_others_could_have_put_there_is_not_run(install, run, tmp_path):
    """A folder among the temporary files to which all may write is left alone."""
    where = install()
    (tmp_path / "cache").write_text("")
    shared = tmp_path / f"limbward-compiled-{os.getuid()}"
    shared.mkdir()
    shared.chmod(0o777)
    for _ in range(2):
        assert run(where) == (21.0, False)
    assert not list(shared.iterdir())
    assert not list(where.rglob("*.nbi"))


def test_folders_of_versions_no_longer_run_are_removed(tmp_path):
    old, new = tmp_path / "blur-1", tmp_path / "blur-2"
    for folder in (old, new):
        folder.mkdir()
        (folder / "code").write_text("")
    then = time.time() - 100 * 86400
    os.utime(old, (then, then))
    compiled.prune(tmp_path)
    assert not old.exists()
    assert (new / "code").exists()


def test_other_packages_keep_their_code_where_they_had_it():
    import numba

    before = numba.config.CACHE_DIR
    compiled.kernel(abs_of)
    assert before == numba.config.CACHE_DIR


def abs_of(x):
    return abs(x)


def test_all_that_a_module_has_imported_of_the_package_is_looked_at():
    """What Python loads for a module with kernels is among the files that tell its code apart."""
    for name in (
        "limbward.radiance.merge",
        "limbward.render.smooth",
        "limbward.filters.radial_histogram_equalization",
    ):
        script = f"import sys, {name}\nfor m in sys.modules.values():\n"
        script += "    print(getattr(m, '__file__', None) or '')\n"
        done = subprocess.run(
            [sys.executable, "-c", script], capture_output=True, text=True, timeout=120, check=True
        )
        loaded = {Path(f).resolve() for f in done.stdout.split("\n") if f}
        mine = {f for f in loaded if f.is_relative_to(PACKAGE.resolve())}
        assert mine <= {f.resolve() for f in compiled.sources(name)}


def test_no_kernel_passes_by_the_one_decorator():
    """It alone asks numba to compile, so that no code is kept beside the sources."""
    for path in PACKAGE.rglob("*.py"):
        if path.name != "compiled.py":
            text = path.read_text()
            assert "njit" not in text, path
            assert "cache=True" not in text, path


def modules_with_kernels():
    """Import every module that makes kernels."""
    for path in sorted(PACKAGE.rglob("*.py")):
        if "compiled import" in path.read_text():
            parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
            yield importlib.import_module(".".join(parts))


def test_what_kernels_call_is_written_into_them():
    """Or a process that compiles would run another copy than one that loads: see `kernel`."""
    found = {
        value
        for module in modules_with_kernels()
        for value in vars(module).values()
        if hasattr(value, "targetoptions")
    }
    called = {
        (kernel.__name__, inner.py_func.__name__): inner.targetoptions
        for kernel in found
        for inner in map(kernel.py_func.__globals__.get, kernel.py_func.__code__.co_names)
        if hasattr(inner, "targetoptions")
    }
    assert len(called) > 40
    assert {
        names
        for names, how in called.items()
        if not how.get("forceinline") and how.get("inline") != "always"
    } == set()


LONG = "".join(f"        x += np.sqrt(abs(x)) if x < {n}.5 else a[i] / x\n" for n in range(40))
# Long enough that no processor's LLVM writes it into its caller unasked.
INNER = f"""
import numpy as np
from limbward.compiled import SUMS, kernel

@kernel(fastmath=SUMS, inner=True)
def added(a, out):
    for i in range(out.size):
        x = a[i] * out[i]
{LONG}
        out[i] = x

@kernel(fastmath=SUMS)
def outermost(a, out):
    for row in range(len(out)):
        added(a[row], out[row])

if __name__ == "__main__":
    a = np.ones((3, 100), np.float32)
    outermost(a, a.copy())
    (signature,) = outermost.signatures
    print("calls" if "added" in "".join(
        line for line in outermost.inspect_asm(signature).splitlines() if ".weak" in line
    ) else "holds")
"""


def test_a_caller_holds_its_inner_kernel_and_no_second_copy(tmp_path):
    """A weak symbol is one that the linker takes from elsewhere if it is there."""
    said = {}
    for text in (INNER, INNER.replace(", inner=True", "")):
        (tmp_path / "nested.py").write_text(text)
        environment = os.environ | {
            "NUMBA_CACHE_DIR": str(tmp_path / f"cache{len(said)}"),
            "PYTHONPATH": str(PACKAGE.parent),
        }
        done = subprocess.run(
            [sys.executable, "nested.py"],
            cwd=tmp_path, env=environment, capture_output=True, text=True, check=True,
        )  # fmt: skip
        said["inner=True" in text] = done.stdout.strip()
    assert said == {True: "holds", False: "calls"}


MERGED = """
import sys
from hashlib import sha256

import numpy as np

from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid
from limbward.radiance.kernels.gather import gather_piece
from limbward.radiance.merge import Accumulator, MergeFrame, add_frames, map_affine
from limbward.radiance.noise import NoiseModel
from tests.radiance.test_merge import RGGB, batch_of

rng = np.random.default_rng(5)
data = rng.integers(600, 9000, (5, 300, 400)).astype(np.uint16)
grid = Grid(380, 280, 190.0, 140.0)
frames = [
    MergeFrame(
        affine=np.array([[1.0, -turn, 10.3], [turn, 1.0, 10.1 + k]]), exposure_s=0.1 + k,
        offset=np.zeros(3), moon=Disc(190.0, 140.0, 40.0), noise=NoiseModel(0.3, 2.0),
        weight=rng.uniform(0.5, 1.5, (3, 28, 38)).astype(np.float32),
    )
    for k, turn in enumerate([0.0, 1e-4, 0.0, 0.01, 0.3])
]
sums = Accumulator.empty(280, 380)
predicted = rng.uniform(10.0, 1e5, (3, 28, 38)).astype(np.float32)
add_frames(
    sums, frames, batch_of(data, RGGB, np.full((2, 2), 600.0)), predicted,
    rng.uniform(0.0, 1.0, (3, 28, 38)).astype(np.float32), map_affine(grid, 10), 2,
)
loaded = sum(gather_piece.stats.cache_hits.values())
print(loaded, sha256(b"".join(bytes(np.asarray(a)) for a in vars(sums).values())).hexdigest())
"""


@pytest.mark.card
def test_a_merge_is_the_same_compiled_or_loaded(tmp_path):
    """To the last bit, on frames that are shifted, hardly turned and turned."""
    (tmp_path / "merged.py").write_text(MERGED)
    environment = os.environ | {
        "NUMBA_CACHE_DIR": str(tmp_path / "cache"),
        "PYTHONPATH": os.pathsep.join([str(PACKAGE.parent), str(Path(__file__).parents[1])]),
    }
    said = [
        subprocess.run(
            [sys.executable, "merged.py"],
            cwd=tmp_path, env=environment, capture_output=True, text=True, check=True,
        ).stdout.split()
        for _ in range(2)
    ]  # fmt: skip
    assert [loaded for loaded, _ in said] == ["0", "1"]
    assert said[0][1] == said[1][1]


@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("count", [0, 1, 3, 1000])
def test_a_range_in_threads_is_all_done_once(count, threads):
    done, names = np.zeros(count, int), set()

    def work(first, last, step):
        done[first:last] += step
        names.add(threading.current_thread().name)

    with compiled.at_most(threads):
        compiled.in_threads(work, count, 2)
    assert (done == 2).all()
    assert len(names) <= threads


def test_what_fails_in_a_thread_is_not_swallowed():
    def work(first, last):
        if first <= 500 < last:
            raise ValueError("the fifth hundred")

    with pytest.raises(ValueError, match="fifth"):
        compiled.in_threads(work, 1000)
