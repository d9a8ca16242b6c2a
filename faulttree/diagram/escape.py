"""Texts made safe for each language a picture is written in: one function each.

What comes in is data: a title may hold markup, an escape or a whole diagram of its own. It
goes through :func:`plain` first, so that what a terminal or a reader's eye would obey is
shown, and then through the function of the language it is written into.
"""

from __future__ import annotations

from faulttree.texts import NOT_IN_XML, harmless, printable

LONGEST = 20_000
_XML = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;"})


def plain(text: object) -> str:
    """One line that a terminal does not obey and an eye cannot misread, not over-long.

    Signs that XML 1.0 (2.2) cannot hold become the replacement character.
    """
    said = str(text)
    if len(said) > LONGEST:
        said = f"{said[:LONGEST]}…"
    return printable(said)


def plain_lines(text: object) -> str:
    """The same, line ends kept."""
    said = str(text)
    said = said if len(said) <= LONGEST else f"{said[:LONGEST]}…"
    return NOT_IN_XML.sub("\ufffd", harmless(said))


def xml(text: str) -> str:
    """For the text of an element or a quoted attribute, in XML and in HTML alike."""
    return text.translate(_XML)


def dot(text: str) -> str:
    r"""For a label that the graphviz package quotes: a backslash says nothing, ``<…>`` is no
    markup, a character reference is not decoded. Line ends become ``\n`` of the language.
    """
    import graphviz

    said = text.replace("&", "&amp;").replace("\0", "\ufffd").replace("\r", "")
    label: str = graphviz.nohtml("\\n".join(graphviz.escape(line) for line in said.split("\n")))
    return label


def mermaid(text: str) -> str:
    """For a quoted label of Mermaid: whatever is not a letter, digit or space of its own
    goes in as a numbered entity, ``#35;`` for ``#``; line ends become breaks.
    """
    lines = text.replace("\r", "").split("\n")
    return "<br/>".join("".join(map(_mermaid_sign, line)) for line in lines)


def _mermaid_sign(char: str) -> str:
    if char.isalnum() or char in " .,:;?!()+-–—±°µΩ≤≥%…·/=":
        return "#59;" if char == ";" else char
    return f"#{ord(char)};"
