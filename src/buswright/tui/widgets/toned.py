"""Lines of toned text, drawn line by line: only what is visible is made.

A tone says what a text means, never how it looks; a theme gives it a colour. Nothing is told by a tone alone: the
words carry it too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Literal, NamedTuple, get_args

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from rich.style import Style
from textual.color import Color
from textual.geometry import Size
from textual.scroll_view import ScrollView
from textual.strip import Strip

from buswright.findings import Severity
from buswright.tui.bench import Guarded
from buswright.wording import visible

if TYPE_CHECKING:
    from buswright.diagnosis.now.modules import Sender

Tone = Literal[
    "plain",
    "dim",
    "strong",
    "good",
    "note",
    "suspect",
    "fault",
    "accent",
    "head",
    "here",
    "curve1",
    "curve2",
    "curve3",
    "curve4",
    "curve5",
    "curve6",
]
"""plain, dim, strong: weight. good, note, suspect, fault: judgements. accent: what can be acted on. head: a heading.
here: where the cursor is. curve1...: curves of one plot, which tell nothing but themselves apart."""

TONES: tuple[Tone, ...] = get_args(Tone)
SEVERITY_TONES: dict[Severity, Tone] = {Severity.FAULT: "fault", Severity.SUSPECT: "suspect", Severity.NOTE: "note"}

_BOLD: frozenset[Tone] = frozenset({"strong", "suspect", "fault", "head"})


class Span(NamedTuple):
    """A piece of text with one tone."""

    text: str
    tone: Tone = "plain"


Line = Sequence[Span]
Piece = str | Span
"""What is convenient to write; a bare text is plain."""


def line(*pieces: Piece) -> list[Span]:
    """Return pieces as a line."""
    return [piece if isinstance(piece, Span) else Span(piece) for piece in pieces]


def width_of(spans: Line) -> int:
    """Cells that a line takes."""
    return cell_len("".join([span.text for span in spans]))  # at once: a plot has a hundred pieces a line


def fitted(spans: Line, width: int, *, right: bool = False) -> list[Span]:
    """Return a line of exactly so many cells: padded, or cut with an ellipsis; nothing in it steers a terminal.

    Everything that is drawn goes through here, so that this is the gate for text from files.
    """
    if not "".join([span.text for span in spans]).isprintable():
        spans = [Span(visible(span.text), span.tone) for span in spans]
    room = width_of(spans)
    if room == width:
        return list(spans)
    if room < width:
        padding = Span(" " * (width - room))
        return [padding, *spans] if right else [*spans, padding]
    kept: list[Span] = []
    left = width - 1
    for span in spans:
        size = cell_len(span.text)
        if size > left:
            kept.append(Span(set_cell_size(span.text, left), span.tone))
            kept.append(Span("…", span.tone))
            break
        kept.append(span)
        left -= size
    return kept if width > 0 else []


def joined(spans: Iterable[Span]) -> list[Span]:
    """Return a line with neighbours of one tone in one piece: fewer pieces are drawn sooner."""
    whole: list[Span] = []
    for span in spans:
        if whole and whole[-1].tone == span.tone:
            whole[-1] = Span(whole[-1].text + span.text, span.tone)
        else:
            whole.append(span)
    return whole


def hanging(start: Line, text: str, width: int, tone: Tone = "plain") -> Iterator[list[Span]]:
    """Put a text behind a start, its further lines under its own first letter."""
    indent = width_of(start)
    first, *rest = wrap(text, max(width - indent, 20)) or [""]
    yield [*start, Span(first, tone)]
    yield from ([Span(" " * indent), Span(each, tone)] for each in rest)


def severity_tone(severity: Severity | None, otherwise: Tone = "plain") -> Tone:
    """Return the tone of a severity, `otherwise` where there is none."""
    return otherwise if severity is None else SEVERITY_TONES[severity]


def sender_tone(sender: Sender) -> Tone:
    """Return the tone of a module's word."""
    well: Mapping[str, Tone] = {"present": "good", "now and then": "plain"}
    return severity_tone(sender.severity, well.get(sender.state, "dim"))


