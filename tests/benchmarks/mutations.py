"""Deliberate mistakes, each of which a test has to notice.

    python tests/benchmarks/mutations.py [--only WORD]

For each row of the table the package is copied, one text in it is replaced, and the named tests are
run on the copy, with the kernels as plain Python, or compiling would take most of the time. It
prints what each mutation met, and ends with 1 if one survived or if its text is no longer there.
Half a minute a mutation; by hand.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]


class Mutation(NamedTuple):
    """A text of a file of the package, what it becomes, and the tests that must fail then."""

    file: str
    old: str
    new: str
    tests: str


KERNELS = "radiance/kernels/"
PLAIN = "tests/radiance/test_merge.py::test_kernel_agrees_with_plain_numpy"
ONE = f"{PLAIN}[True-3.0-pattern0]"
OUTLIERS = "tests/radiance/test_outliers.py"
SATURATION = "tests/radiance/test_saturation.py"
TAPS = "tests/radiance/test_taps.py"

MUTATIONS = (
    # The first three once survived all tests.
    Mutation(KERNELS + "sums.py", "errors[x] *= flat[", "errors[x] *= 1.0 + 0.0 * flat[", ONE),
    Mutation(KERNELS + "outliers.py", "OUTLIER_PART = 0.05", "OUTLIER_PART = 0.15", OUTLIERS),
    Mutation(
        KERNELS + "outliers.py",
        "variance[x] * inverse * inverse * SIGMA2 + PART2",
        "PART2",
        OUTLIERS,
    ),
    Mutation(KERNELS + "outliers.py", "* SIGMA2 + PART2 * mean * mean", "* SIGMA2", OUTLIERS),
    Mutation(KERNELS + "outliers.py", "OUTLIER_SIGMA = 6.0", "OUTLIER_SIGMA = 6.5", OUTLIERS),
    Mutation(KERNELS + "outliers.py", "OUTLIER_SCATTER = 6.0", "OUTLIER_SCATTER = 6.5", OUTLIERS),
    Mutation(KERNELS + "outliers.py", "- worst[x] - second[x]", "- worst[x]", OUTLIERS),
    Mutation(KERNELS + "outliers.py", "OUTLIER_FRAMES = 5", "OUTLIER_FRAMES = 4", OUTLIERS),
    Mutation(KERNELS + "sums.py", "np.float32(16.0)", "np.float32(15.0)", ONE),
    Mutation(KERNELS + "sums.py", "SHARPER * p * p * p", "SHARPER * p * p", ONE),
    Mutation(KERNELS + "sums.py", "(value - offset)", "(value + offset)", ONE),
    Mutation(KERNELS + "sums.py", "variance[x] += w * w", "variance[x] += w", ONE),
    Mutation(KERNELS + "weights.py", "EDGE_FADE_PX = 24.0", "EDGE_FADE_PX = 23.0", ONE),
    Mutation(KERNELS + "weights.py", "FADE = np.float32(0.01)", "FADE = np.float32(0.011)", ONE),
    Mutation(KERNELS + "weights.py", "if (bits >> c) & 1:", "if bits & 1:", ONE),
    Mutation(KERNELS + "weights.py", "* rim\n", "* rim * np.float32(0.9)\n", ONE),
    Mutation(KERNELS + "sampling.py", "sample *= flat", "sample += 0.0 * flat", ONE),
    Mutation("radiance/merge.py", "MOON_FADE_PX = 0.5", "MOON_FADE_PX = 0.6", ONE),
    Mutation("radiance/merge.py", "f.noise.read**2, f", "f.noise.read, f", ONE),
    Mutation("radiance/taps.py", "PEAK, PEAK_UNEVEN = 7, 3", "PEAK, PEAK_UNEVEN = 6, 3", TAPS),
    Mutation("radiance/taps.py", "WIDEST = 2.5", "WIDEST = 2.4", TAPS),
    Mutation("radiance/taps.py", "PULL = 3e-5", "PULL = 3e-4", TAPS),
    Mutation("radiance/saturation.py", "ABOVE = 1.05", "ABOVE = 1.06", SATURATION),
    Mutation("radiance/saturation.py", "CLIPPED = 0.99", "CLIPPED = 0.985", SATURATION),
    Mutation("radiance/saturation.py", "REACH_PX = 1.2", "REACH_PX = 0.9", SATURATION),
    Mutation("radiance/saturation.py", "CORE_PX = 1.0", "CORE_PX = 0.9", SATURATION),
    Mutation(KERNELS + "noise.py", "np.maximum(signal, np.float32(0.0))", "signal", OUTLIERS),
    Mutation(KERNELS + "noise.py", "gain * light + read2", "gain * light", ONE),
    Mutation(KERNELS + "noise.py", "spread2 * light * light", "spread2 * light", ONE),
)  # fmt: skip


def survives(mutation: Mutation, folder: Path) -> bool | None:
    """Return whether the tests pass with the mutation; None if there is nothing to replace."""
    package = folder / "limbward"
    shutil.rmtree(package, ignore_errors=True)
    shutil.copytree(
        ROOT / "pipeline" / "limbward", package, ignore=shutil.ignore_patterns("__pycache__")
    )
    file = package / mutation.file
    text = file.read_text()
    if text.count(mutation.old) != 1:
        return None
    file.write_text(text.replace(mutation.old, mutation.new))
    paths = os.pathsep.join([str(folder), str(ROOT)])
    environment = os.environ | {"PYTHONPATH": paths, "NUMBA_DISABLE_JIT": "1"}
    options = ["-n", "0", "-x", "-p", "no:cacheprovider"]
    command = [sys.executable, "-m", "pytest", *options, mutation.tests]
    done = subprocess.run(
        command, env=environment, cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stdout + done.stderr)
    return done.returncode == 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--only", default="", help="of the files' names and texts")
    only = parser.parse_args().only
    wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        for mutation in MUTATIONS:
            if only not in mutation.file + mutation.old:
                continue
            found = survives(mutation, Path(folder))
            word = {True: "SURVIVED", False: "killed", None: "NOT THERE"}[found]
            wrong += found is not False
            print(f"{word:9} {mutation.file}: {mutation.old!r} -> {mutation.new!r}", flush=True)
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
