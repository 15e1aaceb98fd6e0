"""A simulated computer: a sysfs tree that follows a first-order thermal model and scripted faults.

The model is a heat sink with one time constant, and a die above it by a fixed resistance:

    sink' = (ambient + R_sink * P - sink) / tau        die = sink + R_die * P

Power follows the load and the cube of the clock; at the throttling temperature the clock is cut
and the counters rise. A fan keeps R_sink low until it fails. All numbers are invented: they stand
for no machine.

As a process (``python -m tests.simulated_rig ROOT``) it is driven by the CPU time of the processes
whose ids are written to ``ROOT/load_of``, or of the whole machine.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path

import psutil

from harness.clock import NS_PER_SECOND, SYSTEM
from tests.sysfs_trees import Tree

_REPOSITORY = Path(__file__).resolve().parents[1]
_WIDTH = 20


@dataclass
class RigModel:
    """The physics. `step` moves it on; every public number is its state now."""

    ambient_celsius: float = 25.0
    idle_watts: float = 12.0
    full_watts: float = 110.0
    sink_kelvin_per_watt: float = 0.40
    die_kelvin_per_watt: float = 0.15
    time_constant_seconds: float = 20.0
    throttle_celsius: float = 100.0
    nominal_hz: float = 4.6e9
    throttled_share: float = 0.7
    #: How much worse the sink cools without its fan.
    fanless_factor: float = 3.0
    energy_range_uj: int = 262_143_328_850
    fan_failed: bool = False
    load: float = 0.0
    energy_uj: float = 0.0
    throttle_count: int = 0
    throttle_ms: float = 0.0
    corrected_errors: int = 0
    sink_celsius: float = field(default=math.nan)
    throttling: bool = False

    def __post_init__(self) -> None:
        if math.isnan(self.sink_celsius):
            self.sink_celsius = self.settled_sink(self.power_watts)

    @property
    def power_watts(self) -> float:
        """Electrical power now."""
        share = self.clock_hz / self.nominal_hz
        return self.idle_watts + self.load * (self.full_watts - self.idle_watts) * share**3

    @property
    def clock_hz(self) -> float:
        """The cores' clock now."""
        return self.nominal_hz * (self.throttled_share if self.throttling else 1.0)

    @property
    def die_celsius(self) -> float:
        """What the die's sensor sees."""
        return self.sink_celsius + self.die_kelvin_per_watt * self.power_watts

    @property
    def fan_rpm(self) -> float:
        """A fan that follows the sink's temperature, or stands still."""
        if self.fan_failed:
            return 0.0
        return 700.0 + 25.0 * max(self.sink_celsius - 30.0, 0.0)

    def settled_sink(self, watts: float) -> float:
        """Where the sink ends up under a constant power."""
        factor = self.fanless_factor if self.fan_failed else 1.0
        return self.ambient_celsius + self.sink_kelvin_per_watt * factor * watts

    def step(self, load: float, seconds: float) -> None:
        """Let `seconds` pass under `load` (0 to 1); the exact solution for a constant power."""
        self.load = min(max(load, 0.0), 1.0)
        hot = self.die_celsius >= self.throttle_celsius
        self.throttle_count += hot and not self.throttling
        self.throttling = hot
        watts = self.power_watts
        target = self.settled_sink(watts)
        decay = math.exp(-seconds / self.time_constant_seconds)
        self.sink_celsius = target + (self.sink_celsius - target) * decay
        self.energy_uj += watts * seconds * 1e6
        self.throttle_ms += 1000.0 * seconds * hot


@dataclass(frozen=True)
class Fault:
    """Something that happens to the tree at a time; `kind` names a method of the rig."""

    at_seconds: float
    kind: str
    value: float = 0.0


