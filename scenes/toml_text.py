"""Values as TOML text, as a person would type them."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping

WIDTH = 110

_SHORT_ESCAPES = {"\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r", '"': '\\"', "\\": "\\\\"}


def toml_string(text: str) -> str:
    """A text as a TOML basic string, quotes included; every control character escaped."""
    return '"' + "".join(_escaped(char) for char in text) + '"'


def toml_value(value: object) -> str:
    """A value as ``tomllib`` reads it (text, number, truth, array, table), in one line."""
    match value:
        case str():
            return toml_string(value)
        case bool():
            return "true" if value else "false"
        case int() | float():
            return repr(value)
        case list() | tuple():
            return f"[{', '.join(toml_value(entry) for entry in value)}]"
        case Mapping():
            inside = ", ".join(f"{toml_key(key)} = {toml_value(entry)}" for key, entry in value.items())
            return f"{{ {inside} }}"
    raise TypeError(f"not a value of an engine folder: {type(value).__name__}")


def toml_rows(entries: list[object]) -> str:
    """An array with as many entries in a line as fit, tables one a line."""
    texts = [toml_value(entry) for entry in entries]
    if any(isinstance(entry, Mapping) for entry in entries):
        return "\n".join(["[", *(f"    {text}," for text in texts), "]"])
    if len(", ".join(texts)) <= WIDTH - 20:
        return f"[{', '.join(texts)}]"
    # a blank inside a text or an inner array is no place to break the line
    held = [f"{text},".replace(" ", "\0") for text in texts]
    lines = textwrap.wrap(" ".join(held), WIDTH - 4, break_long_words=False, break_on_hyphens=False)
    return "\n".join(["[", *(f"    {line}".replace("\0", " ") for line in lines), "]"])


def toml_key(name: str) -> str:
    """A key, in quotes where it needs them."""
    bare = name.isascii() and name.replace("-", "").replace("_", "").isalnum()
    return name if bare else toml_string(name)


def _escaped(char: str) -> str:
    if char in _SHORT_ESCAPES:
        return _SHORT_ESCAPES[char]
    return f"\\u{ord(char):04X}" if ord(char) < 0x20 or ord(char) == 0x7F else char
