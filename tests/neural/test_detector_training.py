"""Fine-tuning: the loop, interruption, resuming, the budget."""

import io
import re
import shutil
import zipfile
from collections import namedtuple

import numpy as np
import pytest
import scipy  # which imports its parts when they are first used
from some_long import some_long

from robotlab.data import DataSet, LabeledImage
from robotlab.errors import InputError, ModelError
from robotlab.neural import budget, fine_tuning, fit, state_file
from robotlab.neural.budget import (
    TrainingBudget,
    activation_count,
    check_disk,
    check_memory,
    disk_bytes,
    pictures_bytes,
    workers_within,
)
from robotlab.neural.engine.workers import WorkerPool
from robotlab.neural.engines import NumpyEngine, choose_engine, torch_is_there
from robotlab.neural.facts import pretrained_weights
from robotlab.neural.graph import head_layers
from robotlab.neural.samples import SampleSource
from robotlab.neural.spec import BACKBONE, PICTURE_MEAN, PICTURE_SPREAD, Layer, first_weights
from robotlab.neural.state_file import read_state
from robotlab.neural.training_loop import SCORE_TOLERANCE, BatchMaker, train
from robotlab.neural.validation import detect_all, metrics_of
from robotlab.neural.windows import WindowPlan

LAYERS = BACKBONE + head_layers(2)
WINDOWS = WindowPlan(64, 64, 3)


def parts(blocks, pool, seed=0):
    engine = NumpyEngine(LAYERS, first_weights(LAYERS, seed), pool)
    return engine, BatchMaker(SampleSource(blocks), WINDOWS, seed, pool)


@pytest.fixture(scope="module")
def learned(blocks):
    """A detector that has learned the blocks."""
    return fit(blocks, training="fine_tuning", engine="numpy", epochs=10, progress=False)


@pytest.mark.slow
def test_full_training_learns_blocks(blocks, learned):
    facts = learned.facts
    assert (
        facts["engine"] == "numpy" and facts["start"] == "shipped" and facts["steps"] == len(facts["curve"]["losses"])
    )
    seen = blocks.only(recordings="r0")
    assert metrics_of(seen, detect_all(learned, seen))["AP50"] > 0.8
    curve = facts["curve"]
    kept = curve["judged_steps"].index(facts["kept_step"])
    assert curve["judged_AP50"][kept] == pytest.approx(facts["validation_AP50"], abs=1e-3)


def test_shipped_weights_settle_on_the_learner_s_pictures(blocks):
    """Running mean and variance of the first layer, by scipy's correlation and Ioffe & Szegedy's algorithm 2."""
    before = pretrained_weights()
    kept = {name: value.copy() for name, value in before.items()}
    with WorkerPool(1) as pool:
        batches = BatchMaker(SampleSource(blocks), WINDOWS, 0, pool)
        after = fine_tuning.adapt_batch_norm(before, batches, pool)
        drawn = [batches(step).pictures for step in range(fine_tuning.SETTLING_BATCHES)]
    for name, value in kept.items():
        np.testing.assert_array_equal(before[name], value)
        assert np.array_equal(after[name], value) != name.endswith((".mean", ".variance")), name
    mean, variance = kept["c1.mean"][0].astype(float), kept["c1.variance"][0].astype(float)
    for pictures in drawn:
        seen = (pictures.astype(float) - PICTURE_MEAN) / PICTURE_SPREAD
        made = np.stack(
            [
                sum(
                    scipy.signal.correlate2d(plane, k, "same")[::2, ::2]
                    for plane, k in zip(one, kept["c1.kernel"][0], strict=True)
                )
                for one in seen
            ]
        )
        mean += 0.1 * (made.mean() - mean)
        variance += 0.1 * (made.var(ddof=1) - variance)
    assert after["c1.mean"][0] == pytest.approx(mean, abs=1e-4)
    assert after["c1.variance"][0] == pytest.approx(variance, rel=1e-4)


