"""The core alone, as on a robot: NumPy, ONNX Runtime and Pillow run a file and drive."""

import subprocess
import sys

import pytest
from docs_walk import ROOT

from robotlab.neural import NeuralDetector
from robotlab.neural.graph import head_layers
from robotlab.neural.spec import BACKBONE, first_weights

# What pip installs for the core: its three packages and what ONNX Runtime itself asks for.
CORE = {
    "numpy",
    "onnxruntime",
    "PIL",
    "flatbuffers",
    "packaging",
    "google",
    "coloredlogs",
    "humanfriendly",
    "sympy",
    "mpmath",
}
CORE_ONLY = f"""
import importlib.machinery, sys

class CoreOnly:
    "Finds no package beyond the core, as where it is not installed."
    def find_spec(self, name, path=None, target=None):
        top = name.partition(".")[0]
        if path is None and top not in {sorted(CORE | {"robotlab"})!r} and top not in sys.stdlib_module_names:
            spec = importlib.machinery.PathFinder.find_spec(name)
            if spec and "-packages" in str(spec.origin or list(spec.submodule_search_locations or ())):
                raise ModuleNotFoundError(f"No module named {{name!r}}", name=name)

sys.meta_path.insert(0, CoreOnly())
"""


def run(code: str, *words: str) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, "-c", CORE_ONLY + code, *words], cwd=ROOT, capture_output=True, text=True, check=False
    )


DRIVE = """
import time
import numpy as np
from robotlab.camera import Camera
from robotlab.color import Band, ColorDetector, Shape
from robotlab.neural import NeuralDetector
from robotlab.loop import Run, Settings, drive
from robotlab.control import SimulatedLink

rng = np.random.default_rng(0)
def take():
    time.sleep(0.02)
    picture = rng.integers(0, 80, (48, 64, 3), np.uint8)
    picture[10:40, 28:36] = 230, 110, 30
    picture[20:24, 28:36] = 255
    return picture

color = ColorDetector(Band((5, 18), (150, 255), (80, 255)), ["post"], shapes=Shape(join_gap=1.0))
color.save(sys.argv[2])
for detector in (NeuralDetector.load(sys.argv[1], threads=1), ColorDetector.load(sys.argv[2])):
    report = drive(detector, take, Camera(64, 48, 1.0, height_m=0.25), Settings(frame_hz=40, delay_s=0.0), SimulatedLink(), 0.4, log=sys.argv[3])
    assert report.pictures and report.reason == "the time was over", report
    Run.load(sys.argv[3])
far = {"scipy", "onnx", "skimage", "matplotlib", "robotlab.greenhouse", "robotlab.metrics", "robotlab.data"} & sys.modules.keys()
assert not far, far
print("observations", report.observations)
"""


def test_a_driving_program_needs_the_core_alone(tmp_path):
    layers = BACKBONE + head_layers(1)
    path = NeuralDetector.build(layers, first_weights(layers), ["post"], {}).save(tmp_path / "post.onnx")
    ran = run(DRIVE, str(path), str(tmp_path / "color.json"), str(tmp_path / "run.log"))
    assert ran.returncode == 0, ran.stderr
    assert int(ran.stdout.split()[-1]) > 0  # The color detector saw the post.


ROBOT = """
import numpy as np
from robotlab.robot import CalibratedLink, PinLink, VideoCamera, delay_from_blinks, measure_field_of_view, open_wheels, view_fault
from robotlab.control import SimulatedLink

picture = np.full((240, 320, 3), 60, np.uint8)
picture[78:162, 100:219] = 230
assert view_fault(picture) == ""
assert abs(measure_field_of_view(picture, 0.5, (0.238, 0.168)).focal_px - 250) < 1
CalibratedLink(SimulatedLink(), 0.9, 1.1).send(0.1, 0.1)
for missing in (lambda: VideoCamera(0), lambda: open_wheels("serial:/dev/null"), lambda: PinLink((5, 6), (13, 19))):
    try:
        missing()
    except ValueError as error:
        print(error)
"""


def test_measuring_a_robot_needs_the_core_alone_and_a_camera_says_what_it_needs():
    ran = run(ROBOT)
    assert ran.returncode == 0, ran.stderr
    needed = [line.partition(", it is not installed")[0].split()[-1] for line in ran.stdout.splitlines()]
    assert needed[:2] == ["opencv-python-headless", "pyserial"]


def test_what_needs_more_says_what_and_how():
    ran = run("import robotlab.metrics\nrobotlab.metrics.evaluate_coco\nrobotlab.metrics.mcnemar_test")
    assert ran.returncode == 1
    assert ran.stderr.splitlines()[-1].startswith(
        "ModuleNotFoundError: robotlab.metrics.mcnemar_test needs scipy, it is not installed; pip install"
    )


@pytest.mark.parametrize("words", ["open", "tour", "fit datasets/coins", "judge datasets/coins --with color", "drive"])
def test_commands_of_the_course_say_in_one_line_which_extra_they_need(words):
    ran = run("from robotlab.cli import run\nsys.argv = ['robotlab', *sys.argv[1:]]\nrun()", *words.split())
    assert ran.returncode == 2 and ran.stdout == ""
    assert ran.stderr.count("\n") == 1 and ran.stderr.startswith(f"robotlab {words.split()[0]} needs ")
    assert 'pip install -e ".[course]"' in ran.stderr


def test_a_robot_is_checked_with_the_core_alone():
    code = "from robotlab.cli import run\nsys.argv = ['robotlab', 'checkup', '--robot', 'robotlab/budget/example_robot.json']\nrun()"
    ran = run(code)
    assert ran.returncode == 0 and ran.stderr == "", ran.stderr
    assert "Every budget holds" in ran.stdout and "never unattended" in ran.stdout
