"""The sealed test: drawn after the code is fixed, noted before it is run."""

import functools
import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

from robotlab.errors import InputError
from robotlab.greenhouse.lighting import LIGHTING
from robotlab.neural import fit

SCRIPT = Path(__file__).parents[2] / "instructor" / "sealed_test.py"


@pytest.fixture
def sealed():
    spec = importlib.util.spec_from_file_location("sealed_test", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_changed_files_are_refused_and_nothing_is_drawn(sealed, tmp_path, monkeypatch):
    for state in (None, "abc+"):
        monkeypatch.setattr(sealed, "commit", lambda state=state: state)
        with pytest.raises(InputError, match="the code must be fixed"):
            sealed.main(["--log", str(tmp_path / "log.jsonl")])
    assert not (tmp_path / "log.jsonl").exists()


def test_a_run_that_is_cut_off_stays_in_the_log(sealed, tmp_path, monkeypatch):
    log = tmp_path / "log.jsonl"
    log.write_text('{"what": "result"}\n')
    monkeypatch.setattr(sealed, "commit", lambda: "abc")
    monkeypatch.setattr(sealed, "judged", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        sealed.main(["--log", str(log)])
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    assert [line["what"] for line in lines] == ["result", "begun"] and lines[1]["commit"] == "abc"


def test_the_same_greenhouses_stand_under_the_drawn_lamps(sealed):
    recordings, lamps = sealed.drawn_recordings(7, 0)
    assert len(recordings) == 9 and len({r.seed for r in recordings}) == 3
    assert {r.lighting for r in recordings} == {"daylight", "overcast", "dusk", "lamp1", "lamp2"}
    assert sealed.drawn_recordings(7, 0)[1] == lamps != sealed.drawn_recordings(7, 1)[1]
    for lamp in lamps:
        matrix = lamp.matrix()
        # A white card's luminance is the lamp's level (weights of linear sRGB, IEC 61966-2-1).
        assert np.array([0.2126, 0.7152, 0.0722]) @ matrix.sum(axis=1) == pytest.approx(lamp.level, rel=1e-6)


@pytest.mark.slow
@pytest.mark.long(short="test_a_run_that_is_cut_off_stays_in_the_log")
def test_a_short_sealed_test_gives_its_table(sealed, tmp_path, monkeypatch, capsys):
    known = dict(LIGHTING)
    monkeypatch.setattr(sealed, "commit", lambda: "0123456789abcdef")
    full, real_fit = sealed.training_recordings(), functools.cache(lambda: fit(few, progress=False))
    few = full.having(full.pictures[::12])
    monkeypatch.setattr(sealed, "training_recordings", lambda: few)
    # The same detector in both rounds: what is judged differs.  The other lightings are drawn above.
    monkeypatch.setattr(sealed, "fit", lambda data, seed, progress: real_fit())
    monkeypatch.setattr(sealed, "SEEN", ("daylight",))
    log = tmp_path / "log.jsonl"
    assert sealed.main(["--log", str(log), "--rounds", "2", "--pictures", "2"]) == 0
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    assert [line["what"] for line in lines] == ["begun", "result"] and lines[0]["seed"] == lines[1]["seed"]
    figures = lines[1]["figures"]
    mean = np.mean([r["AP_seen"] for r in lines[1]["rounds"]])
    assert figures["AP_seen"][0] == pytest.approx(mean, abs=1e-3) and 0 < mean <= 1
    assert "| AP50 |" in capsys.readouterr().out and known == LIGHTING
    monkeypatch.setattr(sealed, "GUIDE", tmp_path / "guide.md")
    sealed.GUIDE.write_text(f"above\n{sealed.BEGIN}\nold\n{sealed.END}\nbelow\n")
    sealed.main(["--log", str(log), "--guide"])
    text = sealed.GUIDE.read_text()
    assert text.startswith("above") and text.endswith("below\n") and "old" not in text and "0123456789" in text
