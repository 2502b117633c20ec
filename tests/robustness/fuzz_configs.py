"""Read and check mutated configs: each is valid, or a mistake told with its line.

    python -m tests.robustness.fuzz_configs --configs 500

mutates the example configs, reads them with `load_config`, and gives those on to what the command
`check` does. It ends with status 1 if anything but a `ConfigError` came up, if a mistake named no
line, or if one took longer than 30 s.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import random
import re
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from limbward.cli import app as cli
from limbward.config.loading import load_config
from limbward.errors import ConfigError

EXAMPLES = Path(__file__).parents[2] / "configs"
HANG_S = 30.0
VALUES = (
    *("", "~", "null", "true", "no", "0", "-0.0", "-1", "1", "90", "-90", "180", "360", "360.1"),
    *("1e308", "-1e308", "1e999", "5e-324", ".inf", "-.inf", ".nan", "9" * 400, "0x7fffffff"),
    *("0o17", "1_000", "1:30:00", "9223372036854775808", "2147483648", "1e-6", "0.5", "20000"),
    *("2026-08-12", "0001-01-01", "9999-12-31", "1550-01-01", "2650-12-31", "2026-02-30"),
    *("1899-12-31", "2053-10-09", "1900-05-28", "2024-04-08", "2027-08-02", "2026-8-12"),
    *("0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "2026-08-12T17:45:00Z"),
    *("~nosuchuser/card", "~", "~/card", "'a\\0b'", '"a\\0b"', '"\\ud800"', '"\\x07"', "'..'"),
    *("/", "/dev/null", "/proc/self/mem", "**", "***", "a**b/**/*", "'[!]'", "'[a-'", "'{x'"),
    *("'" + "x" * 300 + "'", "'" + "x/" * 2500 + "'", '"\\u202e\\u0000"', "'\u05e9\u05dc'"),
    *("[]", "{}", "[[]]", "[1, [2, [3]]]", "{a: {b: {c: 1}}}", "[" * 60 + "]" * 60, "&a [*a]"),
    *("*missing", "!!int x", "!!python/name:os.mkdir", "!!binary AA==", "!!set {a}", "<<: *a"),
    *("!!timestamp 2026-08-12", "? x", "- x", "| text", "> text", "'unclosed", '"\\q"', "@x", "%x"),
    *("[nrgf]", "nrgf", "de440", "dask", "tcp://nowhere:1", "solar_north", "[mp4, webm, mp4]"),
)
LINE = re.compile(r"^[^\n]*\.yaml(:\d+)?: ")


@dataclass
class Tally:
    """What became of the mutated configs."""

    tried: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    slowest_s: float = 0.0


def mutated(texts: list[str], count: int, seed: int) -> Iterator[str]:
    """Yield configs with values, keys, indentation, order or single characters changed."""
    rng = random.Random(seed)
    for number in range(count):
        lines = texts[number % len(texts)].splitlines()
        for _ in range(1 + int(rng.expovariate(0.8))):
            k = rng.randrange(len(lines))
            line, kind = lines[k], rng.random()
            keyed = [i for i, one in enumerate(lines) if re.match(r"\s*(- )?\w+:", one)]
            if kind < 0.62 and keyed:
                k = rng.choice(keyed)
                lines[k] = re.sub(r":.*", "", lines[k]) + ": " + rng.choice(VALUES)
            elif kind < 0.68:
                lines[k] = " " * rng.randrange(9) + line.lstrip()
            elif kind < 0.74:
                del lines[k]
                lines = lines or [""]
            elif kind < 0.80:
                lines.insert(rng.randrange(len(lines) + 1), line)
            elif kind < 0.84:
                lines.insert(k, rng.choice(["\t" + line, "---", "...", "&a", "%YAML 9", "{", "]"]))
            elif kind < 0.87:
                depth = rng.choice([50, 400, 3000])
                lines.append("deep: " + "[" * depth + "]" * rng.choice([depth, 0]))
            elif kind < 0.90:
                lines.append("a: &a [1, 1]")
                lines += [
                    f"{x}: &{x} [*{y}, *{y}, *{y}, *{y}]"
                    for y, x in zip("abcdefghi", "bcdefghij", strict=True)
                ]
            else:
                at = rng.randrange(len(line) + 1)
                sign = chr(rng.choice([0, 7, 9, 27, 0x85, 0xA0, 0x2028, 0xFEFF, 0x1F600, 58, 123]))
                lines[k] = line[:at] + sign + line[at + rng.randrange(2) :]
        yield "\n".join(lines) + "\n"


def tell(path: Path) -> str:
    """Return how reading and checking a config ends; anything but a `ConfigError` is raised."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            load_config(path)
        except ConfigError as error:
            told = str(error)
            assert all(LINE.match(one) for one in told.splitlines()), f"no line: {told}"
            return "refused"
        try:
            cli.check(path)
        except ConfigError:
            return "checked and refused"
    return "valid"


def fuzz(root: Path, count: int, seed: int) -> Tally:
    """Read mutated configs in a folder."""
    texts = [path.read_text(encoding="utf-8") for path in sorted(EXAMPLES.glob("*.yaml"))]
    for name in {n for text in texts for n in re.findall(r"- ([\w./-]+)", text)}:
        (root / name).mkdir(parents=True, exist_ok=True)  # the cards that the examples name
    (root / "card").mkdir(exist_ok=True)
    tally = Tally()
    for number, text in enumerate(mutated(texts, count, seed)):
        path = root / "c.yaml"
        path.write_bytes(text.encode("utf-8", "surrogatepass"))
        begun = time.monotonic()
        try:
            tally.ends[tell(path)] += 1
        except BaseException as error:
            place = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{Path(place.filename).name}:{place.lineno}"
            tally.faults.append(f"{number}: {type(error).__name__} at {where}: {error}")
            (root / f"fault-{number}.yaml").write_bytes(path.read_bytes())
        took = time.monotonic() - begun
        tally.slowest_s = max(tally.slowest_s, took)
        if took > HANG_S:
            tally.faults.append(f"{number}: took {took:.0f} s")
        tally.tried += 1
    return tally


def main() -> int:
    """Run the trial from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--configs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="An empty folder for the configs with faults.")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        root = (options.keep or Path(folder)).absolute()
        os.chdir(root)
        tally = fuzz(root, options.configs, options.seed)
    print(
        f"{tally.tried} configs, {len(tally.faults)} faults, slowest {tally.slowest_s:.2f} s, "
        f"{dict(tally.ends)}"
    )
    print("\n".join(tally.faults))
    return 1 if tally.faults else 0


if __name__ == "__main__":
    sys.exit(main())
