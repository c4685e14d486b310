"""What in a module's source goes around the doors: names are followed through imports, aliases, `getattr` and strings.

Not a proof against malice, which a language with `exec` does not allow, but against every way that one takes by habit.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator

# Packages that read foreign files, and the modules that may import them.
MAY_IMPORT = {
    "PIL": {"image/file.py", "image/film_writing.py", "image/resizing.py", "image/text.py", "greenhouse/recordings.py"},
    "cv2": {"image/video.py"},
    "skimage": {"image/color_spaces.py", "data/coins.py"},
    "onnx": {
        "classify/cell_map.py",
        "classify/imagenet.py",
        "neural/graph.py",
        "neural/onnx_weights.py",
        "neural/onnxio.py",
    },
    "onnxruntime": {"neural/session.py"},
    "torch": {"neural/torch_engine.py"},
    "xml": {"xml_file.py", "data/voc.py", "data/voc_notes.py"},
    "tomllib": {"toml_file.py"},
    "zipfile": {"neural/state_file.py", "packs/archive.py"},
    # PyTorch's own format, read without running anything; the file comes from an installed package.
    "pickle": {"classify/checkpoint.py"},
    "joblib": {"parallel.py"},
}
NOBODY_IMPORTS = {
    "imageio",
    "av",
    "tifffile",
    "rawpy",
    "cairosvg",
    "lxml",
    "defusedxml",
    "html.parser",
    "orjson",
    "ujson",
    "simplejson",
    "yaml",
    "configparser",
    "plistlib",
    "marshal",
    "shelve",
    "dbm",
    "sqlite3",
    "dill",
    "cloudpickle",
    "tarfile",
    "gzip",
    "bz2",
    "lzma",
    "runpy",
    "imp",
    "h5py",
    "matplotlib.image",
    "matplotlib.pyplot",
    "scipy.io",
    "scipy.datasets",
    "skimage.io",
    "numpy.lib.npyio",
    "numpy.lib.format",
    "torch.hub",
    "torch.jit",
    "tensorflow",
    "tflite_runtime",
    "openvino",
}
# Calls that read a kind, and the door of that kind; the beginning of a full name is enough.
DOORS = {
    "PIL.Image.open": "image/file.py",
    "PIL.ImageFile": "image/file.py",
    "PIL.ImageSequence": "image/file.py",
    "PIL.features": "image/file.py",
    "cv2.VideoCapture": "image/video.py",
    "json.load": "json_file.py",  # and loads
    "json.JSONDecoder": "json_file.py",
    "json.decoder": "json_file.py",
    "json.scanner": "json_file.py",
    "xml.etree.ElementTree.fromstring": "xml_file.py",
    "xml.etree.ElementTree.parse": "xml_file.py",
    "xml.etree.ElementTree.XML": "xml_file.py",  # and XMLID, XMLParser, XMLPullParser
    "xml.etree.ElementTree.iterparse": "xml_file.py",
    "xml.etree.ElementTree.ElementTree": "xml_file.py",
    "xml.parsers": "xml_file.py",
    "tomllib": "toml_file.py",
    "onnxruntime": "neural/session.py",
    "onnx.load": "neural/onnx_weights.py",
    "onnx.parser": "neural/onnx_weights.py",
    "onnx.hub": "",
    "onnx.external_data_helper": "",
    "numpy.load": "",  # and loadtxt
    "numpy.fromfile": "",
    "numpy.genfromtxt": "",
    "numpy.fromregex": "",
    "numpy.memmap": "",
    "torch.load": "",
    "joblib.load": "",
    "joblib.Memory": "",
    "pickle": "classify/checkpoint.py",
    "zipfile.is_zipfile": "neural/state_file.py",
    "shutil.unpack_archive": "",
}
# Methods whose name says enough, whatever they are methods of; and which module may use one.
METHODS = {
    "imread": "",
    "imdecode": "",
    "imreadmulti": "",
    "ParseFromString": "",
    "FromString": "neural/onnx_weights.py",
    "MergeFromString": "",
    "fromfile": "",
    "tofile": "",
    "memmap": "",
    "readNet": "",
    "readNetFromONNX": "",
    "unpack_archive": "",
}
# Code made while it runs: commands and tasks by their name, and what runs a learner's code.
MAKES_CODE = {
    "_lazy.py",
    "cli/parser.py",
    "course/glossary.py",
    "practice/tasks/__init__.py",
    "marking/sandboxed.py",
    "practice/one_edit.py",
    "practice/plain_source.py",
}
# Who reads plain files without the door: the door itself; files that came with the library or that it has just written;
# the system's; the contributors' sources; and checks of its own before it reads.
READ_FILES = {
    "files.py",
    "packs/writing.py",
    "packs/class_pack.py",
    "report/page.py",
    "loop/replay.py",
    "loop/log.py",
    "widgets/kit.py",
    "robot/page_server.py",
    "greenhouse/recordings.py",
    "classify/imagenet.py",
    "classify/checkpoint.py",
    "course/glossary.py",
    "course/notebooks.py",
    "course/builder.py",
    "sweep/running.py",
    "neural/budget.py",
    "loop/camera_thread.py",
    "practice/progress.py",
    "gather/store.py",
    "data/write.py",
    "data/voc.py",
    "marking/sandbox.py",
    "marking/sandboxed.py",
}


def round_about(source: str, name: str) -> set[str]:
    """Full names of what goes around the doors in the source of the module `name`, a path below the package."""
    tree = ast.parse(source)
    full = dict(_imported(tree))
    found = set()
    for node in ast.walk(tree):
        imported = _modules_of(node)
        found |= {one for one in imported if not _may_import(one, name)}
        used = [_dotted(node, full)] if isinstance(node, ast.Attribute | ast.Name | ast.Call) else imported
        for dotted in used:
            # "json.load" begins "json.loads" too.
            doors = [door for start, door in DOORS.items() if dotted.startswith(start) and "." in dotted]
            doors += [METHODS[last] for last in [dotted.rpartition(".")[2]] if last in METHODS]
            found |= {dotted for door in doors if door != name}
        if isinstance(node, ast.Call):
            found |= _calls(node, name, full)
    return found


def _imported(tree: ast.AST) -> Iterator[tuple[str, str]]:
    """Names in the module, and what they stand for in full."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield (alias.asname, alias.name) if alias.asname else (alias.name.split(".")[0],) * 2
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                yield alias.asname or alias.name, f"{node.module}.{alias.name}"
        # parse = json.loads
        elif isinstance(node, ast.Assign) and isinstance(node.value, ast.Attribute):
            yield from ((one.id, ast.unparse(node.value)) for one in node.targets if isinstance(one, ast.Name))


