"""Strict reading and readable writing of the small TOML files: calibration, vehicle, evidence, column map.

A file's schema is a plain nested dictionary of checks::

    SCHEMA = {
        "name": text(),
        "liftoff_mass_kg": number(above=0.0),
        "gyro": {"bias_degps": vector(3), "pad_bias": flag()},     # a [table]
        "sighting": [{"time_s": number(), "tilt_deg": number()}],   # [[tables]]
        "thrust_curve_s_n": rows(2),
    }
    stated = read_toml(path, SCHEMA, required=("name", "gyro.bias_degps"))

What comes back holds only the keys the file states, so that a caller can tell a default from a stated value.
"""

from __future__ import annotations

import difflib
import os
import sys
import tempfile
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeAlias

from replay.errors import SettingsError

FORMAT = 1
_LARGEST = sys.float_info.max
Check: TypeAlias = Callable[[Any], Any]
"""Takes the value as TOML gave it, returns it as accepted, or raises `Unfit`."""
Schema: TypeAlias = Mapping[str, Any]
"""Key -> Check, Schema (a table) or [Schema] (an array of tables)."""


class Unfit(ValueError):
    """A value a check refuses; `str()` is what was expected."""


def number(*, above: float | None = None, low: float | None = None, high: float | None = None) -> Check:
    """A finite number, as float. `above` is exclusive; `low` and `high` inclusive."""
    limits = [f"above {above:g}"] if above is not None else []
    limits += [f"at least {low:g}"] if low is not None else []
    limits += [f"at most {high:g}"] if high is not None else []
    expected = " ".join(["a number", " and ".join(limits)]).strip()

    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= _LARGEST:
            raise Unfit(expected)
        if (above is not None and value <= above) or (low is not None and value < low) or (high is not None and value > high):
            raise Unfit(expected)
        return float(value)

    return check


def vector(width: int, element: Check | None = None) -> Check:
    """A list of exactly `width` numbers (or of what `element` accepts), as a tuple."""
    accept = element or number()

    def check(value: Any) -> tuple[Any, ...]:
        expected = f"a list of {width} numbers" if element is None else f"a list of {width}"
        if not isinstance(value, list) or len(value) != width:
            raise Unfit(expected)
        try:
            return tuple(accept(item) for item in value)
        except Unfit as unfit:
            raise Unfit(f"{expected}, each {unfit}") from None

    return check


def rows(width: int, element: Check | None = None) -> Check:
    """A list of lists of `width` numbers each, as a tuple of tuples."""
    accept = vector(width, element)

    def check(value: Any) -> tuple[tuple[Any, ...], ...]:
        if not isinstance(value, list):
            raise Unfit(f"a list of lists of {width} numbers")
        try:
            return tuple(accept(item) for item in value)
        except Unfit:
            raise Unfit(f"a list of lists of {width} numbers") from None

    return check


def text(*choices: str) -> Check:
    """A string; one of `choices` where any are given."""

    def check(value: Any) -> str:
        if not isinstance(value, str):
            raise Unfit("a text" if not choices else "one of " + ", ".join(map(repr, choices)))
        if choices and value not in choices:
            near = difflib.get_close_matches(value, choices, n=1, cutoff=0.6)
            raise Unfit("one of " + ", ".join(map(repr, choices)) + (f" (nearest: {near[0]!r})" if near else ""))
        return value

    return check


def flag() -> Check:
    """True or false."""

    def check(value: Any) -> bool:
        if not isinstance(value, bool):
            raise Unfit("true or false")
        return value

    return check


def whole(*, low: int | None = None) -> Check:
    """A whole number, at least `low` where given."""

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or (low is not None and value < low):
            raise Unfit("a whole number" + ("" if low is None else f" of at least {low}"))
        return value

    return check


