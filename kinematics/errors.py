"""All errors of the project, one tree.

QuillwiseError            what a user can act on; its text is whole sentences, never a traceback
├── SceneError            an engine folder is wrong: carries every Problem found           (exit code 2)
├── RequestError          a name or number on the command line is wrong                    (exit code 2)
├── GraphicsError         no OpenGL, or no display where one is needed                     (exit code 3)
└── OutputError           the output exists, or cannot be written                          (exit code 4)
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

_COMPARED = 30  # characters of a name


class QuillwiseError(Exception):
    """Base of all errors that a user can act on."""


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing that is wrong in a data sheet. ``path`` is its key path, for example ``couplings.quill-a``."""

    path: str
    message: str

    def __str__(self) -> str:
        return f"{self.path}: {self.message}" if self.path else self.message


class SceneError(QuillwiseError):
    """An engine folder is wrong. ``problems``: everything that was found, in the order of the file."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class RequestError(QuillwiseError):
    """A name or a number that was asked for does not exist or is out of range."""


class GraphicsError(QuillwiseError):
    """There is no OpenGL library, or no display where one is needed."""


class OutputError(QuillwiseError):
    """The output exists already, or cannot be written."""


def unknown(kind: str, name: str, defined: Iterable[str]) -> str:
    """The sentence for a name that does not exist: the valid names, and a close one if it was mistyped."""
    names = list(defined)
    # heads alone: to compare long names takes seconds
    heads = {known[:_COMPARED]: known for known in reversed(names)}
    near = difflib.get_close_matches(name[:_COMPARED], heads, n=1)
    hint = f" (did you mean {heads[near[0]]}?)" if near else ""
    listed = ", ".join(names) if names else "none"
    return f'unknown {kind} "{name}"; defined: {listed}{hint}'