def _modules_of(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    if isinstance(node, ast.ImportFrom) and node.module and not node.level:
        return [f"{node.module}.{alias.name}" for alias in node.names]
    if isinstance(node, ast.Call) and ast.unparse(node.func).rpartition(".")[2] in ("import_module", "__import__"):
        return [part.value for part in node.args[:1] if isinstance(part, ast.Constant) and isinstance(part.value, str)]
    return []


def _may_import(imported: str, name: str) -> bool:
    parts = imported.split(".")
    starts = {".".join(parts[:count]) for count in range(1, len(parts) + 1)}
    return not starts & NOBODY_IMPORTS and all(name in MAY_IMPORT[one] for one in starts & MAY_IMPORT.keys())


def _dotted(node: ast.AST, full: dict[str, str], depth: int = 0) -> str:
    """The full name of an expression, as far as the source tells it."""
    if isinstance(node, ast.Name):
        named = full.get(node.id, node.id)
        root, dot, rest = named.partition(".")
        # A name that stands for an alias' attribute.
        return f"{full[root]}{dot}{rest}" if dot and root in full and root != named and depth < 9 else named
    if isinstance(node, ast.Attribute):
        return f"{_dotted(node.value, full, depth + 1)}.{node.attr}"
    if isinstance(node, ast.Call):
        called = ast.unparse(node.func)
        if called == "getattr" and len(node.args) > 1 and isinstance(node.args[1], ast.Constant):
            return f"{_dotted(node.args[0], full, depth + 1)}.{node.args[1].value}"
        if called.rpartition(".")[2] in ("import_module", "__import__") and isinstance(node.args[0], ast.Constant):
            return str(node.args[0].value)
    return ""


def _calls(node: ast.Call, name: str, full: dict[str, str]) -> set[str]:
    called = _dotted(node.func, full)
    last = called.rpartition(".")[2] or getattr(node.func, "attr", "")
    constant = bool(node.args) and isinstance(node.args[0], ast.Constant)
    if called in ("eval", "exec", "compile", "__import__", "builtins.eval", "builtins.exec") or (
        last == "import_module" and not constant
    ):
        return set() if name in MAKES_CODE else {called}
    guarded = called == "getattr" and _dotted(node.args[0], full).split(".")[0] in MAY_IMPORT
    if guarded and not isinstance(node.args[1], ast.Constant):
        return {ast.unparse(node)}
    if last in ("read_bytes", "read_text") or called in ("open", "io.open", "os.open", "builtins.open"):
        mode = next(
            (word.value for word in node.keywords if word.arg == "mode"), node.args[1] if node.args[1:] else None
        )
        writes = isinstance(mode, ast.Constant) and str(mode.value)[:1] in ("w", "x", "a")
        folder = called == "os.open"  # flags of its own: to lock or flush a folder
        return set() if writes or folder or name in READ_FILES else {called or last}
    return set()
