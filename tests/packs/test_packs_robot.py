"""A robot's folder: trained file, figures, driving program, wheels, and what to do, cautions first."""

import ast
import json

import pytest
from docs_walk import ROOT
from packaging.requirements import Requirement

from robotlab.errors import InputError
from robotlab.neural.detector import NeuralDetector
from robotlab.neural.graph import head_layers
from robotlab.neural.spec import Layer, first_weights
from robotlab.packs import pack_robot
from robotlab.packs.offline_pack import requirements
from robotlab.packs.wheels import missing

NAME = 'Gärtner"""\nimport os\n$line `rm` \\'
EXAMPLE = ROOT / "robotlab" / "budget" / "example_robot.json"


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    """A small network that knows two classes."""
    layers = (Layer("features", "conv", ("picture",), 8, stride=8), *head_layers(2, 0))
    made = NeuralDetector.build(layers, first_weights(layers), ["post", "crate"], {"best_score": 0.4}, 640, 1.5)
    return made.save(tmp_path_factory.mktemp("model") / "m.onnx")


@pytest.fixture(scope="module")
def robot(stand_ins, tmp_path_factory, model):
    """A robot's folder; two of its settings no option takes."""
    home = tmp_path_factory.mktemp("robot")
    about = json.loads(EXAMPLE.read_text())
    about["settings"] |= {"law": "pd", "drive": {"track_m": 0.3}}
    about["robot"] = NAME
    (home / "r.json").write_text(json.dumps(about))
    pack = pack_robot(home / "robot", model, home / "r.json", "serial:/dev/ttyUSB0", target="post")
    assert pack.files == sum(path.is_file() for path in pack.path.rglob("*"))
    return pack.path


def test_a_robots_folder_holds_all_it_needs(robot, model):
    assert (robot / "model.onnx").read_bytes() == model.read_bytes()
    assert (robot / "robot.json").read_bytes() == (robot.parent / "r.json").read_bytes()
    names = {path.name.partition("-")[0] for path in (robot / "wheels").iterdir()}
    wanted = {Requirement(one).name.replace("-", "_") for one in requirements(ROOT, "robot")}
    assert names == wanted | {"robotlab"}
    assert missing(robot / "wheels", ["robotlab[robot]"], "linux-aarch64", "3.11") == []
    page = (robot / "README.md").read_text()
    assert page.index("Cautions first") < page.index("power") < page.index("sh install.sh")
    for words in ("Wheels off the ground", "Lithium", "no safety function", "data sheets", "people and pets"):
        assert words in page
    assert (robot / "install.sh").stat().st_mode & 0o111


def test_a_name_cannot_leave_its_place(robot):
    tree = ast.parse((robot / "drive.py").read_text("utf-8"))
    assert [type(node).__name__ for node in tree.body] == [
        *("Expr", "Import", "Import", "ImportFrom", "ImportFrom", "Assign", "If")
    ]
    assert (robot / "README.md").read_text("utf-8").startswith('# Gärtner"""\\x0aimport os\\x0a$line')


def words_of(robot):
    scope = {"__name__": "read"}
    exec((robot / "drive.py").read_text(), scope)
    return scope["WORDS"]


def test_the_driving_program_says_what_the_robots_file_says(robot):
    """Understood by the command, and giving the camera and the settings of the file."""
    from robotlab.cli.parser import _parser
    from robotlab.cli.robot_options import camera_of, settings_of

    options = _parser().parse_args(words_of(robot))
    about = json.loads(EXAMPLE.read_text())
    camera = camera_of(options)
    assert (camera.width_px, camera.height_px, camera.height_m) == (320, 240, 0.25)
    assert camera.hfov_rad == pytest.approx(62.2 * 3.14159265 / 180)
    settings = settings_of(options, type("Model", (), {"classes": ("post", "crate")}), 0.5)
    assert (settings.frame_hz, settings.delay_s) == (about["settings"]["frame_hz"], about["camera"]["delay_s"])
    for name in ("turn_gain", "max_mps", "following_distance_m"):
        assert getattr(settings, name) == about["settings"][name]
    assert options.battery_lowest == pytest.approx(3 * 3.4) and options.wheels == "serial:/dev/ttyUSB0"
    line = next(line for line in (robot / "README.md").read_text().splitlines() if "robotlab drive" in line)
    assert line.split()[1:] == words_of(robot)


def test_what_no_option_takes_is_said(robot):
    assert "left out: law, drive" in (robot / "README.md").read_text()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"target": "tulip"}, "--target must be one of"),
        ({"wheels": "rope"}, "--wheels must be"),
        ({"platform": "windows-x86_64"}, "must run Linux or macOS"),
        ({"robot": "nowhere.json"}, "must exist"),
        ({"robot": ROOT / "LICENSE"}, "JSON"),
        ({"model": EXAMPLE}, "model"),
    ],
)
def test_a_robots_folder_is_refused(stand_ins, tmp_path, model, change, says):
    given = {"model": model, "robot": EXAMPLE, "wheels": "emulated", "target": "post"} | change
    with pytest.raises(InputError, match=says) as caught:
        pack_robot(tmp_path / "p", **given)
    assert "\n" not in str(caught.value) and not (tmp_path / "p").exists()