@pytest.mark.slow
def test_fine_tuning_begins_better_with_adapted_batch_norm(blocks, learned, monkeypatch):
    """The loss of the first step is of the start alone, however long the training is to be."""
    monkeypatch.setattr(fine_tuning, "adapt_batch_norm", lambda weights, *others: weights)
    as_shipped = fit(blocks, training="fine_tuning", engine="numpy", epochs=1, progress=False)
    assert learned.facts["curve"]["losses"][0] < 0.5 * as_shipped.facts["curve"]["losses"][0]


def test_loss_falls_from_scratch(blocks):
    with WorkerPool() as pool:
        engine, batches = parts(blocks, pool)
        _, history, finished = train(engine, batches, 40, None)
    assert finished and np.mean(history.losses[-5:]) < 0.6 * np.mean(history.losses[:5])


def test_training_is_repeatable(blocks):
    results = []
    for workers in (1, 2):
        with WorkerPool(workers) as pool:
            engine, batches = parts(blocks, pool)
            results.append(train(engine, batches, 4, None)[0])
    for name in results[0].weights:
        np.testing.assert_array_equal(results[0].weights[name], results[1].weights[name])


def test_batches_show_every_picture_before_any_twice(blocks):
    with WorkerPool(1) as pool:
        seen = []

        class Noted(SampleSource):
            def __getitem__(self, index):
                seen.append(index)
                return super().__getitem__(index)

        batches = BatchMaker(Noted(blocks), WINDOWS, 0, pool)
        for step in range(16):
            batches(step)
    for turn in range(2):
        assert sorted(seen[24 * turn : 24 * turn + 24]) == list(range(24))


@pytest.mark.parametrize("stopped_at", some_long([5, 3, 6], every=3))
def test_interruption_keeps_the_best_and_resuming_ends_like_no_interruption(blocks, tmp_path, monkeypatch, stopped_at):
    """In the midst of two steps' windows, at the step from reduced windows to full ones, and after the best."""
    monkeypatch.setattr("robotlab.neural.training_loop.REDUCED_FROM_STEPS", 10)
    state = tmp_path / "state.npz"

    # The third time is the best, by more than the tolerance; the same weights score the same again.
    scores, known = iter((0.3, 0.5, 0.9, 0.6, *[0.5] * 20)), {}

    def judge(weights):
        key = weights["c1.kernel"].tobytes()
        if key not in known:
            known[key] = next(scores)
        return {"AP": known[key], "AP50": known[key]}

    def stop_at(limit):
        def tell(step, history):
            if step == limit:
                raise KeyboardInterrupt

        return tell

    with WorkerPool(1) as pool:
        whole = train(*parts(blocks, pool), 10, judge)
        first = train(*parts(blocks, pool), 10, judge, stop_at(stopped_at), state_path=state)
        assert not first[2] and state.exists() and first[1].judged_steps
        second = train(*parts(blocks, pool), 10, judge, state_path=state)
    assert second[2] and not state.exists()
    assert second[1].losses == pytest.approx(whole[1].losses)
    assert (second[0].step, second[0].best_validation) == (whole[0].step, 0.9) == (whole[1].judged_steps[2], 0.9)
    assert first[1].steps[-1] == stopped_at >= first[0].step
    for name in whole[0].weights:
        np.testing.assert_array_equal(second[0].weights[name], whole[0].weights[name])


@pytest.mark.parametrize(
    ("scores", "expected"),
    [
        ((0.5, 0.9, 0.5, 0.5), 1),  # the best, not the last
        ((0.5, 0.9, 0.885, 0.86), 2),  # the latest that is at most .02 below the best
        ((0.5, 0.9, 0.885, 0.95, 0.935, 0.92), 4),  # and below a best that came later
        ((0.9, 0.5, 0.7, 0.87), 0),
    ],
)
def test_the_latest_weights_not_clearly_worse_than_the_best_are_kept(blocks, scores, expected):
    seen = []

    def judge(weights):
        seen.append(weights["c1.kernel"].copy())
        value = scores[min(len(seen), len(scores)) - 1]
        return {"AP": value, "AP50": value}

    with WorkerPool(1) as pool:
        kept, history, _ = train(*parts(blocks, pool), 8, judge)
    assert len(seen) >= len(scores) and kept.step == history.judged_steps[expected]
    np.testing.assert_array_equal(kept.weights["c1.kernel"], seen[expected])
    assert not np.array_equal(seen[-1], seen[expected])


