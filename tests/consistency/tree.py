"""A page as a tree of elements, by the standard library's parser."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

INLINE = {"a", "abbr", "b", "bdi", "code", "em", "q", "span", "strong"}
SILENT = {"button", "script", "style", "svg"}
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


@dataclass
class Node:
    """An element; its children are elements and texts."""

    tag: str
    attributes: dict[str, str] = field(default_factory=dict)
    children: list = field(default_factory=list)

    def all(self, tag: str | None = None, **attributes: str) -> Iterator["Node"]:
        """Elements below this one, in order, with this tag and these attributes (`class_`: among its classes)."""
        for child in self.children:
            if isinstance(child, Node):
                if child._is(tag, attributes):
                    yield child
                yield from child.all(tag, **attributes)

    def first(self, tag: str | None = None, **attributes: str) -> "Node | None":
        """The first of `all`."""
        return next(self.all(tag, **attributes), None)

    def _is(self, tag: str | None, attributes: dict[str, str]) -> bool:
        classes = attributes.get("class_")
        return (
            (tag is None or self.tag == tag)
            and (classes is None or classes in self.attributes.get("class", "").split())
            and all(self.attributes.get(n.replace("_", "-")) == v for n, v in attributes.items() if n != "class_")
        )

    def text(self) -> str:
        """The text of the element, white space as one space; of scripts, styles, drawings and buttons none."""
        return " ".join("".join(self._texts()).split())

    def _texts(self) -> Iterator[str]:
        for child in self.children:
            if isinstance(child, str):
                yield child
            elif child.tag not in SILENT:
                around = "" if child.tag in INLINE else " "
                yield around
                yield from child._texts()
                yield around

    def raw(self) -> str:
        """The text of a script."""
        return "".join(child for child in self.children if isinstance(child, str))

    def rows(self) -> list[dict[str, "Node"]]:
        """Rows of a table by the words that head the columns, units left out."""
        head, *rows = list(self.all("tr"))
        names = [_head(cell) for cell in head.children if isinstance(cell, Node)]
        return [dict(zip(names, [c for c in row.children if isinstance(c, Node)], strict=False)) for row in rows]


def _head(cell: Node) -> str:
    inside = cell.first("button") or cell
    return " ".join("".join(child for child in inside.children if isinstance(child, str)).split())


class _Builder(HTMLParser):
    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.root = Node("root")
        self.open = [self.root]

    def handle_starttag(self, tag, attrs):
        node = Node(tag, {name: value or "" for name, value in attrs})
        self.open[-1].children.append(node)
        if tag not in VOID:
            self.open.append(node)

    def handle_startendtag(self, tag, attrs):
        self.open[-1].children.append(Node(tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag):
        for place in range(len(self.open) - 1, 0, -1):
            if self.open[place].tag == tag:
                del self.open[place:]
                return

    def handle_data(self, data):
        self.open[-1].children.append(data)


def parse(text: str) -> Node:
    """The tree of a page."""
    builder = _Builder()
    builder.feed(text)
    builder.close()
    return builder.root
