"""Loads of network and disk against what is really written, and the budget of a training against its own."""

import json

import numpy as np
import pytest
from docs_walk import ROOT

from robotlab.budget import capture_storage, network_load, training_budget
from robotlab.budget.storage import BITS_A_PX, BOX_BYTES, MESSAGE_BYTES
from robotlab.data import open_dataset
from robotlab.detections import Detections
from robotlab.errors import InputError
from robotlab.image import encode
from robotlab.loop.records import observation_record
from robotlab.loop.target import Observation
from robotlab.neural import NeuralDetector
from robotlab.neural.graph import head_layers
from robotlab.neural.spec import BACKBONE, first_weights


def test_raw_video_by_hand():
    # 640 · 480 · 3 bytes · 30 a second are 221.184 Mbit/s.
    assert float(network_load(640, 480, 30, "raw")) == pytest.approx(221.184)
    assert float(network_load(640, 480, 30, "raw", watchers=3)) == pytest.approx(3 * 221.184)
    assert float(network_load(640, 480, 30, "raw", watchers=0)) == 0
    assert float(capture_storage(1, 10, 30, 640, 480, "raw")) == pytest.approx(276.48)


@pytest.mark.parametrize("kind", ["jpeg", "png"])
def test_shipped_pictures_take_no_more_than_is_assumed(kind):
    most = 0.0
    for name in ("greenhouse", "coins"):
        data = open_dataset(ROOT / "datasets" / name)
        for entry in data.pictures[:: max(1, len(data) // 12)]:
            picture = data.load(entry)
            most = max(most, 8 * len(encode(picture, kind)) / picture[..., 0].size)
    assert 0.8 * BITS_A_PX[kind] < most <= BITS_A_PX[kind]


def test_a_message_of_boxes_is_as_long_as_the_logs():
    for count in (1, 4, 20):
        boxes = np.tile([123.456, 67.891, 145.678, 198.765], (count, 1))
        found = Detections(boxes, [0.9123] * count, [0] * count, ["guide post"])
        seen = Observation(boxes[0], 0.9123, -0.123456, 12.3456, 1234.5)
        long = len(json.dumps(observation_record(123456, 1234.567891, found, seen)))
        assert 0.7 < long / (MESSAGE_BYTES + BOX_BYTES * count) <= 1.15


def test_training_budget_covers_what_is_written_and_grows(tmp_path):
    layers = BACKBONE + head_layers(1)
    size = NeuralDetector.build(layers, first_weights(layers), ["post"], {}).save(tmp_path / "a.onnx").stat().st_size
    small, more = (training_budget(count, 320, 240) for count in (50, 200))
    assert 2 * size <= float(small["disk"]) * 2**20 < 3 * size
    assert float(more["time"]) == pytest.approx(4 * float(small["time"])) and float(more["memory"]) > float(
        small["memory"]
    )
    full = training_budget(200, 320, 240, "fine-tuning")
    assert all(float(full[name]) > float(more[name]) for name in ("time", "disk"))
    # More cores help until the memory is the limit; a picture twice as large takes four times as long.
    assert float(training_budget(50, 320, 240, cores=4)["time"]) == pytest.approx(float(small["time"]) / 2)
    assert float(training_budget(50, 640, 480)["time"]) == pytest.approx(4 * float(small["time"]))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: network_load(640, 480, 30, "gif"), "kind must be one of raw, jpeg, png"),
        (lambda: network_load(640.5, 480, 30), "width_px must be a whole number"),
        (lambda: network_load(640, 480, 0), "frame_hz must be"),
        (lambda: network_load(640, 480, 30, watchers=-1), "watchers must be"),
        (lambda: network_load(640, 480, 30, bits_per_px=0), "bits_per_px must be"),
        (lambda: capture_storage(0, 60, 2, 640, 480), "recordings must be"),
        (lambda: training_budget(10, 320, 240, "magic"), "training must be frozen-backbone or fine-tuning"),
    ],
)
def test_what_is_refused(call, words):
    with pytest.raises(InputError, match=words):
        call()
