"""Sample flights made once for all tests of the flight model and of what is built on it."""

import functools

import pytest

from replay.whatif import sample


@pytest.fixture(scope="session")
def fly():
    """`fly(name)`: the sample flight of seed 0, made at first use."""
    return functools.cache(sample.make)
