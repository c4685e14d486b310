"""What lessons call is there and takes what they give it, without running them: the longest run in the long tests alone."""

import argparse
import ast
import importlib
import inspect
import re

import pytest
from docs_walk import ROOT

from robotlab.cli.parser import _parser
from robotlab.course.builder import read_source

SOURCES = sorted((ROOT / "instructor" / "source").glob("*.py"))


def imported_in(tree):
    """What is imported from robotlab, by the name it has in the lesson; without names that the lesson gives to more."""
    things = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module.partition(".")[0] == "robotlab":
            module = importlib.import_module(node.module)
            for alias in node.names:
                name = f"{node.module}.{alias.name}"
                there = hasattr(module, alias.name)
                things[alias.asname or alias.name] = (
                    getattr(module, alias.name) if there else importlib.import_module(name)
                )
    given = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)}
    given |= {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.ClassDef)}
    given |= {node.arg for node in ast.walk(tree) if isinstance(node, ast.arg)}
    return {name: thing for name, thing in things.items() if name not in given}


def called(node, things):
    """The thing that an expression such as ``image.decode`` names, and that expression; None where it is not robotlab's."""
    if isinstance(node, ast.Name):
        return things.get(node.id)
    if isinstance(node, ast.Attribute):
        owner = called(node.value, things)
        # Of an object nothing is known before it is made; of a module or class all.
        return getattr(owner, node.attr) if inspect.ismodule(owner) or inspect.isclass(owner) else None
    return None


def wrong_calls(code):
    """Calls of robotlab's functions and classes, how many there are, and what is wrong with some of them."""
    tree = ast.parse(code)
    things, count, wrong = imported_in(tree), 0, []
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        try:
            thing = called(node.func, things)
            if thing is None:
                continue
            count += 1
            stars = any(isinstance(one, ast.Starred) for one in node.args) or any(
                one.arg is None for one in node.keywords
            )
            signature = inspect.signature(thing)
            bind = signature.bind_partial if stars else signature.bind
            bind(
                *(one for one in node.args if not isinstance(one, ast.Starred)),
                **{one.arg: one for one in node.keywords if one.arg},
            )
        except (AttributeError, TypeError) as error:
            wrong.append(f"{ast.unparse(node)}: {error}")
    return count, wrong


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_what_a_lesson_calls_takes_what_it_is_given(path):
    count, wrong = wrong_calls("\n".join(cell["source"] for cell in read_source(path) if cell["type"] == "code"))
    assert wrong == [] and count >= 10


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("from robotlab.boxes import iou\niou([0, 0, 1, 1])", "missing a required argument"),
        ("from robotlab.neural import fit\nfit(data, learning='all')", "unexpected keyword argument 'learning'"),
        ("from robotlab import image\nimage.unread('a.png')", "has no attribute 'unread'"),
        ("from robotlab.color import ColorDetector\nColorDetector.of('a.png')", "has no attribute 'of'"),
        (
            "from robotlab.neural import fit\nfit(data, learning='all', **words)",
            "unexpected keyword argument 'learning'",
        ),
    ],
)
def test_a_wrong_call_is_seen(code, words):
    count, (wrong,) = wrong_calls(code)
    assert words in wrong


def test_a_name_that_the_lesson_gives_to_something_else_is_left_alone():
    code = "from robotlab.boxes import iou, nms\ndef nms(a):\n    ...\nnms(1)\niou(1, 2)\nmine.decode(3)"
    assert wrong_calls(code) == (1, [])


def parsers_of(parser):
    """Each command's parser by its words, those of commands within commands too."""
    found = {}
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, inner in action.choices.items():
                found[name] = inner
                found |= {f"{name} {word}": one for word, one in parsers_of(inner).items()}
    return found


PARSERS = parsers_of(_parser())
OPTIONS = {option for parser in PARSERS.values() for option in parser._option_string_actions}


def unknown_words(text):
    """How many commands a cell names, and which commands and options of it there are none of."""
    unknown, commands = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", text)) - OPTIONS, 0
    for word, inner, rest in re.findall(
        r"(?:`|^|bin/)robotlab ([a-z]\w*)(?: ([a-z][\w-]*))?([^\n`]*)", text, re.MULTILINE
    ):
        commands += 1
        parser = PARSERS.get(f"{word} {inner}", PARSERS.get(word))
        known = parser._option_string_actions if parser else ()
        unknown |= {f"{word} {option}" for option in re.findall(r"(?<!\S)--[a-z][a-z-]+", rest) if option not in known}
        unknown |= set() if parser else {word}
    return commands, unknown


def test_commands_and_options_of_lessons_are_there():
    found = [(path.name, *unknown_words(cell["source"])) for path in SOURCES for cell in read_source(path)]
    assert [(name, unknown) for name, _, unknown in found if unknown] == []
    assert sum(commands for _, commands, _ in found) >= 20


def test_a_wrong_command_or_option_is_seen():
    assert unknown_words("`robotlab fit data --epochs 3`, `robotlab measure field-of-view --picture a.png`") == (
        2,
        set(),
    )
    assert unknown_words("run(f'drive --dry-runs')\nrobotlab follow\nrobotlab fit --picture a.png") == (
        2,
        {"--dry-runs", "follow", "fit --picture"},
    )
