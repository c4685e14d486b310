"""What would you buy: the sheet of every camera on every board, and where the choice flips."""

import numpy as np
import pytest

from robotlab.cli import main
from robotlab.design_sheet import predict_safe_speed
from robotlab.errors import InputError
from robotlab.loop import Settings
from robotlab.neural.spec import BACKBONE, first_weights
from robotlab.sweep.parts import BOARDS, CAMERAS, best_choice, choices, flips, network_operations, network_s
from robotlab.sweep.parts_page import read_parts


def test_operations_are_those_that_pytorch_counts():
    """PyTorch's own counter of floating-point operations, on the same network."""
    torch = pytest.importorskip("torch", reason="PyTorch is an extra: pip install 'robotlab[torch]'")
    from torch.utils.flop_counter import FlopCounterMode

    from robotlab.neural.torch_engine import run_network

    weights = {name: torch.tensor(value) for name, value in first_weights(BACKBONE).items()}
    with FlopCounterMode(display=False) as counter, torch.no_grad():
        run_network(BACKBONE, weights, torch.zeros(1, 3, 96, 128))
    assert network_operations(128, 96) == counter.get_total_flops()


def test_a_choice_is_a_design_sheet():
    found = choices(Settings(), 12)
    assert len(found) == len(CAMERAS) * len(BOARDS) * 3
    one = found[4]
    assert (one.camera, one.board, one.width_px) == ("A", "Q", 320)
    network = network_s(BOARDS["Q"], 320, 240)
    assert one.robot.settings.frame_hz == pytest.approx(min(30, 1 / network))
    assert one.robot.settings.delay_s == pytest.approx(1 / 30 + network)
    assert one.safe_mps == predict_safe_speed(one.robot)


def test_the_choice_flips_where_the_small_picture_no_longer_sees_that_far():
    """A pinhole camera sees H px at f H / Z: beyond that distance more pixels are needed, at a longer time."""
    settings, values = Settings(max_mps=0.3), np.linspace(0.8, 30, 147).tolist()
    found = flips(settings, 16, "following_distance_m", values, boards={"R": BOARDS["R"]}, cameras={"A": CAMERAS["A"]})
    widths = [choice.width_px if choice else None for _, choice in found]
    assert widths == [160, 320, 640, None]
    for (_, before), (at, _) in zip(found[:-1], found[1:], strict=True):
        far = next(
            c.far_m
            for c in choices(settings, 16, boards={"R": BOARDS["R"]}, cameras={"A": CAMERAS["A"]})
            if c.width_px == before.width_px
        )
        assert far <= at <= far + 0.21
    assert best_choice([]) is None
    with pytest.raises(InputError, match="must rise"):
        flips(settings, 16, "following_distance_m", [2, 1])


MINE = "[cameras.wide]\nhfov_deg = 100\nframe_hz = 15\n[boards.slow]\nclock_ghz = 1\nflops_per_cycle = 4\n"


def test_the_command_compares_parts_of_ones_own_and_says_where_it_flips(tmp_path, capsys):
    (tmp_path / "mine.toml").write_text(MINE)
    words = ["parts", "--parts", str(tmp_path / "mine.toml"), "-o", str(tmp_path / "p.html"), "--distance", "1"]
    assert main(words) == 0
    said = capsys.readouterr().out
    assert "at 1 m: camera wide, core slow, 160 px" in said and "320 px" in said
    page = (tmp_path / "p.html").read_text()
    # Nothing of the examples is in it; nothing is recommended.
    assert "none recommended" in page and "IMX219" not in page and page.count("wide") >= 4
    assert main([*words[:-2], "--distance", "19"]) == 0 and "at 19 m: none sees that far" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[cameras", "must be TOML"),
        ("[cameras.E]\nhfov_deg = 70\nframe_hz = 30", "must have from 1 to 20 boards"),
        (MINE.replace("frame_hz = 15", ""), "must have hfov_deg and frame_hz"),
        (MINE.replace("hfov_deg = 100", "hfov_deg = 400"), "hfov_deg must be"),
        (MINE.replace("clock_ghz = 1", "clock_ghz = nan"), "clock_ghz must be"),
    ],
)
def test_wrong_parts_are_refused(tmp_path, text, said):
    (tmp_path / "mine.toml").write_text(text)
    with pytest.raises(InputError, match=said) as caught:
        read_parts(tmp_path / "mine.toml")
    assert "\n" not in str(caught.value)
