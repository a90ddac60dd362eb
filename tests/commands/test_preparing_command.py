"""What a command says while loops are compiled: on stderr, and only where a person would wonder."""

import io

from replay.commands.preparing import Teller


def test_a_second_goes_by_before_anything_is_said(monkeypatch):
    """Then how far it is, every ten seconds."""
    clock = [100.0]
    monkeypatch.setattr("replay.commands.preparing.time.monotonic", lambda: clock[0])
    out = io.StringIO()
    tell = Teller("estimate", out)
    for second, name in ((0.0, "a"), (0.9, "b")):
        clock[0] = 100.0 + second
        tell(name)
    assert out.getvalue() == ""
    for second, name in ((1.5, "c"), (2.0, "d"), (11.0, "d"), (12.0, "e")):
        clock[0] = 100.0 + second
        tell(name)
    said = out.getvalue().splitlines()
    assert said == [f"plumbline estimate: preparing the compiled loops, once on this machine: {n} so far" for n in (3, 5)]


def test_our_loops_are_heard_of_and_a_raise_stops_the_compiler():
    """A loop made here, in the name of our package; the next call compiles it after all."""
    import numba
    import pytest

    from replay import jit

    def twice(x):
        return 2.0 * x

    twice.__module__ = "replay.made_up"
    loop = numba.njit(twice)
    heard = []

    def refuse(name):
        heard.append(name)
        raise KeyboardInterrupt

    unwatch = jit.watch(refuse)
    with pytest.raises(KeyboardInterrupt):
        loop(1.0)
    unwatch()
    assert heard == ["replay.made_up.twice"]
    assert loop(1.0) == 2.0
