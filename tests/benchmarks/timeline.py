"""The timeline of a run: which of its processes worked when, and in which stage.

    python -m tests.benchmarks.timeline CONFIG [LIMBWARD RUN'S OPTIONS]

Prints a line for each process, a character for each second: a digit is the tenths of a core that it
used. What stands below 10 in the sum of a column while there are two cores is idle.
"""

import json
import subprocess
import sys
import time
from pathlib import Path

import psutil

STEP_S = 1.0
SHADES = " 123456789#"


def watch(process: subprocess.Popen) -> tuple[dict[int, list[float]], float]:
    """Return the cores that each process used in each step, and how long all took."""
    main = psutil.Process(process.pid)
    used: dict[int, list[float]] = {}
    before: dict[int, float] = {}
    begun, step = time.perf_counter(), 0
    while process.poll() is None:
        time.sleep(max(0.0, begun + (step + 1) * STEP_S - time.perf_counter()))
        try:
            all_of_them = [main, *main.children(recursive=True)]
        except psutil.Error:
            break
        for each in all_of_them:
            try:
                times = each.cpu_times()
            except psutil.Error:
                continue
            now = times.user + times.system
            row = used.setdefault(each.pid, [])
            row += [0.0] * (step - len(row))
            row.append((now - before.get(each.pid, 0.0)) / STEP_S)
            before[each.pid] = now
        step += 1
    return used, time.perf_counter() - begun


def drawn(row: list[float]) -> str:
    """Return a line of a process."""
    return "".join(SHADES[min(round(10.0 * cores), 10)] for cores in row)


def main() -> None:
    """Run and draw."""
    config = Path(sys.argv[1])
    command = [sys.executable, "-m", "limbward", "run", str(config), *sys.argv[2:]]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    used, took = watch(process)
    steps = max(map(len, used.values()))
    busy = [sum(row[k] for row in used.values() if k < len(row)) for k in range(steps)]
    for pid, row in used.items():
        if sum(row) >= STEP_S:
            print(f"{pid:>8} {drawn(row)}")
    print(f"{'all':>8} {drawn([cores / 2 for cores in busy])}  (10 is two cores)")
    print(f"{took:.0f} s, {sum(busy) * STEP_S:.0f} s of the processor")
    told = config.parent / "workspace" / "provenance.json"
    if told.exists():
        for stage in json.loads(told.read_text())["stages"]:
            print(f"{stage['name']:>8} {stage['seconds']:.1f} s")


if __name__ == "__main__":
    main()
