"""Engine folders and readings that are wrong in the ways that files are wrong: grown from valid ones.

A valid file is taken as a tree, a few of its values, keys and rows are changed, and what comes out is written as TOML
again; now and then its text is hurt too. Most changes are small, so that many folders get past the reader and into
the checks of the mechanism. The same random numbers give the same files.
"""

from __future__ import annotations

import copy
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any, get_args

from quillwise.kinematics.datasheet import StandardLaw
from quillwise.scenes.toml_text import toml_key, toml_string

Way = tuple[str | int, ...]


class Raw(str):
    """A piece of TOML that is written as it stands."""


NUMBERS = [
    *("1e400", "-1e400", "nan", "-nan", "inf", "-inf", "-0.0", "0.0", "5e-324", "1.7976931348623157e308"),
    *("0", "-1", "1", "2", "400", "401", "99999999999999999999999999999999", "9" * 5000, "0x7fffffffffffffff"),
    *("1_000", "0b1", "1e-9", "720", "-720", "360.0", "180"),
]  # fmt: skip
TOKENS = [*NUMBERS, "true", "false", "[]", "{}", "[[]]", "[{}]", "1979-05-27", "07:32:00", "1979-05-27T07:32:00Z", '""']
TEXTS = [
    *("", " ", "A", "a1", "A1", "A99", "Z1", "all", "crankshaft", "camshaft A", "camshaft B", "camshaft A inlet"),
    *("measured", "90 BTDC", "0 ATDC", "400 BBDC", "-5 BTDC", "nan BTDC", "1e400 ABDC", "1e-400 BBDC", "٣ BTDC"),
    *("\x1b[2J\x1b]0;x\x07", "\u202eevil", "\u200b", "\ud7ff", "\U0010ffff", "\x00", "a\nb", "'\"<&>", "A" * 201),
    *("x" * 20_000, "../larkfell-port", "../..", "/dev/zero", "..", "larkfell-port", "\\u0000", "é" * 80, "{0}", "%s"),
]  # fmt: skip
FRAGMENTS = [
    *(b"\x00", b"\xff", b"\xef\xbb\xbf", b"\r", b"\r\n", b"[", b"]", b"[[", b"{", b"}", b'"', b"'''", b'"""', b"="),
    *(b".", b",", b"#", b"\\", b"\\u12", b"\\UFFFFFFFF", b"[" * 3000, b"{a=" * 1500, b"a." * 3000, b"\n" * 2000),
    *(b"like = 1\n", b'like = "larkfell-port"\n', b'like = "../six"\n', b"format = 2\n", b"[x]\n", b"[[trains]]\n"),
]  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Donor:
    """A valid folder as trees. files: by name, such as engine.toml."""

    name: str
    files: Mapping[str, dict[str, Any]]
    is_measured: bool = False


def donor(folder: Path, names: Sequence[str]) -> Donor:
    """The files of a folder that exist, as trees."""
    found = {name: tomllib.loads((folder / name).read_text("utf-8")) for name in names if (folder / name).is_file()}
    return Donor(name=folder.name, files=found)


def lift_rows(opens_deg: float, closes_deg: float, lift: float, step_deg: float = 3.0) -> list[list[float]]:
    """A smooth lift as a table that a scene may hold, a sine squared between the events and nothing beside them."""
    rows = [[opens_deg - 3 * step_deg, 0.0]]
    count = int((closes_deg - opens_deg) / step_deg)
    for number in range(count + 1):
        angle = opens_deg + number * (closes_deg - opens_deg) / count
        rows.append([round(angle, 3), round(lift * math.sin(math.pi * number / count) ** 2, 5)])
    return [*rows, [closes_deg + 3 * step_deg, 0.0]]


def with_lift_table(one: Donor) -> Donor:
    """The same folder with measured lifts of both valves."""
    files = copy.deepcopy(dict(one.files))
    valves = files["engine.toml"]["valves"]
    unit = 25.4 if files["engine.toml"].get("length_unit") == "in" else 1.0
    for kind, opens, closes in (("inlet", 300.0, 630.0), ("exhaust", 80.0, 420.0)):
        own = valves[kind]
        for key in ("opens", "closes", "valve_lift", "ramp_per_crank_deg", "ramp_top"):
            own.pop(key, None)
        own |= {"law": "measured", "lift_table": lift_rows(opens, closes, 11.0 / unit)}
    return Donor(name=f"{one.name} measured", files=files, is_measured=True)


def mutant(random: Random, donors: Sequence[Donor]) -> tuple[dict[str, bytes], list[str]]:
    """The files of a folder, and what was done to them."""
    chosen = random.choice(donors)
    trees = copy.deepcopy(dict(chosen.files))
    told = [f"from {chosen.name}"]
    gentle = random.random() < 0.2
    for _ in range(random.choice((1, 1, 2, 3, 6))):
        name = random.choice([name for name in trees for _ in range(3 if name == "engine.toml" else 1)])
        told.append(f"{name}: {_changed(random, trees[name], donors, name, gentle)}")
    files = {name: written(tree).encode("utf-8", "surrogatepass") for name, tree in trees.items()}
    if not gentle and random.random() < 0.2:
        name = random.choice(list(files))
        files[name], done = _hurt(random, files[name])
        told.append(f"{name}: {done}")
    if not gentle and random.random() < 0.02:
        told.append(f"without {(name := random.choice(list(files)))}")
        del files[name]
    return files, told


