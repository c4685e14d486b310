"""Guesses: kept in the progress file, shown beside the answer, collected from a saved notebook."""

import json

import pytest
from IPython.core.interactiveshell import InteractiveShell

from robotlab.errors import InputError
from robotlab.practice import compare_guess, guess, guesses_in, verify
from robotlab.practice.guessing import MEDIA_TYPE


@pytest.fixture
def file(tmp_path, monkeypatch):
    path = tmp_path / "progress.json"
    monkeypatch.setenv("ROBOTLAB_PROGRESS", str(path))
    return path


def iou(a, b):
    return 5.0


def test_a_guess_is_kept_beside_the_tasks_and_comes_back(file):
    asked = guess("02.post_width", "How wide?", choices=(2, 6, 20), unit="px")
    assert not file.exists(), "a question alone writes nothing"
    asked.field.value = "20 px"
    verify(iou)
    kept = json.loads(file.read_text())
    assert kept["guesses"] == {"02.post_width": "20 px"} and kept["tasks"]["iou"]["tries"] == 1
    # Another notebook wrote in the meantime; its guess stays.
    kept["guesses"]["02.other"] = "yes"
    file.write_text(json.dumps(kept))
    guess("02.free", "In words?").field.value = "  far <away>  "
    assert json.loads(file.read_text())["guesses"] == {
        "02.post_width": "20 px",
        "02.other": "yes",
        "02.free": "far <away>",
    }
    assert guess("02.post_width", "How wide?", choices=(2, 6, 20), unit="px").field.value == "20 px"
    assert repr(compare_guess("02.post_width", "6.5 px")) == "Your guess: 20 px. The answer: 6.5 px."
    assert "far &lt;away&gt;" in compare_guess("02.free", 3)._repr_mimebundle_()["text/html"]


def test_a_choice_that_the_lesson_no_longer_offers_is_no_error(file):
    guess("02.post_width", "How wide?", choices=(2, 6)).field.value = "6"
    assert guess("02.post_width", "How wide?", choices=(1, 7)).field.value == ""


def test_without_a_guess_nothing_waits_and_nothing_is_written(monkeypatch):
    monkeypatch.setenv("ROBOTLAB_PROGRESS", "off")
    guess("02.nobody", "How wide?", choices=(2, 6))
    assert repr(compare_guess("02.nobody", "6.5 px")) == "You wrote no guess. The answer: 6.5 px."


def test_a_guess_needs_a_name_and_a_question():
    with pytest.raises(InputError, match="a guess must have a name and a question"):
        guess("02.post_width", " ")


@pytest.mark.parametrize("guesses", [[], {"a": 3}, "x"])
def test_a_file_with_strange_guesses_is_set_aside(file, guesses):
    file.write_text(json.dumps({"version": 1, "tasks": {}, "guesses": guesses}))
    compare_guess("02.a", 1)
    assert [path.name for path in file.parent.iterdir()] == ["progress.damaged-1.json"]


def test_a_saved_notebook_says_what_was_guessed_and_a_hostile_one_nothing(file):
    guess("02.a", "How wide?").field.value = "20 px"
    data, _ = InteractiveShell.instance().display_formatter.format(compare_guess("02.a", "6.5 px"))
    cell = {"cell_type": "code", "outputs": [{"output_type": "execute_result", "data": data}]}
    assert [(one.name, one.guess, one.answer) for one in guesses_in({"cells": [cell]})] == [("02.a", "20 px", "6.5 px")]
    for one in (
        None,
        [],
        3,
        {"name": "x"},
        {"name": 1, "guess": "", "answer": ""},
        dict.fromkeys(data[MEDIA_TYPE], "x" * 301),
    ):
        assert guesses_in({"cells": [{"outputs": [{"data": {MEDIA_TYPE: one}}]}]}) == []
    for notebook in ({}, {"cells": 3}, {"cells": [None, {"outputs": "x"}, {"outputs": [3, {"data": 1}]}]}):
        assert guesses_in(notebook) == []