class Toned(Guarded, ScrollView):
    """A widget of toned lines; a subclass says what stands in each."""

    DEFAULT_CSS = """
    Toned { height: 1fr; background: $background; color: $foreground; scrollbar-size-vertical: 1; }
    Toned { scrollbar-background: $background; scrollbar-background-hover: $background; scrollbar-color: $border; }
    """

    _looks: dict[tuple[Tone, bool], Style] | None = None

    def style_of(self, tone: Tone, *, here: bool = False) -> Style:
        """Return how a tone looks here; under the cursor with the cursor's ground."""
        if self._looks is None:
            self._looks = {}
        look = self._looks.get((tone, here))
        if look is None:  # found out once: it would be half the cost of drawing
            look = self._looks[tone, here] = self._look_of(tone, here=here)
        return look

    def notify_style_update(self) -> None:
        """Forget the looks after a change of theme or class."""
        self._looks = None
        super().notify_style_update()

    def _look_of(self, tone: Tone, *, here: bool) -> Style:
        # From the theme's variables: a style sheet's classes for each tone would be matched for every widget whenever
        # a screen comes to the front, which is half the time that a key takes.
        colours = self.app.theme_variables
        bold = True if tone in _BOLD else None
        if here:
            text, ground = (Color.parse(colours[name]).rich_color for name in ("tone-here-text", "tone-here"))
            return Style(color=text, bgcolor=ground, bold=bold)
        name = colours.get("tone-accent" if tone == "head" else f"tone-{tone}")
        return self.rich_style + Style(color=None if name is None else Color.parse(name).rich_color, bold=bold)

    def drawn(self, spans: Line, *, here: bool = False) -> Strip:
        """Return a line as a strip of the width of the widget."""
        width = self.scrollable_content_region.width
        styles: dict[Tone, Style] = {}
        segments = []
        for text, tone in fitted(spans, width):
            style = styles.get(tone)
            if style is None:
                style = styles[tone] = self.style_of(tone, here=here)
            segments.append(Segment(text, style))
        return Strip(segments, width)

    def blank(self) -> Strip:
        """Return an empty line."""
        return Strip.blank(self.scrollable_content_region.width, self.style_of("plain"))


class Lines(Toned):
    """Text that fills a panel: headings, paragraphs, small drawings.

    `show` takes the lines, or a function that makes them for a width and a height, which is asked again when the
    panel's size changes.
    """

    DEFAULT_CSS = """
    Lines { overflow-x: hidden; }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:  # noqa: A002 (Textual's word)
        super().__init__(id=id, classes=classes)
        self._lines: list[list[Span]] = []
        self._make: Callable[[int, int], Iterable[Line]] | None = None
        self._made_for: tuple[int, int] | None = None

    def show(self, made: Iterable[Line] | Callable[[int, int], Iterable[Line]]) -> None:
        """Show these lines from now on."""
        if callable(made):
            self._make = made
            self._remake()
        else:
            self._make = None
            self._take(made)

    @property
    def text(self) -> str:
        """What is shown, without tones."""
        return "\n".join("".join(span.text for span in spans).rstrip() for spans in self._lines)

    def on_resize(self) -> None:
        """Make the lines again for the new size."""
        if self._make is not None and self._made_for != self._room():
            self._remake()

    def _room(self) -> tuple[int, int]:
        region = self.scrollable_content_region
        return region.width, region.height

    def _remake(self) -> None:
        assert self._make is not None
        self._made_for = self._room()
        width, height = self._made_for
        if width > 0 and height > 0:
            self._take(self._make(width, height))

    def _take(self, lines: Iterable[Line]) -> None:
        new = [list(spans) for spans in lines]
        if new == self._lines:
            return
        self._lines = new
        self.virtual_size = Size(self.scrollable_content_region.width, len(new))
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """Draw one line of the window."""
        at = y + self.scroll_offset.y
        return self.drawn(self._lines[at]) if at < len(self._lines) else self.blank()


class Plain(Lines, can_focus=False):
    """Lines that are read, never gone to."""
