"""HTML made of nested elements: text is always escaped, so that no name from a file can become markup."""

from __future__ import annotations

import html
from collections.abc import Iterable
from dataclasses import dataclass

_VOID = frozenset({"meta", "img", "input", "br", "hr", "link"})


@dataclass(frozen=True, slots=True)
class Markup:
    """Finished HTML. Made by ``tag`` alone, and by whoever vouches that its text is safe."""

    text: str

    def __str__(self) -> str:
        return self.text


Content = Markup | str | int | None | Iterable["Content"]


def tag(name: str, /, *content: Content, **attributes: object) -> Markup:
    """An element. Attributes: ``class_`` and ``for_`` lose their line, ``aria_label`` becomes ``aria-label``; True is
    the bare name, None and False are left out."""
    told = "".join(
        _attribute(key, value) for key, value in attributes.items() if value is not None and value is not False
    )
    if name in _VOID:
        return Markup(f"<{name}{told}>")
    return Markup(f"<{name}{told}>{join(content)}</{name}>")


def join(content: Content) -> Markup:
    """Content one after another; text is escaped."""
    if content is None:
        return Markup("")
    if isinstance(content, Markup):
        return content
    if isinstance(content, str | int):
        return Markup(html.escape(str(content), quote=True))
    return Markup("".join(join(each).text for each in content))


def table(heads: Iterable[str], rows: Iterable[Iterable[Content]], caption: str) -> Markup:
    """A table with a caption and heads of columns; the first cell of a row heads it."""
    body = []
    for row in rows:
        first, *others = row
        body.append(tag("tr", tag("th", first, scope="row"), [tag("td", each) for each in others]))
    return tag(
        "div",
        tag(
            "table",
            tag("caption", caption),
            tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
            tag("tbody", body),
        ),
        class_="table",
        tabindex="0",
        role="region",
        aria_label=caption,
    )


def points(items: Iterable[Content], ordered: bool = False) -> Markup:
    """A list."""
    return tag("ol" if ordered else "ul", [tag("li", each) for each in items])


def _attribute(key: str, value: object) -> str:
    name = key.rstrip("_").replace("_", "-")
    return f" {name}" if value is True else f' {name}="{html.escape(str(value), quote=True)}"'
