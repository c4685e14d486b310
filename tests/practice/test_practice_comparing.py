"""Results compared with the reference's, and shown in few words."""

import math

import numpy as np
import pytest

from robotlab.practice.comparing import compare
from robotlab.practice.showing import show


@pytest.mark.parametrize(
    ("expected", "got", "kind"),
    [
        (3, 3.0, "type"),
        (3, np.int64(3), None),
        (3, True, "type"),
        (True, np.True_, None),
        (True, 1, "type"),
        (True, False, "value"),
        (2.0, 2, None),
        (2.0, np.array([2.0]), "shape"),
        ("post", "post", None),
        ("post", "crate", "value"),
        ("post", 3, "type"),
        (None, 0, "value"),
        ((1, 2), [1, 2], None),
        ((1, 2), np.array([1, 2]), None),
        ((1.0, 2.0), (1.0, 2.5), "value"),
        ((1.0, 2.0), (1.0, math.nan), "nan"),
        ((1.0, 2.0), 1.0, "type"),
        (np.zeros((2, 3)), np.zeros((3, 2)), "shape"),
        (np.zeros((2, 3)), np.zeros((2, 3), int), None),
        (np.zeros((2, 3)), np.zeros((2, 3), bool), "type"),
        (np.zeros(2, int), np.zeros(2), "type"),
        (np.zeros(0, int), np.array([]), None),
        (np.zeros((0, 4)), np.array([]), "shape"),
        (np.zeros(2, bool), np.zeros(2, np.uint8), "type"),
        (np.zeros(2), [0.0, 0.0], "type"),
        (np.zeros(2), np.array([0.0, math.inf]), "value"),
        (np.zeros(2), np.array(["a", "b"]), "type"),
        (np.zeros(2), np.array([None, 0]), "type"),
    ],
)
def test_comparing(expected, got, kind):
    fault = compare(expected, got, 1e-6, 1e-9)
    assert (fault and fault.kind) == kind
    if kind == "shape" and isinstance(got, np.ndarray) and got.ndim == 2:
        assert "Rows and columns have changed places" in fault.says


def test_values_are_shown_short():
    assert show(np.zeros((480, 640, 3), np.uint8)) == "(480, 640, 3) uint8, from 0 to 0"
    assert show(10**300) == "1e+300"
    assert len(show("x" * 10_000)) < 400
    assert show([1.0] * 1000).endswith("...") or "1000 values" in show([1.0] * 1000)
    assert show(np.zeros((0, 4))).startswith("(0, 4) float64")
    assert show(90.0, "°") == "90°"
    assert show(np.array(2.5), "px") == "2.5 px"
    assert show(1 + 2j) == "(1+2j)"
    assert show(np.full((100, 100), True)) == "(100, 100) bool, 10000 of 10000 True"