@pytest.fixture
def settled_soon(monkeypatch):
    """Few pictures settle the batch norms; two tests above take all of them."""
    monkeypatch.setattr(fine_tuning, "SETTLING_BATCHES", 4)


@pytest.mark.slow
@pytest.mark.long(short="test_interruption_keeps_the_best_and_resuming_ends_like_no_interruption")
def test_interrupted_fit_says_so_and_goes_on_without_a_new_start(blocks, monkeypatch, settled_soon, tmp_path):
    step = NumpyEngine.step
    count = []

    def stopping(self, batch, rate):
        count.append(1)
        if len(count) > 2:
            raise KeyboardInterrupt
        return step(self, batch, rate)

    options = {"training": "fine_tuning", "engine": "numpy", "epochs": 8, "progress": False}
    whole = fit(blocks, **options)
    state = tmp_path / "state.npz"
    with monkeypatch.context() as patched:
        patched.setattr(NumpyEngine, "step", stopping)
        detector = fit(blocks, **options, state_path=state)
    assert detector.facts["interrupted"] is True and state.exists()
    # The first convolution is frozen, and no other.
    shipped, learned = pretrained_weights(), read_state(state)[1]
    kept = [name for name in shipped if np.array_equal(learned[f"engine/weights/{name}"], shipped[name])]
    assert kept == ["c1.kernel", "c1.scale", "c1.shift"]
    # A training from scratch, of which every layer learns, does not go on from it.
    with pytest.raises(ModelError, match="of another"):
        fit(blocks, **options, start="scratch", state_path=state)
    # Gone on from the state, which holds the weights: no head is fitted first, and the end is the same.
    monkeypatch.setattr(fine_tuning, "start_weights", None)
    again = fit(blocks, **options, state_path=state)
    assert again.facts["curve"] == whole.facts["curve"] and not state.exists()


def test_the_predicted_time_of_a_step_holds_the_drawing_of_its_windows(monkeypatch):
    now_s = [0.0]

    class Slow(BatchMaker):
        def _two_steps(self, first):
            now_s[0] += 2 * (0.15 if self._reduced else 0.25)
            return dict.fromkeys((first, first + 1))

    class Busy:
        def step(self, batch, rate):
            now_s[0] += 1.0

    monkeypatch.setattr(fine_tuning.time, "perf_counter", lambda: now_s[0])
    # Half of the steps of a long training take reduced windows.
    predicted = [fine_tuning.training_seconds(Busy(), Slow([], WINDOWS, 0, None), steps) for steps in (300, 1000)]
    assert predicted == pytest.approx([300 * 1.25, 500 * 1.15 + 500 * 1.25])


def test_from_scratch_every_layer_learns(blocks, monkeypatch):
    layers = []

    class Made(Exception):
        pass

    def make(name, given, *_):
        layers.extend(given)
        raise Made

    monkeypatch.setattr(fine_tuning, "make_engine", make)
    with pytest.raises(Made):
        fit(blocks, training="fine_tuning", engine="numpy", start="scratch", epochs=1, progress=False)
    assert layers and not any(layer.frozen for layer in layers)


@pytest.mark.slow
def test_watch_sees_the_start_every_loss_and_every_judgment(blocks, settled_soon):
    seen = []

    def watch(history, detector):
        seen.append((len(history.losses), len(history.judged_steps), detector))

    detector = fit(blocks, training="fine_tuning", engine="numpy", epochs=2, progress=False, watch=watch)
    curve = detector.facts["curve"]
    assert curve["judged_steps"][0] == 0 and seen[0][:2] == (0, 1)
    # From the shipped weights the start is a fitted head, which already finds blocks.
    assert curve["judged_AP50"][0] > 0.3
    assert [losses for losses, _, _ in seen] == list(range(len(curve["losses"]) + 1))
    assert sum(found is not None for _, _, found in seen) == len(curve["judged_steps"])
    assert all(found.classes == blocks.classes for _, _, found in seen if found is not None)
    # What is kept is never clearly worse on the validation set than what it began with.
    assert (
        detector.facts["validation_AP50"] + detector.facts["validation_AP"]
        >= curve["judged_AP50"][0] + curve["judged_AP"][0] - 2 * SCORE_TOLERANCE - 1e-3
    )
    with pytest.raises(InputError, match="watch must be left out with a frozen backbone"):
        fit(blocks, watch=watch)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04nonsense", None, b"x" * 5000])
