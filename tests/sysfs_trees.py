"""Builders of /sys and /proc trees: what drivers of real boards lay out, written to a folder.

Layouts follow the kernel's ABI documents. The values are invented: they stand for no machine.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

Attributes = Mapping[str, str | int]


@dataclass
class Tree:
    """A root folder that gets files, folders and links by path."""

    root: Path

    def write(self, path: str, value: str | int | bytes) -> Path:
        """A regular file; text gets the newline that sysfs puts behind it."""
        file = self.root / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(value if isinstance(value, bytes) else f"{value}\n".encode())
        return file

    def write_all(self, folder: str, attributes: Attributes) -> None:
        """Several files of one folder."""
        for name, value in attributes.items():
            self.write(f"{folder}/{name}", value)

    def link(self, path: str, target: str) -> None:
        """A relative link from `path` to `target`, both below the root, as sysfs has them."""
        place = self.root / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.symlink_to(os.path.relpath(self.root / target, place.parent))

    def hwmon(self, number: int, device: str, name: str, attributes: Attributes) -> str:
        """A monitoring chip on `device` (a path below sys/devices); returns its folder."""
        folder = f"sys/devices/{device}/hwmon/hwmon{number}"
        self.write_all(folder, {"name": name, **attributes})
        self.link(f"{folder}/device", f"sys/devices/{device}")
        self.link(f"sys/class/hwmon/hwmon{number}", folder)
        return folder

    def thermal(
        self, number: int, kind: str, millidegrees: int, trips: Attributes | None = None
    ) -> str:
        """A thermal zone; `trips` are its trip point files."""
        folder = f"sys/devices/virtual/thermal/thermal_zone{number}"
        self.write_all(folder, {"type": kind, "temp": millidegrees, **(trips or {})})
        self.link(f"sys/class/thermal/thermal_zone{number}", folder)
        return folder

    def cpus(self, count: int, *, threads_per_core: int = 1, packages: int = 1) -> None:
        """Online CPUs with topology and caches; sibling threads are numbered behind all cores."""
        cores = count // threads_per_core
        self.write("sys/devices/system/cpu/online", f"0-{count - 1}")
        for cpu in range(count):
            core = cpu % cores
            siblings = [core + cores * thread for thread in range(threads_per_core)]
            folder = f"sys/devices/system/cpu/cpu{cpu}"
            self.write_all(
                f"{folder}/topology",
                {
                    "core_id": core % max(cores // packages, 1),
                    "die_id": 0,
                    "physical_package_id": core // max(cores // packages, 1),
                    "thread_siblings_list": ",".join(map(str, siblings)),
                },
            )
            self.write_all(
                f"{folder}/cache/index0",
                {"level": 1, "type": "Data", "size": "48K", "shared_cpu_list": siblings[0]},
            )
        self.write("sys/devices/system/node/node0/cpulist", f"0-{count - 1}")

    def policy(self, number: int, attributes: Attributes) -> str:
        """A frequency policy."""
        folder = f"sys/devices/system/cpu/cpufreq/policy{number}"
        self.write_all(folder, {"related_cpus": number, **attributes})
        return folder

    def zone(self, place: str, name: str, energy_uj: int, range_uj: int) -> str:
        """An energy zone such as ``intel-rapl:0``, listed flat in the class folder."""
        driver = place.split(":", 1)[0]
        folder = f"sys/devices/virtual/powercap/{driver}/{place}"
        self.write_all(
            folder, {"name": name, "energy_uj": energy_uj, "max_energy_range_uj": range_uj}
        )
        self.link(f"sys/class/powercap/{place}", folder)
        return folder

    def dmi(self, attributes: Attributes) -> None:
        """The firmware's readable table."""
        self.write_all("sys/class/dmi/id", attributes)

    def cpuinfo(self, lines: Mapping[str, str]) -> None:
        """The first processor's paragraph."""
        text = "".join(f"{name}\t: {value}\n" for name, value in lines.items())
        self.write("proc/cpuinfo", f"processor\t: 0\n{text}".encode())

    def memory(self, total_kib: int, available_kib: int) -> None:
        """/proc/meminfo."""
        self.write(
            "proc/meminfo",
            f"MemTotal: {total_kib} kB\nMemAvailable: {available_kib} kB\n"
            "SwapTotal: 0 kB\nSwapFree: 0 kB",
        )

    def stat(self, busy_ticks: int = 1_000, idle_ticks: int = 9_000) -> None:
        """/proc/stat's first line."""
        self.write("proc/stat", f"cpu  {busy_ticks} 0 0 {idle_ticks} 0 0 0 0 0 0")

    def interrupts(self, rows: Mapping[str, Sequence[int]], cpus: int) -> None:
        """/proc/interrupts with a heading of `cpus` columns."""
        heading = "".join(f"       CPU{cpu}" for cpu in range(cpus))
        body = "".join(
            f"\n{name}: {' '.join(map(str, counts))}   some text" for name, counts in rows.items()
        )
        self.write("proc/interrupts", f"           {heading}{body}")

    def boot(self, boot_id: str = "11111111-2222-3333-4444-555555555555") -> None:
        """Kernel version and boot id."""
        self.write("proc/sys/kernel/random/boot_id", boot_id)
        self.write("proc/sys/kernel/osrelease", "6.12.0")
        self.write("proc/cmdline", "root=/dev/sda1 mitigations=auto isolcpus=3")
        self.write("etc/machine-id", "0123456789abcdef0123456789abcdef")