def read_toml(path: str | os.PathLike[str], schema: Schema, *, required: Sequence[str] = ()) -> dict[str, Any]:
    """Read a settings file and hold every key to the schema.

    Parameters
    ----------
    path : path
    schema : Schema
        Without `format`, which every file must state and which is checked here.
    required : sequence of str
        Dotted keys that must be there.

    Returns
    -------
    dict
        Nested as in the file, only the keys it states, without `format`.

    Raises
    ------
    SettingsError
        Not readable, not TOML, another format number, an unknown key (names the nearest known one), a value that can't be meant,
        or a required key that is absent.
    """
    name = os.fspath(path)
    try:
        content = Path(path).read_bytes().decode("utf-8-sig")
        data = tomllib.loads(content)
    except OSError as error:
        raise SettingsError(name, "file", "a file that can be read", error.strerror or str(error)) from None
    except UnicodeDecodeError as error:
        raise SettingsError(name, "file", "UTF-8 text", f"byte {error.start} that is not") from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(name, "file", "TOML", str(error)) from None
    return checked(data, schema, name, required=required)


def checked(data: Mapping[str, Any], schema: Schema, name: str, *, required: Sequence[str] = ()) -> dict[str, Any]:
    """`read_toml` for a dictionary that is already there; `name` stands for the file in errors."""
    if data.get("format") != FORMAT or isinstance(data.get("format"), bool):
        raise SettingsError(name, "format", f"format = {FORMAT}", _shown(data["format"]) if "format" in data else "nothing")
    result = _table({key: value for key, value in data.items() if key != "format"}, schema, schema, name, "")
    for key in required:
        if not _has(result, key.split(".")):
            raise SettingsError(name, key, "this key", "nothing")
    return result


def _table(data: Mapping[str, Any], schema: Schema, whole_schema: Schema, name: str, prefix: str) -> dict[str, Any]:
    result: dict[str, Any] = {}
    for key, value in data.items():
        dotted = prefix + key
        if key not in schema:
            raise SettingsError(name, dotted, _nearest(key, schema, whole_schema, prefix), "an unknown key")
        rule = schema[key]
        if isinstance(rule, Mapping):
            if not isinstance(value, Mapping):
                raise SettingsError(name, dotted, "a table", _shown(value))
            result[key] = _table(value, rule, whole_schema, name, dotted + ".")
        elif isinstance(rule, list):
            if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
                raise SettingsError(name, dotted, f"[[{dotted}]] tables", _shown(value))
            result[key] = [_table(item, rule[0], whole_schema, name, f"{dotted}[{i + 1}].") for i, item in enumerate(value)]
        else:
            try:
                result[key] = rule(value)
            except Unfit as unfit:
                raise SettingsError(name, dotted, str(unfit), _shown(value)) from None
    return result


def _nearest(key: str, schema: Schema, whole_schema: Schema, prefix: str) -> str:
    """What to say about an unknown key: the table it belongs in, else the nearest key of this table."""
    elsewhere = [dotted for dotted in _keys(whole_schema) if dotted.rpartition(".")[2] == key]
    if elsewhere:
        return f"{elsewhere[0]!r}"
    near = difflib.get_close_matches(key, list(schema), n=1, cutoff=0.0)
    return f"a known key (nearest: {prefix + near[0]!r})" if near else "no key here"


def _keys(schema: Schema, prefix: str = "") -> Iterator[str]:
    for key, rule in schema.items():
        yield prefix + key
        if isinstance(rule, Mapping):
            yield from _keys(rule, prefix + key + ".")
        elif isinstance(rule, list):
            yield from _keys(rule[0], prefix + key + ".")


def _has(data: Any, parts: Sequence[str]) -> bool:
    for part in parts:
        if not isinstance(data, Mapping) or part not in data:
            return False
        data = data[part]
    return True


def _shown(value: Any) -> str:
    try:
        shown = toml_value(value)
    except (TypeError, ValueError):  # nothing of TOML's, or a number of more digits than Python writes
        shown = str(value) if not isinstance(value, int) else "a number beyond all others"
    return shown if len(shown) <= 60 else shown[:57] + "..."