def test_damaged_state_is_refused(blocks, tmp_path, content):
    state = tmp_path / "state.npz"
    with WorkerPool(1) as pool:
        if content is None:

            def tell(step, history):
                raise KeyboardInterrupt

            train(*parts(blocks, pool), 5, None, tell, state_path=state)
            content = state.read_bytes()[:-3000]
        state.write_bytes(content)
        with pytest.raises(ModelError, match="must be a whole state file"):
            train(*parts(blocks, pool), 5, None, state_path=state)


def test_states_made_to_fill_memory_or_to_run_code_are_refused(tmp_path):
    path, ran = tmp_path / "state.npz", []

    class Hostile:
        def __reduce__(self):
            return ran.append, (1,)

    def member(content: bytes) -> None:
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("note.npy", content)

    head = io.BytesIO()
    np.lib.format.write_array_header_1_0(head, {"shape": (2**40,), "fortran_order": False, "descr": "<f4"})
    member(head.getvalue())  # a head of four terabytes, and nothing behind
    with pytest.raises(ModelError, match="must be a whole state file"):
        read_state(path)
    np.savez(path, note=np.array([Hostile()], object))
    with pytest.raises(ModelError, match="must be a whole state file"):
        read_state(path)
    member(bytes(2**21))
    with pytest.MonkeyPatch.context() as patch, pytest.raises(ModelError, match="must be a whole state file"):
        patch.setattr(state_file, "LARGEST_BYTES", 2**20)  # 2 kB on disk, 2 MiB unpacked
        read_state(path)
    assert not ran


def test_state_of_another_training_is_refused(blocks, tmp_path):
    state = tmp_path / "state.npz"

    def tell(step, history):
        raise KeyboardInterrupt

    with WorkerPool(1) as pool:
        train(*parts(blocks, pool), 5, None, tell, state_path=state)
        with pytest.raises(ModelError, match="it is of another"):
            train(*parts(blocks, pool), 6, None, state_path=state)


@pytest.mark.slow
def test_the_clock_ends_the_cycle(blocks):
    rates = []
    with WorkerPool(1) as pool:
        engine, batches = parts(blocks, pool)
        step = engine.step
        engine.step = lambda batch, rate: rates.append(rate) or step(batch, rate)
        _, history, finished = train(engine, batches, 100_000, None, max_duration_s=3)
    assert finished and len(rates) < 1000
    assert rates[-1] < 0.2 * max(rates)


def test_where_there_is_time_enough_the_clock_changes_nothing(blocks, monkeypatch):
    """The first evaluation may take as long as some steps: same seed, same detector all the same."""
    now, rates = [0.0], []
    monkeypatch.setattr("robotlab.neural.training_loop.time.monotonic", lambda: now[0])

    def judge(weights):
        now[0] += 4.0
        return {"AP": 0.0, "AP50": 0.0}

    class Engine:
        """Only notes the rates."""

        def average(self):
            return {}

        def step(self, batch, rate):
            now[0] += 1.0
            rates[-1].append(rate)
            return 0.0

    for seconds in (None, 150):
        now[0] = 0.0
        rates.append([])
        train(Engine(), lambda step, reduced: None, 60, judge, max_duration_s=seconds)
    assert rates[0] == rates[1] and len(rates[0]) == 60


# --- engines and budget --------------------------------------------------------------


def test_torch_engine_is_taken_where_it_is():
    assert choose_engine("auto") == ("torch" if torch_is_there() else "numpy")


def test_torch_is_asked_for_in_vain(monkeypatch):
    monkeypatch.setattr("robotlab.neural.engines.torch_is_there", lambda: False)
    with pytest.raises(InputError, match="needs PyTorch"):
        choose_engine("torch")


