"""The coins: the shipped set is what the script makes, and it is what it says."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from robotlab.boxes import iou
from robotlab.data import check_dataset, find_leaks, open_dataset
from robotlab.data.coins import SIDES, build, main, outline, photograph, sheet, tight_box

SHIPPED = Path(__file__).parents[2] / "datasets" / "coins"


@pytest.fixture(scope="module")
def coins():
    return open_dataset(SHIPPED)


def files(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_made_again_to_the_last_byte(tmp_path, coins):
    first, second = build(tmp_path / "a"), build(tmp_path / "b")
    assert files(tmp_path / "a") == files(tmp_path / "b")
    # The shipped one too; PNG bytes depend on the version of the compressor, so its pixels.
    for name in ("annotations.json", "card.md"):
        assert (SHIPPED / name).read_bytes() == (first.folder / name).read_bytes()
    assert all(np.array_equal(coins.load(a), second.load(b)) for a, b in zip(coins, second, strict=True))


# Edges x0, y0, x1, y1, px, of the 24 coins in their four rows, read by eye off
# the photograph enlarged four times under a grid of 5 px, without the boxes.
BY_EYE = [
    (22, 35, 67, 74),
    (80, 39, 120, 74),
    (132, 28, 179, 74),
    (192, 30, 240, 73),
    (256, 34, 297, 72),
    (305, 16, 365, 72),
    (25, 104, 67, 145),
    (84, 107, 122, 145),
    (134, 110, 174, 145),
    (185, 105, 226, 144),
    (245, 95, 296, 144),
    (317, 105, 356, 144),
    (26, 177, 63, 217),
    (80, 175, 124, 217),
    (135, 179, 174, 217),
    (189, 170, 237, 217),
    (251, 172, 296, 217),
    (315, 156, 380, 218),
    (19, 233, 75, 288),
    (92, 244, 136, 287),
    (144, 236, 201, 287),
    (219, 240, 269, 288),
    (276, 239, 326, 288),
    (335, 247, 381, 289),
]


def test_each_coin_has_one_box_where_the_eye_sees_it():
    pieces = outline(photograph())
    boxes = np.array([tight_box(pieces == coin) for coin in range(1, 25)], float)
    overlap = iou(boxes, BY_EYE)
    match = overlap.argmax(axis=0)
    assert sorted(match) == list(range(24)) and overlap.max(axis=0).min() > 0.9
    assert np.abs(boxes[match] - BY_EYE).max() <= 2


def test_opencv_finds_the_same_pieces():
    pieces = outline(photograph())
    count, _, stats, _ = cv2.connectedComponentsWithStats((pieces > 0).astype(np.uint8), connectivity=4)
    assert count == 25
    theirs = sorted((x, y, x + w, y + h, n) for x, y, w, h, n in stats[1:].tolist())
    ours = sorted((*tight_box(pieces == coin), int((pieces == coin).sum())) for coin in range(1, 25))
    assert ours == theirs


def test_sides_share_no_pixel_and_no_coin(coins):
    pieces = outline(photograph())
    (l0, l1), (r0, r1) = SIDES["left"], SIDES["right"]
    assert l1 <= r0
    left, right = set(np.unique(pieces[:, l0:l1])) - {0}, set(np.unique(pieces[:, r0:r1])) - {0}
    assert len(left) == len(right) == 12 and not left & right
    for entry in coins:
        x = int(entry.name.split("_x")[1][:3])
        assert SIDES[entry.recording][0] <= x and x + entry.width_px <= SIDES[entry.recording][1]
    assert find_leaks(coins.only("left"), coins.only("right")) == ()


def test_labels_tell_what_the_pixels_show(coins):
    gray, pieces = photograph(), outline(photograph())
    for entry in coins:
        x, y = (int(part[1:4]) for part in entry.name.removesuffix(".png").split("_")[1:])
        assert np.array_equal(coins.load(entry)[..., 1], gray[y : y + 160, x : x + 160])
        window = pieces[y : y + 160, x : x + 160]
        for row, (x0, y0, x1, y1) in enumerate(entry.boxes.astype(int)):
            inside = window[y0:y1, x0:x1]
            coin = max(set(np.unique(inside)) - {0}, key=lambda n: (inside == n).sum())
            assert (inside == coin).sum() == (window == coin).sum() == entry.areas[row]
            part = entry.areas[row] / (pieces == coin).sum()
            assert entry.visibility[row] == pytest.approx(part, abs=6e-4)
            assert entry.ignore[row] == entry.crowd[row] == (part < 0.5)


def test_counts_and_card(coins):
    assert coins.classes == ("coin",) and coins.recordings == ("left", "right")
    assert [len(coins.only(side)) for side in coins.recordings] == [24, 24]
    report = check_dataset(coins)
    assert report.ok and report.notes == () and report.facts["boxes_per_class"]["coin"] > 250
    card = (SHIPPED / "card.md").read_text("utf-8")
    # What scikit-image's own notes on the picture say.
    assert "no known copyright restrictions" in card and "Brooklyn Museum" in card


def test_the_command(tmp_path, capsys):
    assert main([str(tmp_path / "set"), "--sheet", str(tmp_path / "sheet.png")]) == 0
    assert "48 tiles" in capsys.readouterr().out and (tmp_path / "sheet.png").is_file()
    assert main([str(tmp_path / "set")]) == 2
    assert "must be new or empty" in capsys.readouterr().err


def test_the_sheet_shows_every_box():
    page = sheet()
    assert page.shape == (909, 1152, 3)
    assert (page == (255, 160, 0)).all(axis=2).sum() > 24 * 4 * 100
