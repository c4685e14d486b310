"""Learners' functions as text: compare tokens, find near-copies and library calls."""

from __future__ import annotations

import io
import itertools
import keyword
import re
import tokenize
from collections import Counter
from collections.abc import Sequence

# Letters of one function that are looked at.
LONGEST_FUNCTION = 20_000
# Tokens in a row that are compared.
_ROW = 5
# Shorter answers are alike because they are right.
FEWEST_ROWS = 40
ALIKE = 0.85
_SKIPPED = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.ENCODING, tokenize.ENDMARKER}


def function_source(cells: Sequence[str], name: str) -> str:
    """The text of a function, of the last cell that defines it.

    Parameters
    ----------
    cells : sequence of str
        Code cells.
    name : str
        The function.

    Returns
    -------
    str
        From its first line to the next one that is not indented; empty where there is none.

    Examples
    --------
    >>> function_source(["x = 1", "def f(a):\\n    return a\\nprint(2)"], "f")
    'def f(a):\\n    return a'
    """
    for cell in reversed(cells):
        begins = list(re.finditer(rf"^(?:async\s+)?def\s+{re.escape(name)}\b", cell, re.MULTILINE))
        if begins:
            first, *lines = cell[begins[-1].start() :][:LONGEST_FUNCTION].split("\n")
            end = next((k for k, line in enumerate(lines) if line[:1] not in ("", " ", "\t", ")", "]", "}", "#")), None)
            return "\n".join([first, *lines[:end]]).rstrip()
    return ""


def tokens(source: str) -> list[str]:
    """The tokens of a function that matter: its own names numbered, no comments, no docstring.

    Parameters
    ----------
    source : str
        Text.

    Returns
    -------
    list of str
        Up to where it breaks off, if it is not Python.

    Examples
    --------
    >>> tokens("def f(a):  # mine\\n    return a + 1") == tokens("def f(b):\\n    return b+1")
    True
    """
    found: list[str] = []
    names: dict[str, str] = {}
    last = ""
    try:
        for token in tokenize.generate_tokens(io.StringIO(source).readline):
            if token.type in _SKIPPED:
                last = last if token.type == tokenize.COMMENT else "\n"
                continue
            text = token.string
            if token.type in (tokenize.INDENT, tokenize.DEDENT):
                found.append("{" if token.type == tokenize.INDENT else "}")
                continue
            if token.type == tokenize.STRING and last == "\n":
                continue
            if token.type == tokenize.NAME and not keyword.iskeyword(text) and last != ".":
                text = names.setdefault(text, f"n{len(names)}")
            found.append(text)
            last = token.string
    except (tokenize.TokenError, SyntaxError, ValueError, RecursionError):
        pass
    return found


def is_starter(source: str, starter: str) -> bool:
    """Whether a function is as the lesson gave it.

    Parameters
    ----------
    source, starter : str
        Texts.

    Returns
    -------
    bool
        Comments and docstring aside.

    Examples
    --------
    >>> is_starter("def f(a):\\n    ...", 'def f(a):\\n    "Doc."\\n    ...')
    True
    """
    own = tokens(source)
    return bool(own) and own in (tokens(starter), tokens(starter.replace("...", "pass")))


def library_calls(cells: Sequence[str], name: str) -> list[str]:
    """Names of robotlab that an answer uses: perhaps it only calls what it should be.

    Parameters
    ----------
    cells : sequence of str
        Code cells.
    name : str
        The function.

    Returns
    -------
    list of str
        Sorted; a hint to look.

    Examples
    --------
    >>> library_calls(["from robotlab import camera as eye", "def f(a, b):\\n    return eye.fov_rad(a, b)"], "f")
    ['eye.fov_rad']
    """
    code, source = "\n".join(cells), function_source(cells, name)
    given: set[str] = set()
    for module, names in re.findall(
        r"^[ \t]*from\s+(robotlab(?:\.\w+)*)\s+import\s+(\([^)]*\)|[^\n]*)", code, re.MULTILINE
    ):
        given |= {one.split()[-1] for one in re.sub(r"[()#]", " ", names).split(",") if one.split() and module}
    for names in re.findall(r"^[ \t]*import\s+([^\n]*robotlab\b[^\n]*)", code, re.MULTILINE):
        given |= {one.split()[-1].partition(".")[0] for one in names.split(",") if "robotlab" in one}
    if not source:  # Bound to a name of the library, or in some other way.
        match = re.search(rf"^{re.escape(name)}\s*=\s*([\w.]+)", code, re.MULTILINE)
        source = match[0] if match else ""
        given -= set() if match else {name}
    used = re.findall(r"(?<![\w.])[A-Za-z_]\w*(?:\.\w+)*", re.sub(r'"""[\s\S]*?"""|#.*', "", source))
    return sorted({word for word in used if word.partition(".")[0] in given and word != name})[:5]


def alike_pairs(answers: Sequence[Sequence[str]]) -> list[tuple[int, int, float]]:
    """Pairs of learners whose answers are suspiciously alike: a hint to look, no verdict.

    What many have in common (idioms, the only right formula) is left out first.

    Parameters
    ----------
    answers : sequence of sequence of str
        For each learner the texts of the functions.

    Returns
    -------
    list of (int, int, float)
        Two learners and the share of rows of five tokens that they have in
        common (Jaccard index), most alike first.

    Examples
    --------
    >>> alike_pairs([["def f(): pass"], ["def f(): pass"]])
    []
    """
    rows = [
        {tuple(words[k : k + _ROW]) for words in map(tokens, one) for k in range(len(words) - _ROW + 1)}
        for one in answers
    ]
    many = max(3, 0.2 * len(rows))
    common = {row for row, times in Counter(row for own in rows for row in own).items() if times > many}
    rare = [own - common for own in rows]
    holders: dict[tuple[str, ...], list[int]] = {}
    for k, own in enumerate(rare):
        for row in own:
            holders.setdefault(row, []).append(k)
    shared: Counter[tuple[int, int]] = Counter()
    for several in holders.values():
        shared.update(itertools.combinations(several, 2))
    found = []
    for (a, b), both in shared.items():
        share = both / (len(rare[a]) + len(rare[b]) - both)
        if both >= FEWEST_ROWS and share >= ALIKE:
            found.append((a, b, round(share, 3)))
    return sorted(found, key=lambda pair: (-pair[2], pair[0], pair[1]))