@pytest.mark.slow
def test_torch_engine_trains_and_resumes(blocks, tmp_path):
    pytest.importorskip("torch", reason="PyTorch is not installed: pip install 'robotlab[torch]'")
    from robotlab.neural.torch_engine import TorchEngine

    with WorkerPool(1) as pool:
        batches = BatchMaker(SampleSource(blocks), WINDOWS, 0, pool)
        one = TorchEngine(LAYERS, first_weights(LAYERS), "cpu")
        for step in range(2):
            one.step(batches(step), 0.001)
        state = {name: np.array(value) for name, value in one.state().items()}
        two = TorchEngine(LAYERS, first_weights(LAYERS, 1), "cpu")
        two.restore(state)
        assert one.step(batches(2), 0.001) == pytest.approx(two.step(batches(2), 0.001), rel=1e-5)
        for name, value in one.average().items():
            np.testing.assert_allclose(two.average()[name], value, rtol=1e-4, atol=1e-5)


@pytest.mark.slow
def test_budget_is_shown_before(blocks, capsys, monkeypatch):
    class Stopped(Exception):
        pass

    def stop(*_, **__):
        raise Stopped

    # Neither gets as far as its work, so what is shown was shown before.
    monkeypatch.setattr("robotlab.neural.fitting.gather_cells", stop)
    monkeypatch.setattr("robotlab.neural.fine_tuning.start_weights", stop)
    for options in ({}, {"training": "fine_tuning", "engine": "numpy", "epochs": 1}):
        with pytest.raises(Stopped):
            fit(blocks, **options)
        out = capsys.readouterr()
        assert re.search(r"about [\d.]+ (s|min), \d+ MB of memory, [\d.]+ MB of disk", out.out + out.err)


def test_a_full_disk_is_refused_before_training(blocks, monkeypatch):
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage(10**9, 10**9, 1000))
    with pytest.raises(InputError, match="MB of free disk at .*, there are 0 MB"):
        fit(blocks, training="fine_tuning", engine="numpy", epochs=1, progress=False)
    with pytest.raises(InputError, match="free disk"):
        check_disk("no/such/folder/yet", 1)


def test_activations_counted_by_hand():
    # Picture 3*32*32; first layer 8 channels of 16*16, three arrays; doubled once, two.
    layers = [Layer("a", "conv", ("picture",), 8, stride=2), Layer("b", "upsample", ("a",), 8)]
    assert activation_count(layers, 32, 32) == 3 * 1024 + 3 * 8 * 256 + 2 * 8 * 1024


def test_budget_reads_well():
    assert str(TrainingBudget(240, 400 * 2**20, 4 * 2**20)) == "about 4.0 min, 400 MB of memory, 4.0 MB of disk"
    assert disk_bytes(LAYERS, True) > 5 * disk_bytes(LAYERS, False)


def test_large_pictures_count_in_the_memory(tmp_path):
    # Measured: 24 pictures of 4000x3000 px seen at 1470x1102 took 940 MB in all, 310 MB were promised.
    big = LabeledImage(1, tmp_path / "a.jpg", 4000, 3000, boxes=np.array([[0, 0, 30, 90.0]]), labels=np.array([0]))
    source = SampleSource(DataSet(tmp_path / "annotations.json", ("post",), (1,), (big,) * 24), 1470)
    assert 600e6 < budget.BASE_BYTES + pictures_bytes(source, 1) < 1.3e9
    # On many cores fewer pictures are looked at side by side, instead of all the memory taken.
    assert 1 <= workers_within(source, 64) < 4 and workers_within(source, 1) == 1


@pytest.mark.parametrize("training", ["frozen_backbone", "fine_tuning"])
def test_memory_that_is_not_there_is_refused_before(blocks, monkeypatch, training):
    monkeypatch.setattr(budget, "free_memory_bytes", lambda: 10 * 2**20)
    with pytest.raises(
        InputError, match=r"training needs about \d+ MB of memory, this machine has 190 MB free; close other programs"
    ):
        fit(blocks, training=training, engine="numpy", progress=False)
    monkeypatch.setattr(budget, "free_memory_bytes", lambda: None)
    check_memory(2**50)
