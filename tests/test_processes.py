"""The whole suite takes several processes; none of those takes more, or they would never end."""

import importlib.util
from pathlib import Path
from types import SimpleNamespace

import pytest


def processes(place, monkeypatch, **option):
    """What the hook of tests/conftest.py asks pytest-xdist for."""
    spec = importlib.util.spec_from_file_location("suite", Path(__file__).with_name("conftest.py"))
    suite = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(suite)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        monkeypatch.setenv(name, "1")
    given = {"numprocesses": None, "dist": "no", "usepdb": False, "collectonly": False} | option
    config = SimpleNamespace(
        option=SimpleNamespace(**given),
        ArgsSource=pytest.Config.ArgsSource,
        args_source=place,
        pluginmanager=SimpleNamespace(hasplugin=lambda name: name == "xdist"),
    )
    suite.pytest_cmdline_main(config)
    return config.option.numprocesses


def test_the_whole_suite_takes_several_processes_and_they_take_no_more(monkeypatch):
    whole, named = pytest.Config.ArgsSource.TESTPATHS, pytest.Config.ArgsSource.ARGS
    monkeypatch.delenv("PYTEST_XDIST_WORKER", raising=False)
    assert 1 <= processes(whole, monkeypatch) <= 4
    assert processes(named, monkeypatch) is None
    assert processes(whole, monkeypatch, usepdb=True) is None and processes(whole, monkeypatch, numprocesses=0) == 0
    monkeypatch.setenv("PYTEST_XDIST_WORKER", "gw0")
    assert processes(whole, monkeypatch) is None