def write_toml(
    path: str | os.PathLike[str], data: Mapping[str, Any], *, comments: Mapping[str, str] | None = None, heading: str = ""
) -> None:
    """Write a settings file at once or not at all; whether a file may be written over is the caller's question.

    Parameters
    ----------
    path : path
    data : mapping
        Nested; `format` is put first. None values are left out. A mapping is a table, a list of mappings an array of tables.
    comments : mapping of str to str
        Dotted key -> comment at the end of its line (of a table: above it).
    heading : str
        Comment lines at the top.
    """
    write_whole(path, toml_text(data, comments=comments, heading=heading))


def write_whole(path: str | os.PathLike[str], content: str | bytes, *, is_durable: bool = False) -> None:
    """Write a file at once or not at all: whoever reads it, or is killed, sees the old one or the new one.

    Parameters
    ----------
    path : path
    content : str or bytes
        Text is written as UTF-8 with its newlines as they are.
    is_durable : bool
        Wait until the disk has it, so that a power cut can't leave neither.
    """
    target = Path(path)
    handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content.encode("utf-8") if isinstance(content, str) else content)
            if is_durable:
                stream.flush()
                os.fsync(stream.fileno())
        Path(temporary).chmod(0o644)
        Path(temporary).replace(target)
        if is_durable:
            _wait_for_folder(target.parent)
    finally:
        Path(temporary).unlink(missing_ok=True)


def _wait_for_folder(folder: Path) -> None:
    """Until the disk has the folder's new entry: a file's own fsync does not promise its name. Where folders can't be opened, nothing."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:  # a file system that has no such thing: the file itself is on the disk
        pass
    finally:
        os.close(handle)


def toml_text(data: Mapping[str, Any], *, comments: Mapping[str, str] | None = None, heading: str = "") -> str:
    """The text `write_toml` writes."""
    lines = [f"# {line}" for line in heading.splitlines()]
    lines.append(f"format = {FORMAT}")
    lines += _lines({key: value for key, value in data.items() if key != "format"}, comments or {}, "")
    return "\n".join(lines) + "\n"


def _lines(data: Mapping[str, Any], comments: Mapping[str, str], prefix: str) -> list[str]:
    lines: list[str] = []
    tables: list[str] = []
    for key, value in data.items():
        dotted = prefix + key
        if value is None:
            continue
        if isinstance(value, Mapping):
            inside = _lines(value, comments, dotted + ".")
            if inside:
                tables += ["", *_above(comments, dotted), f"[{dotted}]", *inside]
        elif isinstance(value, list | tuple) and value and all(isinstance(item, Mapping) for item in value):
            tables += ["", *_above(comments, dotted)]
            for i, item in enumerate(value):
                tables += [*([""] if i else []), f"[[{dotted}]]", *_lines(item, comments, dotted + ".")]
        else:
            line = f"{_toml_key(key)} = {toml_value(value)}"
            lines.append(f"{line:<40} # {comments[dotted]}" if dotted in comments else line)
    return lines + tables


def _above(comments: Mapping[str, str], dotted: str) -> list[str]:
    return [f"# {line}" for line in comments.get(dotted, "").splitlines()]


def _toml_key(key: str) -> str:
    return key if key and all(c.isascii() and (c.isalnum() or c in "_-") for c in key) else toml_value(key)


_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\r": "\\r", "\t": "\\t", "\b": "\\b", "\f": "\\f"}


def toml_value(value: Any) -> str:
    """One value as TOML; floats in the shortest form that reads back equal."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(_ESCAPES.get(c, c if c.isprintable() or ord(c) > 0x9F else f"\\u{ord(c):04x}") for c in value) + '"'
    if isinstance(value, int):
        return str(int(value))
    if isinstance(value, float):
        return repr(float(value))
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    raise TypeError(f"no TOML for {type(value).__name__}")