def _changed(random: Random, tree: dict[str, Any], donors: Sequence[Donor], name: str, gentle: bool) -> str:
    """One change of a tree in place; what it was."""
    ways = list(_ways(tree))
    if not ways:
        tree["format"] = 1
        return "emptied"
    leaves = [way for way in ways if not isinstance(_at(tree, way), dict | list)]
    if gentle and leaves:
        way = random.choice(leaves)
        _put(tree, way, _near(random, _at(tree, way)))
        return f"{way} nearly"
    way = random.choice(ways)
    holder, last = _at(tree, way[:-1]), way[-1]
    match random.randrange(9):
        case 0 | 1:
            _put(tree, way, Raw(random.choice(TOKENS)))
        case 2:
            _put(tree, way, random.choice(TEXTS))
        case 3:
            _put(tree, way, _near(random, _at(tree, way)))
        case 4:
            del holder[last]
        case 5:  # a piece of another place, or of another folder
            other = random.choice(donors).files.get(name) or tree
            theirs = [each for each in _ways(other) if each[-1] == last] or list(_ways(other))
            _put(tree, way, copy.deepcopy(_at(other, random.choice(theirs))))
        case 6 if isinstance(holder, list):
            again = random.choice((1, 1, 2, 30, 1000))
            holder[last:last] = [copy.deepcopy(holder[last])] * again  # type: ignore[misc]
        case 7 if isinstance(holder, list):
            random.shuffle(holder)
        case _ if isinstance(holder, dict):
            key = random.choice((f"{last}s", str(last)[:-1] or "x", str(last).upper(), *TEXTS))
            holder[key] = holder.pop(last)
        case _:
            _put(tree, way, [_at(tree, way)])
    return f"{way}"


def _near(random: Random, value: object) -> object:
    """Something that might stand there just as well."""
    match value:
        case bool():
            return not value
        case int():
            return max(0, value + random.choice((-2, -1, 1, 2))) if random.random() < 0.8 else value * 2
        case float():
            return value * random.choice((-1.0, 0.0, 0.5, 0.9, 0.999, 1.001, 1.1, 2.0, 10.0))
        case str() if value[:1].isdigit():
            number, _, rest = value.partition(" ")
            words = rest if random.random() < 0.7 else random.choice(("BTDC", "ATDC", "BBDC", "ABDC"))
            try:
                return f"{float(number) + random.choice((-30, -5, -0.1, 0.1, 5, 30)):g} {words}"
            except ValueError:
                return value
        case str() if random.random() < 0.7:
            return random.choice(WORDS)
        case str():
            return value[: random.randrange(len(value) + 1)] + value[random.randrange(len(value) + 1) :]
    return value


WORDS = [
    *get_args(StandardLaw),
    *("clockwise", "anticlockwise", "left", "right", "upright", "wheelcase end", "output end", "mm", "in", "rocker"),
    *("flat", "pad-rocker", "quill", "sleeve"),
    *("fork-and-blade", "articulated", "own-pins", "side-by-side", "inlet opens", "exhaust closes", "lobe centre"),
    *("lift at TDC", "set-camshaft", "set-magneto", "prepare", "finish", "piston", "ring", "A1", "B1", "A2", "full"),
    *("full advance", "full retard", "fixed", "plug hole", "valves", "crankshaft", "camshaft A", "camshaft B"),
]  # fmt: skip


def _hurt(random: Random, data: bytes) -> tuple[bytes, str]:
    """The text of a file with one injury."""
    at, to = sorted((random.randrange(len(data) + 1), random.randrange(len(data) + 1)))
    match random.randrange(5):
        case 0:
            return data[:at], f"cut at {at}"
        case 1:
            piece = random.choice(FRAGMENTS)
            return data[:at] + piece + data[at:], f"{piece[:12]!r} at {at}"
        case 2:
            return data[:at] + data[min(to, at + 40) :], f"bytes from {at} lost"
        case 3:
            return data[:to] + data[at:to] + data[to:], f"bytes from {at} to {to} twice"
    at = min(at, len(data) - 1) if data else 0
    flipped = bytes([data[at] ^ 1 << random.randrange(8)]) if data else b""
    return data[:at] + flipped + data[at + 1 :], f"a bit of byte {at}"


def _ways(tree: object, way: Way = ()) -> list[Way]:
    """The way to every value of a tree, inner ones too."""
    entries = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    found: list[Way] = []
    for key, value in entries:
        found.append((*way, key))
        found += _ways(value, (*way, key))
    return found


def _at(tree: Any, way: Way) -> Any:
    for key in way:
        tree = tree[key]
    return tree


def _put(tree: Any, way: Way, value: object) -> None:
    _at(tree, way[:-1])[way[-1]] = value


def written(tree: Mapping[str, Any]) -> str:
    """The tree as TOML: a key a line, tables in braces."""
    return "".join(f"{toml_key(key) if key else chr(34) * 2} = {_value(value)}\n" for key, value in tree.items())


def _value(value: object) -> str:
    match value:
        case Raw():
            return str(value)
        case str():
            return toml_string(value)
        case bool():
            return str(value).lower()
        case list():
            return f"[{', '.join(_value(entry) for entry in value)}]"
        case dict():
            inside = ", ".join(f"{toml_key(key) if key else chr(34) * 2} = {_value(v)}" for key, v in value.items())
            return f"{{{inside}}}"
    return repr(value)