def _base(root: Path, cpus: int, threads_per_core: int = 1, packages: int = 1) -> Tree:
    tree = Tree(root)
    tree.cpus(cpus, threads_per_core=threads_per_core, packages=packages)
    tree.memory(32 * 1024**2, 28 * 1024**2)
    tree.stat()
    tree.boot()
    return tree


@dataclass(frozen=True)
class _Processor:
    """What /proc/cpuinfo says of an x86 processor."""

    vendor_id: str
    family: int
    model: int
    name: str
    stepping: int
    microcode: str
    flags: str = ""

    def write(self, tree: Tree) -> None:
        lines = {
            "vendor_id": self.vendor_id,
            "cpu family": str(self.family),
            "model": str(self.model),
            "model name": self.name,
            "stepping": str(self.stepping),
            "microcode": self.microcode,
        }
        tree.cpuinfo({**lines, "flags": self.flags} if self.flags else lines)


def server(root: Path) -> Tree:
    """Two packages, memory over PECI, supplies on a management bus, error counts."""
    tree = _base(root, 8, packages=2)
    _Processor("GenuineIntel", 6, 143, "A Server CPU", 8, "0x2b000461").write(tree)
    for package in range(2):
        _server_package(tree, package)
        _memory_controller(tree, package)
    _server_supplies(tree)
    tree.write("sys/devices/system/machinecheck/machinecheck0/check_interval", 300)
    tree.interrupts({"MCE": [0] * 8, "MCP": [7] * 8, "THR": [0] * 8, "TRM": [0] * 8}, 8)
    tree.dmi(
        {
            "board_vendor": "A Server Maker",
            "board_name": "Board 2S",
            "bios_vendor": "Firmware Co",
            "bios_version": "2.1",
            "bios_date": "03/14/2025",
        }
    )
    return tree


def _server_package(tree: Tree, package: int) -> None:
    """One package's own sensors, its memory's, and its energy counters."""
    tree.hwmon(
        package,
        f"platform/coretemp.{package}",
        "coretemp",
        {
            "temp1_label": f"Package id {package}",
            "temp1_input": 52000 + package * 1000,
            "temp1_max": 91000,
            "temp1_crit": 101000,
            "temp2_label": "Core 0",
            "temp2_input": 50000,
        },
    )
    tree.hwmon(
        4 + package,
        f"platform/peci/peci-0/0-3{package}/peci_cpu.dimmtemp.{package}",
        "peci_dimmtemp.cpu0",
        {"temp1_label": "DIMM A1", "temp1_input": 41000},
    )
    tree.zone(f"intel-rapl:{package}", f"package-{package}", 5_000_000, 262_143_328_850)
    tree.zone(f"intel-rapl:{package}:0", "dram", 1_000_000, 65_712_999_613)


def _memory_controller(tree: Tree, number: int) -> None:
    """An EDAC controller with one module."""
    folder = f"sys/devices/system/edac/mc/mc{number}"
    tree.write_all(folder, {"mc_name": "A Controller", "ce_count": 3, "ue_count": 0})
    tree.write_all(
        f"{folder}/dimm0",
        {"dimm_label": f"CPU{number}_DIMM_A1", "dimm_ce_count": 3, "dimm_ue_count": 0},
    )


def _server_supplies(tree: Tree) -> None:
    """A supply on the management bus and the firmware's power meter."""
    tree.hwmon(
        2,
        "pci0000:00/0000:00:1f.4/i2c-1/1-0058",
        "dps800",
        {
            "in1_label": "vin",
            "in1_input": 229500,
            "power1_label": "pin",
            "power1_input": 412000000,
            "temp1_input": 33000,
            "fan1_input": 8200,
        },
    )
    tree.hwmon(
        3, "LNXSYSTM:00/LNXSYBUS:00/ACPI000D:00", "power_meter", {"power1_average": 398000000}
    )


