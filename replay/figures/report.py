"""A written report as plain blocks, before it is set as a page for the browser or for print: both say exactly the same."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from replay.figures.export import Drawn
from replay.figures.registry import FigureKind
from replay.figures.style import FigureSettings

Mood = Literal["plain", "quiet", "warning", "note", "good"]


@dataclass(frozen=True)
class Heading:
    """Of a section (level 1) or of a part of one (level 2)."""

    text: str
    level: Literal[1, 2] = 1


@dataclass(frozen=True)
class Paragraph:
    """One paragraph; `lead` stands before it in bold."""

    text: str
    lead: str = ""
    mood: Mood = "plain"


@dataclass(frozen=True)
class Items:
    """A list; `is_checklist` gives every entry a box to tick."""

    texts: tuple[str, ...]
    is_checklist: bool = False


@dataclass(frozen=True)
class Table:
    """Rows of texts under a header."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, eq=False)
class Picture:
    """A figure by its kind, drawn when the report is set."""

    kind: FigureKind
    settings: FigureSettings


Block: TypeAlias = Heading | Paragraph | Items | Table | Picture


@dataclass(frozen=True, eq=False)
class Report:
    """Title, what it is about in one line, and the blocks in order. `record` is put into both files' metadata."""

    title: str
    subtitle: str
    blocks: tuple[Block, ...]
    record: str = ""


@dataclass
class Numbering:
    """Counts figures and keeps what they say in words, for the list at the end."""

    said: list[tuple[str, Drawn]] = field(default_factory=list)

    def next(self, title: str, drawn: Drawn) -> int:
        """The number of the figure just drawn."""
        self.said.append((title, drawn))
        return len(self.said)