class RigTree:
    """The model's state as the drivers of a board would show it, written in place."""

    def __init__(self, root: Path, model: RigModel, cores: int = 2) -> None:
        self.tree = Tree(root)
        self.model = model
        self.cores = cores
        self.die_number = 0
        self.stuck: float | None = None
        self.code_celsius: float | None = None
        self.lost = False
        self._lay_out()
        self.update()

    @property
    def die_folder(self) -> str:
        """Where the processor's chip lies now."""
        return f"sys/devices/platform/coretemp.0/hwmon/hwmon{self.die_number}"

    def update(self) -> None:
        """Write the model's state."""
        model, put = self.model, self._put
        if not self.lost:
            shown = model.die_celsius if self.stuck is None else self.stuck
            package = shown if self.code_celsius is None else self.code_celsius
            put(f"{self.die_folder}/temp1_input", package * 1000)
            for core in range(self.cores):
                put(f"{self.die_folder}/temp{core + 2}_input", (shown - 1 - core) * 1000)
        board = "sys/devices/platform/nct6775.656/hwmon/hwmon1"
        put(f"{board}/temp1_input", (model.ambient_celsius + 8) * 1000)
        put(f"{board}/fan1_input", model.fan_rpm)
        put(f"{board}/in0_input", 1_300 - 60 * model.load)
        zone = "sys/devices/virtual/powercap/intel-rapl/intel-rapl:0/energy_uj"
        put(zone, int(model.energy_uj) % (model.energy_range_uj + 1))
        for core in range(self.cores):
            cpu = f"sys/devices/system/cpu/cpu{core}/thermal_throttle"
            put(f"{cpu}/core_throttle_count", model.throttle_count)
            put(f"{cpu}/core_throttle_total_time_ms", model.throttle_ms)
            policy = f"sys/devices/system/cpu/cpufreq/policy{core}"
            put(f"{policy}/cpuinfo_avg_freq", model.clock_hz / 1000)
        put("sys/devices/system/edac/mc/mc0/ce_count", model.corrected_errors)

    # --- faults ----------------------------------------------------------------------------------

    def disappear(self, _: float = 0.0) -> None:
        """The processor's chip is gone: its attributes read empty, then are not there."""
        self.lost = True
        folder = self.tree.root / self.die_folder
        for file in folder.glob("temp*_input"):
            os.truncate(file, 0)
            file.unlink()
        (self.tree.root / f"sys/class/hwmon/hwmon{self.die_number}").unlink()

    def reappear(self, number: float = 0.0) -> None:
        """The chip comes back, counted as another number, as after a restart of its driver."""
        self.die_number = int(number) or self.die_number + 5
        self.lost = False
        self._lay_out_die()
        self.update()

    def stick(self, _: float = 0.0) -> None:
        """The processor's sensor stays at what it shows now."""
        self.stuck = self.model.die_celsius

    def disconnect(self, code: float = 127.0) -> None:
        """The package's sensor reads the code of an input with nothing connected."""
        self.code_celsius = code or 127.0

    def recover(self, _: float = 0.0) -> None:
        """The sensor shows the truth again."""
        self.stuck = self.code_celsius = None

    def become_unreadable(self, _: float = 0.0) -> None:
        """A folder stands where the value was: every read fails."""
        self.lost = True
        file = self.tree.root / self.die_folder / "temp1_input"
        os.truncate(file, 0)
        file.unlink()
        file.mkdir()

    def fail_fan(self, _: float = 0.0) -> None:
        """The fan stands still, and the sink cools worse."""
        self.model.fan_failed = True

    def correct_an_error(self, count: float = 1.0) -> None:
        """The memory controller reports corrected errors."""
        self.model.corrected_errors += int(count) or 1

    # --- layout ----------------------------------------------------------------------------------

    def _put(self, path: str, value: float) -> None:
        """Overwrite in place, at a fixed width, as a reader with a kept descriptor expects it."""
        with (self.tree.root / path).open("r+b", buffering=0) as file:
            file.write(f"{round(value):<{_WIDTH}d}\n".encode())

    def _lay_out(self) -> None:
        tree, blank = self.tree, "0".ljust(_WIDTH)
        tree.cpus(self.cores)
        self._lay_out_die()
        tree.hwmon(1, "platform/nct6775.656", "nct6799",
                   {"temp1_label": "SYSTIN", "temp1_input": blank, "fan1_input": blank,
                    "in0_input": blank})  # fmt: skip
        zone = tree.zone("intel-rapl:0", "package-0", 0, self.model.energy_range_uj)
        tree.write(f"{zone}/energy_uj", blank)
        for core in range(self.cores):
            tree.write_all(f"sys/devices/system/cpu/cpu{core}/thermal_throttle",
                           {"core_throttle_count": blank,
                            "core_throttle_total_time_ms": blank})  # fmt: skip
            tree.policy(core, {"cpuinfo_avg_freq": blank, "scaling_governor": "performance"})
        tree.write_all("sys/devices/system/edac/mc/mc0", {"mc_name": "rig", "ce_count": blank})
        tree.cpuinfo({"vendor_id": "GenuineIntel", "model name": "A Simulated CPU"})
        tree.memory(16 * 1024**2, 12 * 1024**2)
        tree.stat()
        tree.boot()

    def _lay_out_die(self) -> None:
        labels = {f"temp{core + 2}_label": f"Core {core}" for core in range(self.cores)}
        values = {f"temp{core + 2}_input": "0".ljust(_WIDTH) for core in range(self.cores)}
        self.tree.hwmon(self.die_number, "platform/coretemp.0", "coretemp",
                        {"temp1_label": "Package id 0", "temp1_input": "0".ljust(_WIDTH),
                         "temp1_crit": 100_000, **labels, **values})  # fmt: skip