def desktop_a(root: Path) -> Tree:
    """One maker's desktop: a processor with Tctl and Tdie, a monitoring chip with many inputs."""
    tree = _base(root, 16, threads_per_core=2)
    flags = "avx2 fma avx512f aperfmperf"
    _Processor("AuthenticAMD", 25, 97, "A Desktop CPU", 2, "0xa601206", flags).write(tree)
    _tctl_and_tdie(tree, 0)
    _many_inputs(tree, 1)
    tree.hwmon(
        2,
        "pci0000:00/0000:00:01.1/0000:01:00.0/nvme/nvme0",
        "nvme",
        {"temp1_label": "Composite", "temp1_input": 44850, "temp1_crit": 84850},
    )
    tree.zone("intel-rapl:0", "package-0", 7_000_000, 65_532_610_987)
    tree.zone("intel-rapl:0:0", "core", 3_000_000, 65_532_610_987)
    for cpu in range(16):
        tree.policy(
            cpu,
            {
                "scaling_cur_freq": 4_200_000,
                "scaling_governor": "performance",
                "scaling_driver": "amd-pstate-epp",
                "cpuinfo_max_freq": 5_700_000,
                "cpuinfo_min_freq": 400_000,
                "energy_performance_preference": "performance",
            },
        )
    tree.write("sys/devices/system/cpu/cpufreq/boost", 1)
    tree.dmi({"board_vendor": "Desktop Maker A", "board_name": "A870", "bios_version": "1801"})
    return tree


def _tctl_and_tdie(tree: Tree, number: int) -> None:
    """A processor whose control value lies above its die's temperature."""
    tree.hwmon(
        number,
        "pci0000:00/0000:00:18.3",
        "k10temp",
        {
            "temp1_label": "Tctl",
            "temp1_input": 71250,
            "temp1_max": 70000,
            "temp2_label": "Tdie",
            "temp2_input": 61250,
            "temp3_label": "Tccd1",
            "temp3_input": 60500,
        },
    )


def _many_inputs(tree: Tree, number: int) -> None:
    """A board's monitoring chip, some of whose inputs have nothing connected."""
    tree.hwmon(
        number,
        "platform/nct6775.656",
        "nct6799",
        {
            "in0_input": 1256,
            "in0_min": 0,
            "in0_max": 1744,
            "in1_input": 1000,
            "fan1_input": 1350,
            "fan2_input": 0,
            "pwm1": 128,
            "temp1_label": "SYSTIN",
            "temp1_input": 38000,
            "temp2_label": "CPUTIN",
            "temp2_input": 127000,
            "temp3_label": "AUXTIN0",
            "temp3_input": -61000,
            "intrusion0_alarm": 0,
        },
    )


def desktop_b(root: Path) -> Tree:
    """Another maker's desktop: another monitoring chip, sensors through the firmware, memory."""
    tree = _base(root, 8)
    _Processor("GenuineIntel", 6, 183, "Another CPU", 1, "0x12b").write(tree)
    _eight_cores(tree, 0)
    _other_monitoring(tree, 1)
    for slot in range(2):
        tree.hwmon(
            3 + slot,
            f"pci0000:00/0000:00:1f.4/i2c-0/0-005{slot}",
            "spd5118",
            {"temp1_input": 39750 + slot * 250, "temp1_crit": 85000},
        )
    tree.thermal(0, "x86_pkg_temp", 48000)
    tree.thermal(1, "acpitz", 27800, {"trip_point_0_temp": 105000, "trip_point_0_type": "critical"})
    for cpu in range(8):
        _throttled_core(tree, cpu)
    tree.write("sys/devices/system/cpu/intel_pstate/no_turbo", 0)
    tree.dmi({"board_vendor": "Desktop Maker B", "board_name": "Z790", "bios_version": "F12"})
    return tree


def _eight_cores(tree: Tree, number: int) -> None:
    """A processor that gives its package's and every core's temperature."""
    tree.hwmon(
        number,
        "platform/coretemp.0",
        "coretemp",
        {
            "temp1_label": "Package id 0",
            "temp1_input": 48000,
            "temp1_crit": 100000,
            **{f"temp{core + 2}_label": f"Core {core}" for core in range(8)},
            **{f"temp{core + 2}_input": 45000 + core * 500 for core in range(8)},
        },
    )


def _other_monitoring(tree: Tree, number: int) -> None:
    """Another maker's monitoring chip, and what the firmware gives beside it."""
    tree.hwmon(
        number,
        "platform/it87.2624",
        "it8689",
        {
            "in0_input": 1188,
            "in0_label": "Vcore",
            "fan1_input": 980,
            "temp1_input": 35000,
            "temp2_input": 127000,
        },
    )
    tree.hwmon(
        number + 1,
        "platform/PNP0C14:00/wmi_bus/DEADBEEF-0",
        "gigabyte_wmi",
        {"temp1_input": 36000},
    )


