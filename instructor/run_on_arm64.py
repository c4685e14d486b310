"""Run the core on 64-bit Arm, emulated, and compare it with this machine.

    python instructor/run_on_arm64.py [--folder FOLDER]

A Debian for Arm is unpacked into a folder, wheels for Arm beside it, and QEMU
runs that Python on this processor: a trained file looks at pictures, and
``drive`` commands the emulated motor board for some seconds. Outputs are compared
with those of this machine. Needs Linux, ``qemu-user-static`` and
``debootstrap`` (root rights, or ``fakeroot``), and about 90 MB from Debian and
PyPI the first time; a folder that is there already is used again.

Times under an emulator mean nothing and are not reported.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
SUITE, MIRROR, PYTHON = "bookworm", "http://deb.debian.org/debian", "3.11"
# The emulator of Debian 12 (QEMU 7.2) runs ONNX Runtime up to 1.24; 1.32 stops it.
PACKAGES = ("numpy", "onnxruntime<1.25", "pillow", "flatbuffers", "protobuf", "packaging")
PLATFORMS = ("manylinux2014_aarch64", "manylinux_2_27_aarch64", "manylinux_2_28_aarch64")
# A robot's board of 2019 and later.
PROCESSOR = "cortex-a72"
# The same network in other arithmetic units: last digits differ (common practice, no source).
SAME_SCORE, SAME_PX = 1e-5, 1e-3

# What runs on both machines: looks at pictures, then drives the emulated board.
PROBE = """
import json, platform, sys, time
import numpy, onnxruntime
from robotlab.camera import Camera
from robotlab.control import SerialLink
from robotlab.control.board import Board
from robotlab.loop import Settings, drive
from robotlab.neural import NeuralDetector

model, pictures, outputs = sys.argv[1:4]
detector = NeuralDetector.load(model, threads=1)
pictures = numpy.load(pictures)
found = [detector.detect(picture) for picture in pictures]
numpy.savez(outputs, boxes=numpy.concatenate([one.boxes for one in found]),
            scores=numpy.concatenate([one.scores for one in found]),
            counts=[len(one) for one in found], labels=numpy.concatenate([one.labels for one in found]))
shown = []
small = numpy.ascontiguousarray(pictures[:, ::4, ::4])  # an emulated processor is slow
def take():
    time.sleep(0.25)
    shown.append(1)
    return small[len(shown) % len(small)]
board = Board()
height, width = small.shape[1:3]
report = drive(detector, take, Camera(width, height, 1.0, height_m=0.25),
               Settings(frame_hz=4, delay_s=0.0, watchdog_s=4.0, max_mps=0.1, turn_gain=0.2, drive_gain=0.2), SerialLink(board), 5.0)
with open("/proc/self/status") as status:
    peak = next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM"))
print(json.dumps({"machine": platform.machine(), "python": platform.python_version(), "numpy": numpy.__version__,
                  "onnxruntime": onnxruntime.__version__, "pictures": report.pictures, "reason": report.reason, "peak_mb": round(peak)}))
