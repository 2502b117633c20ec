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
CIRCLE = "tests/limb/test_circle.py"
EDGES = "tests/limb/test_edges.py"
ADJUST = "tests/limb/test_adjust.py"
CORONA = "tests/limb/test_corona.py"
SOLVE = "tests/clock/test_solve.py"
READINGS = "tests/clock/test_readings.py"
RELIEF, TRACED = "tests/limb/test_relief.py", "tests/limb/test_traced.py"
LIMB = "tests/clock/test_limb.py"

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
    Mutation(KERNELS + "noise.py", "return gain * light + read2 +", "return gain * light +", ONE),
    Mutation(KERNELS + "noise.py", "spread2 * light * light", "spread2 * light", ONE),
    Mutation("limb/circle.py", "f_scale=2.0", "f_scale=20.0", CIRCLE),
    Mutation("limb/circle.py", "* scatter**2", "", CIRCLE),
    Mutation("limb/edges.py", "0.5 * (left - right) / c", "0.5 * (right - left) / c", EDGES),
    Mutation("limb/edges.py", "blur**2 - 1.0", "blur**2", EDGES),
    Mutation("limb/ramp.py", "radius + low_at - s * depth", "radius + low_at", EDGES),
    Mutation("limb/refit.py", "refraction @ np.array([c.x, c.y])", "np.array([c.x, c.y])",
             "tests/limb/test_register.py"),
    Mutation("limb/veil.py", "larger = inverse @", "larger = 4.0 * inverse @",
             f"{CORONA}::test_the_stated_error_is_that_of_repeated_measurements"),
    Mutation("limb/veil.py", "trust = own * _trusted(", "trust = own + 0.0 * _trusted(",
             f"{CORONA}::test_a_reflection_that_moves_over_the_corona_pulls_no_frame"),
    Mutation("limb/veil.py", "FACTOR_DEGREE, LIGHT_TERMS = 4", "FACTOR_DEGREE, LIGHT_TERMS = 2",
             f"{CORONA}::test_patchy_cloud_moves_nothing"),
    Mutation("limb/shift.py", "gy * vx[both] - gx * vy", "gx * vx[both] - gy * vy",
             f"{CORONA}::test_a_small_turn_is_measured"),
    Mutation("limb/adjust.py", "np.sqrt(0.5 * (variances", "np.sqrt(1.0 * (variances", ADJUST),
    Mutation("limb/adjust.py", "(2.0 / np.maximum(miss, 2.0)) ** 2", "1.0", ADJUST),
    Mutation("clock/crescent_posterior.py", "half = 0.5 * speed", "half = 0.25 * speed",
             f"{SOLVE}::test_readings_at_a_steady_pace_do_not_average_their_coarseness_away"),
    Mutation("clock/crescent_model.py", "DRIFT_PRIOR = 20.0", "DRIFT_PRIOR = 0.2",
             f"{SOLVE}::test_totality_alone_says_nothing_of_the_drift"),
    Mutation("clock/crescent_fit.py", " * np.sqrt(c.sigma_px.size)", "",
             f"{SOLVE}::test_mountains_on_the_limb_do_not_average_away"),
    Mutation("clock/crescent_pieces.py", "((c.order >= begin) &", "((c.order > begin) &",
             "tests/clock/test_pieces.py::test_a_small_setting_is_not_taken_for_drift"),
    Mutation("clock/crescent_fit.py", "PULL_SIGMA**2 * due, 0.0)", "PULL_SIGMA**2 * due, 0.0) * 0",
             "tests/robustness/test_fuzz_clocks.py"),
    Mutation("clock/path_fit.py", "MIRRORED_COST = 7.0", "MIRRORED_COST = 0.0",
             f"{SOLVE}::test_a_wrong_site_is_not_taken_for_a_mirrored_camera"),
    Mutation("limb/refit.py", "(radius[0] / mean,", "(radius[0],", "tests/limb/test_register.py"),
    Mutation("limb/covered.py", "fit = _outwards(frame, edges, fit)", "pass",
             "tests/limb/test_darkening.py"),
    Mutation("clock/between.py", "second - EDGE_S, third", "second - 1e3, third",
             "tests/clock/test_pieces.py"),
    Mutation("limb/place.py", "np.median(rest) < AGREED_PX", "np.median(rest) < 1e9",
             "tests/limb/test_place.py"),
    Mutation("limb/mergeable.py", "shown & ~seen.clipped &", "shown &",
             "tests/test_phasing.py"),
    Mutation("clock/crescent_solve.py", "square / width**2) ** 2", "square / width**2) ** 0",
             f"{SOLVE}::test_wild_frames_are_left_out"),
    Mutation("clock/solution.py", "<= 600.0", "<= 900.0",
             f"{SOLVE}::test_quarter_zones_and_hints"),
    Mutation("clock/crescent_model.py", "+ 0.5 * d.resolution_s - d.since_greatest_s",
             "- d.since_greatest_s", f"{SOLVE}::test_gps_tags_join_the_crescents"),
    Mutation("clock/readings.py", " + 0.5 * coarse", "", READINGS),
    Mutation("sky/limb_track.py", "turn = -east", "turn = east", "tests/sky/test_limb_track.py"),
    Mutation("limb/traced.py", "np.nan_to_num(off + move)", "np.nan_to_num(off - move)", TRACED),
    Mutation("limb/traced.py", "blur = _blur(image", "blur = 3.0 + 0.0 * _blur(image", TRACED),
    Mutation("limb/relief.py", "rough.x - smooth.x", "smooth.x - rough.x", RELIEF),
    Mutation("limb/relief.py", "spread < CIRCLE_PX", "spread < 0.0 * CIRCLE_PX", RELIEF),
    Mutation("limb/relief.py", "near and amplitude > SURE * sigma", "near", RELIEF),
    Mutation("clock/body.py", "left = RELIEF_ARCSEC if verdict.decision",
             "left = RELIEF_LEFT_ARCSEC if verdict.decision", LIMB),
    Mutation("clock/body.py", "discs.sun_radius / size", "discs.sun_radius", LIMB),
    Mutation("clock/body.py", "return replace(smooth, limb=solution.limb).doubted(change), before",
             "return replace(smooth, limb=solution.limb), before", LIMB),
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