def _throttled_core(tree: Tree, cpu: int) -> None:
    """A core whose package has slowed down twice, and its frequency policy."""
    tree.write_all(
        f"sys/devices/system/cpu/cpu{cpu}/thermal_throttle",
        {
            "core_throttle_count": 0,
            "core_throttle_total_time_ms": 0,
            "package_throttle_count": 2,
            "package_throttle_total_time_ms": 31,
        },
    )
    tree.policy(
        cpu,
        {
            "cpuinfo_avg_freq": 4_900_000,
            "scaling_cur_freq": 5_100_000,
            "scaling_governor": "powersave",
            "scaling_driver": "intel_pstate",
            "energy_performance_preference": "balance_performance",
        },
    )


def laptop(root: Path) -> Tree:
    """A laptop on its battery, with labels that the firmware gives and a cautious governor."""
    tree = _base(root, 4, threads_per_core=2)
    _Processor("GenuineIntel", 6, 154, "A Mobile CPU", 3, "0x436").write(tree)
    tree.hwmon(
        0,
        "platform/thinkpad_hwmon",
        "thinkpad",
        {
            "temp1_label": "CPU",
            "temp1_input": 54000,
            "temp2_label": "GPU",
            "temp2_input": 0,
            "fan1_input": 2630,
        },
    )
    tree.hwmon(
        1, "platform/coretemp.0", "coretemp", {"temp1_label": "Package id 0", "temp1_input": 55000}
    )
    tree.hwmon(
        2,
        "LNXSYSTM:00/LNXSYBUS:00/PNP0C0A:00/power_supply/BAT0",
        "BAT0",
        {"in0_input": 12110, "curr1_input": 1250},
    )
    tree.write_all("sys/class/power_supply/AC", {"type": "Mains", "online": 0})
    tree.write_all("sys/class/power_supply/BAT0", {"type": "Battery", "status": "Discharging"})
    for cpu in range(4):
        tree.policy(
            cpu,
            {
                "scaling_cur_freq": 900_000,
                "scaling_governor": "powersave",
                "scaling_driver": "intel_pstate",
                "energy_performance_preference": "power",
            },
        )
    tree.dmi({"sys_vendor": "Laptop Maker", "product_name": "Light 14", "bios_version": "N3AET"})
    return tree


def arm_board(root: Path) -> Tree:
    """An Arm board: unequal cores, thermal zones, a device tree, requested clocks only."""
    tree = _base(root, 8)
    tree.cpuinfo(
        {
            "BogoMIPS": "48.00",
            "Features": "fp asimd aes crc32 sha2",
            "CPU implementer": "0x41",
            "CPU architecture": "8",
            "CPU variant": "0x4",
            "CPU part": "0xd0b",
            "CPU revision": "0",
        }
    )
    for cpu in range(8):
        tree.write(f"sys/devices/system/cpu/cpu{cpu}/cpu_capacity", 414 if cpu < 4 else 1024)
    for number, kind in enumerate(
        ("soc-thermal", "bigcore0-thermal", "gpu-thermal", "ddr-thermal")
    ):
        tree.thermal(number, kind, 46000 + number * 900)
    tree.hwmon(0, "virtual/thermal/thermal_zone0", "soc_thermal", {"temp1_input": 46000})
    tree.hwmon(1, "platform/pwm-fan", "pwmfan", {"fan1_input": 2100, "pwm1": 90})
    for first, clock in ((0, 1_800_000), (4, 2_400_000)):
        tree.policy(
            first,
            {
                "related_cpus": " ".join(str(first + it) for it in range(4)),
                "scaling_cur_freq": clock,
                "scaling_driver": "cpufreq-dt",
                "scaling_governor": "schedutil",
            },
        )
    tree.write("sys/firmware/devicetree/base/model", b"Some Arm Board Rev 1.2\0")
    return tree


def virtual_machine(root: Path) -> Tree:
    """A virtual machine that gives nothing but its CPUs and memory."""
    tree = _base(root, 2)
    flags = "avx2 hypervisor"
    _Processor("AuthenticAMD", 25, 17, "A Cloud CPU", 1, "0x1000065", flags).write(tree)
    tree.write("sys/class/thermal/.keep", "")
    tree.dmi({"sys_vendor": "A Cloud", "product_name": "Virtual Machine", "bios_version": "1.0"})
    return tree


BOARDS = {
    "server": server,
    "desktop A": desktop_a,
    "desktop B": desktop_b,
    "laptop": laptop,
    "Arm board": arm_board,
    "virtual machine": virtual_machine,
}