"""


def missing_tools() -> list[str]:
    """What this needs and is not installed here, with the Debian package that has it.

    Returns
    -------
    list of str
        Empty where all is there.
    """
    tools = {"qemu-aarch64-static": "qemu-user-static", "debootstrap": "debootstrap", "dpkg-deb": "dpkg"}
    if os.name != "posix" or not sys.platform.startswith("linux"):
        return ["Linux"]
    if os.geteuid() != 0:
        tools["fakeroot"] = "fakeroot"
    places = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"
    return [f"{tool} (package {package})" for tool, package in tools.items() if not shutil.which(tool, path=places)]


def unpack_system(folder: Path) -> Path:
    """A Debian for Arm with Python, unpacked and not installed: no program of it has run.

    Parameters
    ----------
    folder : Path
        Where; what is there is used again.

    Returns
    -------
    Path
        Its root folder.
    """
    root = folder / "root"
    if (folder / "root.done").exists():
        return root
    shutil.rmtree(root, ignore_errors=True)
    words = [
        "debootstrap",
        "--foreign",
        "--arch=arm64",
        "--variant=minbase",
        f"--include=python{PYTHON}",
        SUITE,
        str(root),
        MIRROR,
    ]
    environment = os.environ | {"PATH": os.environ.get("PATH", "") + ":/usr/sbin:/sbin"}
    subprocess.run(words if os.geteuid() == 0 else ["fakeroot", *words], check=True, env=environment, stdout=sys.stderr)
    for package in sorted((root / "var/cache/apt/archives").glob("*.deb")):
        files = subprocess.Popen(["dpkg-deb", "--fsys-tarfile", str(package)], stdout=subprocess.PIPE)
        # Its links between folders stay as they are.
        subprocess.run(
            ["tar", "-x", "-C", str(root), "--keep-directory-symlink", "--no-same-owner"],
            stdin=files.stdout,
            check=True,
        )
        assert files.stdout is not None
        files.stdout.close()
        if files.wait():
            raise SystemExit(f"{package.name} cannot be unpacked; delete {folder} and run again")
    (folder / "root.done").touch()
    return root


def unpack_wheels(folder: Path) -> tuple[Path, float]:
    """The core's wheels for Arm, unzipped.

    Parameters
    ----------
    folder : Path
        Where; what is there is used again.

    Returns
    -------
    site : Path
        Goes on ``PYTHONPATH``.
    download_mb : float
        Size of the wheels, MB (10^6 bytes).
    """
    wheels, site = folder / "wheels", folder / "site"
    if not (folder / "site.done").exists():
        words = [sys.executable, "-m", "pip", "download", "--no-deps", "--only-binary=:all:", "-d", str(wheels)]
        words += ["--implementation", "cp", "--python-version", PYTHON]
        words += [part for platform in PLATFORMS for part in ("--platform", platform)]
        subprocess.run([*words, *PACKAGES], check=True, stdout=sys.stderr)
        for wheel in sorted(wheels.glob("*.whl")):
            with zipfile.ZipFile(wheel) as archive:
                archive.extractall(site)
        (folder / "site.done").touch()
    return site, sum(wheel.stat().st_size for wheel in wheels.glob("*.whl")) / 1e6


def folder_mb(folder: Path) -> float:
    """Size of all files in a folder, MB (10^6 bytes).

    Parameters
    ----------
    folder : Path
        Which.

    Returns
    -------
    float
        Sum of their lengths.
    """
    return sum(path.lstat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6


def differences(here: Path, there: Path) -> tuple[int, float, float]:
    """How far the outputs of two machines are apart.

    Parameters
    ----------
    here, there : Path
        What the probe wrote on each.

    Returns
    -------
    boxes : int
        How many were compared.
    score, px : float
        Largest difference of a score, and of a corner.
    """
    a, b = np.load(here), np.load(there)
    if a["counts"].tolist() != b["counts"].tolist() or (a["labels"] != b["labels"]).any():
        raise SystemExit(
            f"both must find the same things, found {a['counts'].tolist()} here, {b['counts'].tolist()} on Arm"
        )
    return len(a["boxes"]), float(np.abs(a["scores"] - b["scores"]).max()), float(np.abs(a["boxes"] - b["boxes"]).max())


def compare(folder: Path, model: Path, pictures: np.ndarray) -> dict:
    """Run a model file on both machines.

    Parameters
    ----------
    folder : Path
        For the Debian, the wheels and the outputs.
    model : Path
        A trained file.
    pictures : (N, H, W, 3) ndarray of uint8
        What it looks at.

    Returns
    -------
    dict
        ``arm``, ``here``: what the probe said; ``boxes``, ``score``, ``px``:
        the differences; ``wheels_mb``, ``site_mb``, ``robotlab_mb``: sizes.
    """
    folder.mkdir(parents=True, exist_ok=True)
    root = unpack_system(folder)
    site, wheels_mb = unpack_wheels(folder)
    np.save(folder / "pictures.npy", pictures)
    emulated = ["qemu-aarch64-static", "-cpu", PROCESSOR, "-L", str(root), str(root / f"usr/bin/python{PYTHON}"), "-S"]
    said = {}
    for name, words, path in (("here", [sys.executable], [ROOT]), ("arm", emulated, [site, ROOT])):
        environment = os.environ | {"PYTHONPATH": os.pathsep.join(map(str, path)), "PYTHONDONTWRITEBYTECODE": "1"}
        ran = subprocess.run(
            [*words, "-c", PROBE, str(model), str(folder / "pictures.npy"), str(folder / f"{name}.npz")],
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            stdin=subprocess.DEVNULL,
        )
        if ran.returncode:
            raise SystemExit(f"the probe must run, on {name} it ended with {ran.returncode}: {ran.stderr[-2000:]}")
        said[name] = json.loads(ran.stdout.splitlines()[-1])
    boxes, score, px = differences(folder / "here.npz", folder / "arm.npz")
    sizes = {"wheels_mb": wheels_mb, "site_mb": folder_mb(site), "robotlab_mb": folder_mb(ROOT / "robotlab")}
    return {**said, "boxes": boxes, "score": score, "px": px, **sizes}


def trained_file(folder: Path, count: int = 8) -> tuple[Path, np.ndarray]:
    """A detector trained here, and pictures that it has not learned from.

    Parameters
    ----------
    folder : Path
        Where the file goes.
    count : int
        Pictures.

    Returns
    -------
    model : Path
        The file.
    pictures : (N, H, W, 3) ndarray of uint8
        Of one size.
    """
    from robotlab.data import open_dataset
    from robotlab.neural import fit

    data = open_dataset(ROOT / "datasets" / "greenhouse")
    model = fit(data.only(recordings=data.recordings[:1]), progress=False).save(folder / "model.onnx")
    others = data.only(recordings=data.recordings[-1:])
    step = max(1, len(others) // count)
    return model, np.stack([others.load(entry) for entry in others.pictures[::step][:count]])


def main() -> int:
    """Run it and print what came of it.

    Returns
    -------
    int
        0 where both machines agree.
    """
    parser = argparse.ArgumentParser(description="Run the core on emulated 64-bit Arm and compare.")
    parser.add_argument("--folder", type=Path, help="keep and use again what is unpacked (default: a temporary folder)")
    options = parser.parse_args()
    missing = missing_tools()
    if missing:
        print(f"this needs {', '.join(missing)}; install it first", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as own:
        folder = (options.folder or Path(own)).absolute()
        folder.mkdir(parents=True, exist_ok=True)
        model, pictures = trained_file(folder)
        result = compare(folder, model, pictures)
    arm, here = result["arm"], result["here"]
    print(
        f"on {arm['machine']} ({PROCESSOR}, emulated): Python {arm['python']}, NumPy {arm['numpy']}, ONNX Runtime {arm['onnxruntime']}"
    )
    print(
        f"here, {here['machine']}: Python {here['python']}, NumPy {here['numpy']}, ONNX Runtime {here['onnxruntime']}"
    )
    print(
        f"{result['boxes']} boxes in {len(pictures)} pictures: scores differ by at most {result['score']:.1e}, corners by {result['px']:.1e} px"
    )
    print(f"drive, emulated board: {arm['pictures']} pictures, ended because {arm['reason']}")
    print(
        f"wheels {result['wheels_mb']:.0f} MB to download, {result['site_mb']:.0f} MB unpacked, robotlab {result['robotlab_mb']:.0f} MB; "
        f"memory at most {arm['peak_mb']} MB, the emulator's own included ({here['peak_mb']} MB here)"
    )
    agree = result["score"] <= SAME_SCORE and result["px"] <= SAME_PX
    print("both machines agree" if agree else "the machines differ by more than they may")
    return 0 if agree else 1


if __name__ == "__main__":
    sys.exit(main())