@dataclass
class Rig:
    """Model, tree and script together; `advance` is all that time does."""

    board: RigTree
    faults: Sequence[Fault] = ()
    seconds: float = 0.0
    _done: int = 0

    def advance(self, load: float, seconds: float) -> None:
        """Let time pass under a load, and the faults whose time has come happen."""
        self.seconds += seconds
        self.board.model.step(load, seconds)
        due = sorted(self.faults, key=lambda it: it.at_seconds)
        while self._done < len(due) and due[self._done].at_seconds <= self.seconds:
            fault = due[self._done]
            getattr(self.board, fault.kind)(fault.value)
            self._done += 1
        self.board.update()


def make_rig(root: Path, model: RigModel | None = None, faults: Sequence[Fault] = ()) -> Rig:
    """A rig over a new tree."""
    return Rig(RigTree(root, model or RigModel()), faults)


# --- as a process --------------------------------------------------------------------------------


def _load_meter(root: Path, cores: int) -> Callable[[], float]:
    """Share of `cores` in use since the last call, by the processes named in ``load_of``."""
    seen: dict[int, float] = {}
    last_ns = SYSTEM.monotonic_ns()

    def measure() -> float:
        nonlocal last_ns
        now_ns = SYSTEM.monotonic_ns()
        elapsed, last_ns = (now_ns - last_ns) / NS_PER_SECOND, now_ns
        used = 0.0
        for pid in _pids(root):
            total = _cpu_seconds(pid)
            used += max(total - seen.get(pid, total), 0.0)
            seen[pid] = total
        return used / max(elapsed, 1e-3) / cores

    return measure


def _pids(root: Path) -> list[int]:
    try:
        return [int(word) for word in (root / "load_of").read_text().split()]
    except (OSError, ValueError):
        return []


def _cpu_seconds(pid: int) -> float:
    try:
        times = psutil.Process(pid).cpu_times()
    except psutil.Error:
        return 0.0
    return float(times.user + times.system)


def main() -> None:
    """Maintain a tree until killed or until the parent goes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("root", type=Path)
    parser.add_argument("--model", default="{}", help="JSON object of RigModel's fields")
    parser.add_argument("--faults", default="[]", help="JSON list of [seconds, kind, value]")
    parser.add_argument("--load-cores", type=int, default=1)
    parser.add_argument("--step-seconds", type=float, default=0.05)
    given = parser.parse_args()
    faults = [Fault(*it) for it in json.loads(given.faults)]
    rig = make_rig(given.root, RigModel(**json.loads(given.model)), faults)
    measure = _load_meter(given.root, given.load_cores)
    (given.root / "ready").touch()
    parent, last_ns = os.getppid(), SYSTEM.monotonic_ns()
    while os.getppid() == parent:
        SYSTEM.sleep(given.step_seconds)
        now_ns = SYSTEM.monotonic_ns()
        rig.advance(measure(), (now_ns - last_ns) / NS_PER_SECOND)
        last_ns = now_ns


@contextmanager
def running_rig(
    root: Path, model: RigModel, faults: Sequence[Fault] = (), load_cores: int = 1
) -> Iterator[Path]:
    """A rig as a process of its own while the block runs; gives the root."""
    root.mkdir(parents=True, exist_ok=True)
    state = asdict(model)
    script = [[it.at_seconds, it.kind, it.value] for it in faults]
    argv = [sys.executable, "-m", "tests.simulated_rig", str(root), "--model", json.dumps(state),
            "--faults", json.dumps(script), "--load-cores", str(load_cores)]  # fmt: skip
    process = subprocess.Popen(argv, cwd=_REPOSITORY)
    try:
        deadline_ns = SYSTEM.monotonic_ns() + 30 * NS_PER_SECOND
        while not (root / "ready").exists():
            assert SYSTEM.monotonic_ns() < deadline_ns, "the rig did not start"
            assert process.poll() is None, "the rig ended"
            SYSTEM.sleep(0.01)
        yield root
    finally:
        process.kill()
        process.wait(10)


if __name__ == "__main__":
    main()
