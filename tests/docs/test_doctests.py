"""The examples in the docstrings of the package, and of what the tests make logs with, run."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import numpy as np
import pytest

import frametime

MODULES = [*sorted(module.name for module in pkgutil.walk_packages(frametime.__path__, "frametime.")), "made_log"]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_the_module_run(name: str) -> None:
    if name == "frametime.__main__":
        return
    module = importlib.import_module(name)
    failed, _ = doctest.testmod(module, extraglobs={"np": np}, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert failed == 0
