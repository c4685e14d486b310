"""Read XML files: VOC labels.

The rule: a plain file of at most 10 MB, without a document type declaration
(which can make a parser expand a few bytes into gigabytes, or read other
files), nested at most 20 deep, of at most 100 000 elements.  Nothing else in
robotlab parses XML.
"""

from __future__ import annotations

import os
import xml.etree.ElementTree as ElementTree
from xml.parsers import expat

from robotlab.errors import InputError
from robotlab.files import read_plain

# One picture's labels take a few kB; more than this is not a label file.
LARGEST_XML_BYTES = 10_000_000
# VOC nests 4 deep and has about ten elements an object.
DEEPEST = 20
MOST_ELEMENTS = 100_000


def read_xml(
    path: str | os.PathLike, what: str = "an XML file", error: type[InputError] = InputError
) -> ElementTree.Element:
    """Parse one XML file, safely.

    Parameters
    ----------
    path : path-like
        The file.
    what : str
        What it should be, for messages.
    error : type
        Class of the errors raised.

    Returns
    -------
    Element
        The outermost element.

    Raises
    ------
    InputError
        Of the class `error`: if it breaks a rule above, or is not XML.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "a.xml"
    >>> _ = path.write_text("<annotation/>")
    >>> read_xml(path).tag
    'annotation'
    """
    content = read_plain(path, LARGEST_XML_BYTES, what, error)
    parser, depth, count = expat.ParserCreate(), 0, 0

    def refuse(*_: object) -> None:
        raise error(f"{path} must have no document type declaration (<!DOCTYPE ...>), it has one; delete that line")

    def begin(*_: object) -> None:
        nonlocal depth, count
        depth, count = depth + 1, count + 1
        if depth > DEEPEST or count > MOST_ELEMENTS:
            raise error(
                f"{path} must have at most {MOST_ELEMENTS} elements, {DEEPEST} deep, it has more; is it a label file?"
            )

    def end(*_: object) -> None:
        nonlocal depth
        depth -= 1

    parser.StartDoctypeDeclHandler, parser.StartElementHandler, parser.EndElementHandler = refuse, begin, end
    try:
        parser.Parse(content, True)
        return ElementTree.fromstring(content)
    except InputError:
        raise
    # LookupError: an encoding that Python does not know.
    except (expat.ExpatError, ElementTree.ParseError, LookupError, ValueError) as problem:
        raise error(
            f"{path} must be whole XML, it is not ({problem}); correct that line, or export the file again"
        ) from None
