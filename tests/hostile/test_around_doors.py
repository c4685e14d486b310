"""Nobody opens a picture, a model or a plain file, or parses JSON, XML or TOML, around its door."""

from pathlib import Path

import pytest
from around_doors import MAKES_CODE, MAY_IMPORT, READ_FILES, round_about

PACKAGE = Path(__file__).resolve().parents[2] / "robotlab"
MODULES = {str(path.relative_to(PACKAGE)): path.read_text("utf-8") for path in sorted(PACKAGE.rglob("*.py"))}
# Ways around, as one might write them into a module that is not a door.
WAYS = [
    "import PIL.Image as I\nI.open('a')",
    "from PIL import Image\nImage.open('a')",
    "from PIL.Image import open as look\nlook('a')",
    "from PIL import Image\ngetattr(Image, 'open')('a')",
    "from PIL import JpegImagePlugin as J\nJ.JpegImageFile('a')",
    "import importlib\nimportlib.import_module('PIL.Image').open('a')",
    "import importlib\nimportlib.import_module('P' + 'IL')",
    "__import__('PIL.Image')",
    "def f():\n    import cv2 as c\n    return c.imdecode(b'', 1)",
    "from matplotlib import pyplot as plt\nplt.imread('a')",
    "import matplotlib.image as m\nm.imread('a')",
    "from skimage import io\nio.imread('a')",
    "import json as j\nj.loads('1')",
    "from json import loads as parse\nparse('1')",
    "import json\nparse = json.loads\nparse('1')",
    "import json\nlist(map(json.loads, ['1']))",
    "import json\njson.JSONDecoder().decode('1')",
    "from json.decoder import JSONDecoder",
    "import xml.etree.ElementTree as ET\nET.parse('a')",
    "from xml.etree import ElementTree as E\nE.ElementTree(file='a')",
    "from xml.dom import minidom",
    "from xml.parsers import expat as e\ne.ParserCreate()",
    "import tomllib",
    "import onnxruntime as ort\nort.InferenceSession('a')",
    "import onnx as o\no.load_model('a')",
    "import onnx\nonnx.ModelProto().ParseFromString(b'')",
    "import numpy as n\nn.load('a')",
    "from numpy import load",
    "import numpy as np\nnp.loadtxt('a')",
    "import numpy as np\nnp.memmap('a')",
    "import torch as t\nt.load('a')",
    "import pickle",
    "from joblib import load",
    "import marshal, shelve",
    "import zipfile",
    "import shutil\nshutil.unpack_archive('a')",
    "eval('1')",
    "exec('import PIL')",
    "from pathlib import Path\nPath('a').read_bytes()",
    "import pathlib as p\np.Path('a').read_text('utf-8')",
    "open('a').read()",
    "open('a', 'rb')",
    "import io\nio.open('a', mode='r')",
    "import builtins\nbuiltins.open('a')",
]


def test_nobody_goes_around_the_doors():
    found = {name: sorted(ways) for name, source in MODULES.items() if (ways := round_about(source, name))}
    assert not found, f"use the door: {found}"


@pytest.mark.parametrize("way", WAYS)
def test_every_way_around_is_seen(way):
    # Also in a module that may import the package, but is not its door.
    assert round_about(way, "report/sheets.py")
    if "PIL import Image" in way:
        assert round_about(way, "image/text.py")


def test_what_is_no_way_around_is_left_alone():
    plain = (
        "import json\nimport numpy as np\njson.dumps(np.zeros(3).tolist())\nopen('a', 'wb')\nload = 3\nself.load(load)"
    )
    assert not round_about(plain, "report/sheets.py")


def test_exceptions_are_still_needed():
    """A module that is excused must exist."""
    excused = MAKES_CODE | READ_FILES | {name for names in MAY_IMPORT.values() for name in names}
    assert not excused - MODULES.keys()
