"""Every example in a docstring runs and prints what it says, without a warning."""

import doctest

import pytest
from docs_walk import load, module_names


@pytest.mark.parametrize("name", module_names())
def test_examples(name, tmp_path, monkeypatch):
    module = load(name)
    # An example that writes a file by a bare name writes it there.
    monkeypatch.chdir(tmp_path)
    said = []
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE, verbose=False)
    for example in doctest.DocTestFinder(exclude_empty=True).find(module, name):
        runner.run(example, out=said.append)
    assert runner.summarize(verbose=False).failed == 0, "".join(said)
