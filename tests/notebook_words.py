"""The words that a notebook shows, compared with those of the worked notebook."""

import re
from collections import defaultdict
from pathlib import Path

from robotlab.course.outputs import CHECKS_NOTHING

# Not compared, as nbval does not: pictures, and the ids of widgets.
LEFT_OUT = ("image/png", "image/jpeg", "application/vnd.jupyter.widget-view+json")


def shown(outputs: list[dict]) -> dict[str, list]:
    """What a cell shows, by kind."""
    kinds: dict[str, list] = defaultdict(list)
    for output in outputs:
        if output["output_type"] == "stream":
            kinds[output["name"]] = ["".join([*kinds[output["name"]], *output["text"]])]
        if output["output_type"] == "error":
            kinds["error"].append((output["ename"], output["evalue"]))
        for kind, value in output.get("data", {}).items():
            if kind not in LEFT_OUT:
                kinds[kind].append("".join(value) if isinstance(value, list) else value)
    return dict(kinds)


def differences(ran: dict, worked: dict) -> list[str]:
    """Cells of the worked notebook that show something else in the learner's, which has just run, or are not there.

    Cells have one id in both.  Answers, tagged ``worked``, are in one alone, and what ``verify`` says differs:
    tests/practice proves that the answers pass.
    """
    here = {cell["id"]: shown(cell["outputs"]) for cell in ran["cells"] if cell["cell_type"] == "code"}
    found = []
    for cell in worked["cells"]:
        tags = cell["metadata"].get("tags", [])
        if cell["cell_type"] != "code" or {"worked", "verify", CHECKS_NOTHING} & set(tags):
            continue
        expected, came = shown(cell["outputs"]), here.get(cell["id"])
        if came != expected:
            found.append(f"{''.join(cell['source'])[:60]!r} shows {came}, not {expected}")
    return found


def still_alt(notebook: Path, picture: str) -> str:
    """The text alternative of a still in a lesson as it is shipped; its picture must lie beside it."""
    assert (notebook.parent / "pictures" / f"{picture}.png").stat().st_size > 1000
    return re.search(rf"!\[([^\]]*)\]\(pictures/{picture}\.png\)", notebook.read_text(encoding="utf-8"))[1]
